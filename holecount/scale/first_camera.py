"""A camera to begin with, from one thing of known size."""

import numpy as np
from numpy.typing import NDArray

from holecount.scale.plane import Camera
from holecount.scale.reference import Reference

Array = NDArray[np.float64]


def rigid(from_mm: Array, to_mm: Array) -> Array:
    """Shift and turn (x, y, radians) that best carries points (n, 2) onto others (n, 2)."""
    a, b = from_mm - from_mm.mean(axis=0), to_mm - to_mm.mean(axis=0)
    turn = float(np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum()))
    c, s = np.cos(turn), np.sin(turn)
    shift = to_mm.mean(axis=0) - np.array([[c, -s], [s, c]]) @ from_mm.mean(axis=0)
    return np.array([shift[0], shift[1], turn])


def starting_camera(
    reference: Reference, width_px: int, height_px: int, focal_px: float, normal: tuple[float, float] = (0.0, 0.0)
) -> Camera:
    """A camera that sees ``reference`` at the right size, for a plane whose normal leans by ``normal``.

    ``normal`` are the x and y components of the plane's normal in camera axes (0, 0 is straight above).
    The plane's axes are those of the reference.
    """
    centre = np.array([(width_px - 1) / 2, (height_px - 1) / 2])
    nx, ny = normal
    n = np.array([nx, ny, -np.sqrt(max(1e-6, 1 - nx**2 - ny**2))])
    rays = np.column_stack([(reference.points_px - centre) / focal_px, np.ones(len(reference.points_px))])
    on_plane = rays / (rays @ -n)[:, None]  # at distance 1 along the normal
    use = reference.row == 0 if reference.row is not None else np.ones(len(rays), bool)
    p, m = on_plane[use], reference.points_mm[use]
    spread_p = np.sqrt(((p - p.mean(axis=0)) ** 2).sum())
    spread_m = np.sqrt(((m - m.mean(axis=0)) ** 2).sum())
    p = p * (spread_m / spread_p)
    # in-plane axes: x along the image's x as far as the plane allows, y = n x x
    ex = np.array([1.0, 0.0, 0.0]) - n * n[0]
    ex /= np.linalg.norm(ex)
    ey = np.cross(n, ex)
    flat = np.column_stack([p @ ex, p @ ey])
    x0, y0, turn = rigid(m, flat)
    c, s = np.cos(turn), np.sin(turn)
    axis_x, axis_y = c * ex + s * ey, -s * ex + c * ey
    # n . X = -distance on the face of the reference; the plane of the rims lies height_mm behind it
    distance = spread_m / spread_p + reference.height_mm
    return Camera(
        focal_px=focal_px,
        k1=0.0,
        centre_px=centre,
        half_diagonal_px=float(np.hypot(width_px, height_px) / 2),
        rotation=np.column_stack([axis_x, axis_y, n]),
        translation_mm=x0 * ex + y0 * ey - n * distance,
    )


def normal_of(reference: Reference, width_px: int, height_px: int, focal_px: float) -> tuple[float, float] | None:
    """Plane normal from the homography of at least four spread-out points; None when they do not tell."""
    if reference.row is not None or len(reference.points_px) < 4:
        return None
    centre = np.array([(width_px - 1) / 2, (height_px - 1) / 2])
    u = (reference.points_px - centre) / focal_px
    m = reference.points_mm
    if np.linalg.matrix_rank(m - m.mean(axis=0), tol=1e-3) < 2:
        return None
    scale = np.abs(m).max()
    mm = m / scale
    rows = []
    for (a, b), (x, y) in zip(mm, u, strict=True):
        rows.append([a, b, 1, 0, 0, 0, -x * a, -x * b, -x])
        rows.append([0, 0, 0, a, b, 1, -y * a, -y * b, -y])
    h = np.linalg.svd(np.array(rows))[2][-1].reshape(3, 3)
    if h[2, 2] < 0:
        h = -h
    r1, r2 = h[:, 0] / np.linalg.norm(h[:, 0]), h[:, 1] / np.linalg.norm(h[:, 1])
    n = np.cross(r1, r2)
    n /= np.linalg.norm(n)
    if n[2] > 0:
        n = -n
    return float(n[0]), float(n[1])
