"""Where the camera stands over one rectangle of known size, from the lines of its sides."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holecount.scale.plane import Camera

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LensPrior:
    """What is believed of the lens before anything is seen.

    Attributes
    ----------
    focal_px : float
    u_focal_rel : float
    u_k1 : float
        Radial term is 0, give or take this.
    centre_px : shape (2,)
    half_diagonal_px : float
    """

    focal_px: float
    u_focal_rel: float
    u_k1: float
    centre_px: Array
    half_diagonal_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RectanglePose:
    """A camera over the rectangle's face (corner at 0, 0; long side along x; y to its left; z towards the camera).

    Attributes
    ----------
    camera : Camera
    corners_px : shape (4, 2)
        The face's corners as this camera sees them.
    u_corners_px : shape (4,)
        Standard uncertainty of each along its worse direction, from what the lines leave open.
    misfit : float
        Sum of squares of normalised residuals, priors included.
    residual : shape (4 m + 2,)
        Normalised: points of the sides in order, then log focal length and radial term.
    jacobian : shape (4 m + 2, 8)
    """

    camera: Camera
    corners_px: Array
    u_corners_px: Array
    misfit: float
    residual: Array
    jacobian: Array


def rectangle_mm(long_mm: float, short_mm: float) -> Array:
    """Corners (0, 0), (long, 0), (long, short), (0, short): anticlockwise as seen from above."""
    return np.array([[0.0, 0.0], [long_mm, 0.0], [long_mm, short_mm], [0.0, short_mm]])


def anticlockwise(corners_px: Array) -> Array:
    """The same quads (shape (..., 4, 2)) turning anticlockwise as seen (y down), sides 0-1 and 2-3 kept."""
    q = np.asarray(corners_px, float)
    d1, d2 = q[..., 2, :] - q[..., 0, :], q[..., 3, :] - q[..., 1, :]
    clockwise = d1[..., 0] * d2[..., 1] - d1[..., 1] * d2[..., 0] > 0
    return np.where(clockwise[..., None, None], q[..., [1, 0, 3, 2], :], q)


def unit_square_homographies(corners: Array) -> Array:
    """Homographies (n, 3, 3) that take (0, 0), (1, 0), (1, 1), (0, 1) to the corners (n, 4, 2)."""
    p0, p1, p2, p3 = (corners[:, k] for k in range(4))
    s = p0 - p1 + p2 - p3
    a, b = p1 - p2, p3 - p2
    det = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        g = (s[:, 0] * b[:, 1] - s[:, 1] * b[:, 0]) / det
        h = (a[:, 0] * s[:, 1] - a[:, 1] * s[:, 0]) / det
    out = np.empty((len(corners), 3, 3))
    out[:, :2, 0] = p1 - p0 + g[:, None] * p1
    out[:, :2, 1] = p3 - p0 + h[:, None] * p3
    out[:, :2, 2] = p0
    out[:, 2, 0], out[:, 2, 1], out[:, 2, 2] = g, h, 1.0
    return out


def shape_of_quads(corners_px: Array, focal_px: float, centre_px: Array) -> tuple[Array, Array]:
    """Ratio of side 0-1 to side 1-2 and cosine of the angle between them, each shape (n,), for a known focal length."""
    h = unit_square_homographies((corners_px - centre_px) / focal_px)
    along, across = h[:, :, 0], h[:, :, 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        la, lb = np.linalg.norm(along, axis=1), np.linalg.norm(across, axis=1)
        return la / lb, (along * across).sum(axis=1) / (la * lb)


def _rotations(w: Array) -> Array:
    """Rotation matrices (n, 3, 3) of rotation vectors (n, 3) (Rodrigues' formula)."""
    angle = np.linalg.norm(w, axis=1)[:, None, None]
    k = np.zeros((len(w), 3, 3))
    k[:, 0, 1], k[:, 0, 2], k[:, 1, 2] = -w[:, 2], w[:, 1], -w[:, 0]
    k -= k.transpose(0, 2, 1)
    safe = np.maximum(angle, 1e-12)
    return np.asarray(np.eye(3) + np.sinc(angle / np.pi) * k + (1 - np.cos(angle)) / safe**2 * (k @ k))


def _first_pose(corners_px: Array, mm: Array, lens: LensPrior) -> tuple[Array, Array] | None:
    h = unit_square_homographies(((corners_px - lens.centre_px) / lens.focal_px)[None])[0]
    long_mm, short_mm = mm[2]
    h = h @ np.diag([1 / long_mm, 1 / short_mm, 1.0])
    if not np.isfinite(h).all():
        return None
    size = np.sqrt(np.linalg.norm(h[:, 0]) * np.linalg.norm(h[:, 1]))
    if size <= 0:
        return None
    h /= size
    u, _, vt = np.linalg.svd(np.column_stack([h[:, 0], h[:, 1]]), full_matrices=False)
    r = u @ vt
    return np.column_stack([r, np.cross(r[:, 0], r[:, 1])]), h[:, 2]


def pose_of_rectangle(
    corners_px: Array, sides_px: Array, u_sides_px: Array, long_mm: float, short_mm: float, lens: LensPrior
) -> RectanglePose | None:
    """Least-squares pose, focal length and radial term from points on the sides.

    Parameters
    ----------
    corners_px : shape (4, 2)
        About where the corners are, anticlockwise as seen; side 0-1 is a long one.
    sides_px : shape (4, m, 2)
        Points on each side's line.
    u_sides_px : shape (4, m)
        Standard uncertainty of each point across its side; infinite where nothing was seen.

    Returns
    -------
    RectanglePose or None
        None when the corners are no quad in front of a camera.
    """
    mm = rectangle_mm(long_mm, short_mm)
    first = _first_pose(corners_px, mm, lens)
    if first is None:
        return None
    rotation, shift = first
    seen = np.isfinite(u_sides_px)
    weight = np.where(seen, 1.0 / np.where(seen, u_sides_px, 1.0), 0.0)
    centred = sides_px - lens.centre_px

    def view(steps: Array) -> tuple[Array, Array, Array]:
        """Corners (n, 4, 3) in camera axes, log focal lengths and radial terms after steps (n, 8) from here."""
        turned = _rotations(steps[:, :3]) @ rotation
        corners = mm @ turned[:, :, :2].transpose(0, 2, 1) + (shift + steps[:, 3:6])[:, None]
        return corners, lens_terms[0] + steps[:, 6], lens_terms[1] + steps[:, 7]

    def residuals(steps: Array) -> Array:
        corners, log_f, k1 = view(steps)
        depth = np.where(corners[..., 2:] > 1e-6, corners[..., 2:], np.nan)
        face = corners[..., :2] / depth * (lens.focal_px * np.exp(log_f))[:, None, None]
        k = k1[:, None, None, None] / lens.half_diagonal_px**2
        u = centred[None]
        for _ in range(3):
            u = centred[None] / (1.0 + k * (u**2).sum(axis=-1, keepdims=True))
        d = np.roll(face, -1, axis=1) - face
        d = d / np.linalg.norm(d, axis=2, keepdims=True)
        rel = u - face[:, :, None]
        off = rel[..., 0] * d[:, :, None, 1] - rel[..., 1] * d[:, :, None, 0]
        priors = np.stack([log_f / lens.u_focal_rel, k1 / lens.u_k1], axis=1)
        return np.hstack([(off * weight).reshape(len(steps), -1), priors])

    lens_terms = np.zeros(2)
    size = np.array([1e-5, 1e-5, 1e-5, *([1e-5 * shift[2]] * 3), 1e-5, 1e-5])
    nearby = np.vstack([np.zeros(8), np.diag(size)])
    damping = 1e-3
    for _ in range(20):
        around = residuals(nearby)
        if not np.isfinite(around).all():
            return None
        r, jac = around[0], (around[1:] - around[0]).T / size
        normal, gradient, before = jac.T @ jac, jac.T @ r, float(r @ r)
        tries = damping * np.array([1.0, 30.0, 1e3, 1e5])
        steps = np.array([-np.linalg.solve(normal + np.diag(np.diag(normal) * t + 1e-12), gradient) for t in tries])
        after = (residuals(steps) ** 2).sum(axis=1)
        better = np.flatnonzero(np.nan_to_num(after, nan=np.inf) <= before)
        if len(better) == 0:
            break
        step = steps[better[0]]
        rotation, shift, lens_terms = _rotations(step[None, :3])[0] @ rotation, shift + step[3:6], lens_terms + step[6:]
        damping = max(float(tries[better[0]]) / 8, 1e-9)
        if before - float(after[better[0]]) < 1e-5 * (1.0 + before):
            break
    around = residuals(nearby)
    if not np.isfinite(around).all():
        return None
    r, jac = around[0], (around[1:] - around[0]).T / size
    camera = Camera(
        focal_px=float(lens.focal_px * np.exp(lens_terms[0])),
        k1=float(lens_terms[1]),
        centre_px=lens.centre_px,
        half_diagonal_px=lens.half_diagonal_px,
        rotation=rotation,
        translation_mm=shift,
    )
    # How far each corner can move with what the lines and priors leave open.
    corners, log_f, k1 = view(nearby)
    face = corners[..., :2] / corners[..., 2:] * (lens.focal_px * np.exp(log_f))[:, None, None]
    r2 = (face**2).sum(axis=2, keepdims=True) / lens.half_diagonal_px**2
    face = face * (1 + k1[:, None, None] * r2)
    moves = (face[1:] - face[0]).transpose(1, 2, 0) / size
    scaled = jac * size
    spread = size[:, None] * np.linalg.pinv(scaled.T @ scaled, rcond=1e-12) * size
    cov = np.einsum("iak,kl,ibl->iab", moves, spread, moves)
    return RectanglePose(
        camera=camera,
        corners_px=camera.to_px(mm),
        u_corners_px=np.sqrt(np.maximum(np.linalg.eigvalsh(cov)[:, -1], 0.0)),
        misfit=float(r @ r),
        residual=r,
        jacobian=jac.copy(),
    )
