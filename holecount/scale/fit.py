"""One plane fit from everything of known size, helped by the holes themselves.

All references lie on the same plane, each a little above it and anywhere on it. The camera has a
focal length (from EXIF where present), a lens that may bend lines a little, and a pose. A single
small card or one ruler fixes the far side of a seat badly; but one frame was bored with one bit, and
a round bore seen as an ellipse tells the tilt. Both enter as observations with an honest error,
never as a condition: bores differ, some are worn, and all rims may be misread alike.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holecount.fits import Fit, jacobian, least_squares, soften
from holecount.scale.plane import Camera
from holecount.scale.reference import Reference
from holecount.troubles import NoScale

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneSettings:
    """What is known of phones, frames and bits before looking.

    u_focal_exif_rel : EXIF's focal length is a whole number of mm and the crop varies (from memory).
    focal_35mm, u_focal_35mm_rel : main cameras of phones are 24 to 28 mm (from memory), when EXIF is silent.
    u_axis_rel : optical axis off the picture's middle, in half diagonals (from memory).
    u_k1 : radial term at the corner; phones leave 0.5-2 %, a few more (vision notes).
    u_tilt_deg : how far from straight above pictures are taken; only matters with a lone ruler.
    u_bore_rel, least_u_bore_rel : spread of bores of one bit as gauged, first guess and least believed.
    u_rim_shape, u_common_ellipse : error of a rim's ellipse terms, own (with what neighbours share) and
        common to all rims: 0.0044 alone, but tilts read from them were off by 0.012 rad rms, so more is allowed.
    u_gauge_drift_rel, u_gauge_slope_rel : how far the gauge may misread rims differently from one side of the
        picture to the other (light from one side; per half diagonal), and per unit of obliquity (walls in
        sight); both limit what the common bore can tell of the tilt. All four measured with the true camera
        on 36 sample and 20 drawn pictures, 2026-11: drift 0.016 rms, 0.010 median; obliquity 0.05.
    widen : factor on all stated errors of the plane, for what neighbouring rims and marks share and the
        model does not know of; with it nine seat pitches in ten were within 2 u (sample set, 2026-11).
    u_reading_rel : a card's sides or a ruler's marks read as a whole too long or too short (sample set, 2026-11:
        rulers 0.0003 typical, 0.0026 worst).
    u_row_stretch, u_row_shift_mm : two graduated edges of one ruler may be read differently long, or out of
        step, by marks of unlike clearness (sample set, 2026-11); either would otherwise pass for tilt.
    n_points : most points of a reference that enter one by one; more are averaged with their neighbours.
    """

    u_focal_exif_rel: float = 0.012
    focal_35mm: float = 26.0
    u_focal_35mm_rel: float = 0.07
    u_axis_rel: float = 0.004
    u_k1: float = 0.02
    u_tilt_deg: float = 18.0
    u_bore_rel: float = 0.025
    least_u_bore_rel: float = 0.012
    u_rim_shape: float = 0.025
    u_common_ellipse: float = 0.005
    u_gauge_drift_rel: float = 0.02
    u_gauge_slope_rel: float = 0.03
    widen: float = 1.2
    u_reading_rel: float = 0.001
    u_row_stretch: float = 0.0015
    u_row_shift_mm: float = 0.08
    n_points: int = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class RimShapes:
    """Rims of holes as the photograph shows them.

    Attributes
    ----------
    centre_px : float array, shape (n, 2)
    shape_px : float array, shape (n, 2, 2)
        The rim is centre + shape_px @ (cos t, sin t).
    u_size_rel, u_shape : float arrays, shape (n,)
        Own standard error of the mean radius (relative) and of each of the two ellipse terms.
    """

    centre_px: Array
    shape_px: Array
    u_size_rel: Array
    u_shape: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneFit:
    """The camera above the seat and how well it is known.

    Attributes
    ----------
    camera : Camera
    misfit : tuple of float
        For each reference the rms residual in units of its stated error, per degree of freedom left.
    share : tuple of float
        What each reference brought to the scale over the picture, as shares of one among the references.
    holes_share : float
        What the rims brought, as a share of everything.
    heights_mm : tuple of float
        Of each reference above the rims, as fitted.
    bore_spread_rel : float or None
        Spread of the bores as gauged; None without rims.
    focal_from : str
        ``EXIF`` or ``a usual phone``.
    """

    camera: Camera
    misfit: tuple[float, ...]
    share: tuple[float, ...]
    holes_share: float
    heights_mm: tuple[float, ...]
    bore_spread_rel: float | None
    focal_from: str
    parameters: Array
    covariance: Array
    model: "_Model"

    def u_log_scale(self, points_px: Array) -> tuple[float, Array]:
        """Standard uncertainty of the mean log scale over points (n, 2) in px, and of each local one (n,)."""

        def log_scale(x: Array) -> Array:
            camera = self.model.camera(x)
            return np.asarray(0.5 * np.log(np.abs(np.linalg.det(mm_per_px(camera, points_px)))), float)

        j, covariance = self._camera_slope(log_scale), self.covariance[:_N_CAMERA, :_N_CAMERA]
        mean = j.mean(axis=0)
        return float(np.sqrt(mean @ covariance @ mean)), np.sqrt(np.einsum("ij,jk,ik->i", j, covariance, j))

    def _camera_slope(self, function: Callable[[Array], Array]) -> Array:
        """Derivative (m, c) of something that depends on the parameters through the camera alone."""

        def of_camera(y: Array) -> Array:
            return function(np.concatenate([y, self.parameters[_N_CAMERA:]]))

        return jacobian(of_camera, self.parameters[:_N_CAMERA], self.model.steps()[:_N_CAMERA])

    def u_mean_gap_rel(self, a_px: Array, b_px: Array) -> float:
        """Relative standard uncertainty of the mean distance between points a and b, (n, 2) each in px."""

        def log_mean(x: Array) -> Array:
            camera = self.model.camera(x)
            d = camera.to_mm(b_px) - camera.to_mm(a_px)
            return np.array([np.log(np.hypot(d[:, 0], d[:, 1]).mean())])

        j = self._camera_slope(log_mean)[0]
        return float(np.sqrt(j @ self.covariance[:_N_CAMERA, :_N_CAMERA] @ j))


def mm_per_px(camera: Camera, px: Array) -> Array:
    """Local map (n, 2, 2) from pixel steps to plane millimetres at points (n, 2)."""
    h = 0.5
    dx, dy = np.array([h, 0.0]), np.array([0.0, h])
    n = len(px)
    all_mm = camera.to_mm(np.vstack([px + dx, px - dx, px + dy, px - dy]))
    return np.stack(
        [(all_mm[:n] - all_mm[n : 2 * n]) / (2 * h), (all_mm[2 * n : 3 * n] - all_mm[3 * n :]) / (2 * h)], axis=2
    )


_N_RIMS = 6  # log radius, gauge drift across the picture (2), with obliquity (1), common ellipse (2)
_N_CAMERA = 10  # log focal, k1, axis x, axis y, rotation (3), translation (3)


def _rotation(v: Array) -> Array:
    """Rodrigues' rotation matrix of a rotation vector in radians."""
    angle = float(np.sqrt(v @ v))
    k = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    if angle < 1e-9:
        return np.asarray(np.eye(3) + k)
    return np.asarray(np.eye(3) + np.sin(angle) / angle * k + (1 - np.cos(angle)) / angle**2 * (k @ k))


class _Model:
    """Residuals of the joint fit; parameters are laid out as camera, then each reference, then the bore."""

    def __init__(
        self,
        references: Sequence[Reference],
        start: Camera,
        nominal: tuple[float, Array],
        focal_known: bool,
        rims: RimShapes | None,
        u_bore_rel: float,
        settings: PlaneSettings,
    ) -> None:
        self.references, self.start, self.rims = references, start, rims
        self.nominal_focal_px, self.nominal_centre_px = nominal
        self._own_prior: Array | None = None
        self.u_bore_rel, self.settings = u_bore_rel, settings
        self.u_focal = settings.u_focal_exif_rel if focal_known else settings.u_focal_35mm_rel
        self.layout: list[tuple[int, int]] = []
        at = _N_CAMERA
        for k, ref in enumerate(references):
            n = (3 if k else 0) + 2 + 3 * len(ref.row_offset_mm)
            self.layout.append((at, n))
            at += n
        self.bore_at = at if rims is not None else None
        if rims is not None:
            # How far from the middle of the picture (in half diagonals) and how obliquely each rim is seen.
            place = (rims.centre_px - start.centre_px) / start.half_diagonal_px
            slope = start.slope(start.to_mm(rims.centre_px))
            oblique = np.hypot(slope[:, 0], slope[:, 1])
            self.drift_terms = np.column_stack([place, oblique - oblique.mean()])
        self.n = at + (_N_RIMS if rims is not None else 0)

    def begin(self) -> Array:
        """All zero offsets, references after the first placed where the starting camera sees them."""
        x = np.zeros(self.n)
        for k, ref in enumerate(self.references):
            at, _ = self.layout[k]
            if k:
                seen = self.start.to_mm(ref.points_px, ref.height_mm)
                x[at : at + 3] = _rigid(_with_rows(ref), seen)
        if self.rims is not None and self.bore_at is not None:
            size, _, _ = self._rim_terms(self.start)
            x[self.bore_at] = float(np.median(size))
        return x

    def steps(self) -> Array:
        """Steps for numerical derivatives."""
        s = np.full(self.n, 1e-5)
        s[2:4] = 1e-2
        s[7:10] = 1e-3
        for k, (at, n) in enumerate(self.layout):
            if k:
                s[at : at + 2] = 1e-3
            s[at + (3 if k else 0) : at + n] = 1e-4
        return s

    def camera(self, x: Array) -> Camera:
        s = self.start
        return Camera(
            focal_px=s.focal_px * float(np.exp(x[0])),
            k1=s.k1 + float(x[1]),
            centre_px=s.centre_px + x[2:4],
            half_diagonal_px=s.half_diagonal_px,
            rotation=_rotation(x[4:7]) @ s.rotation,
            translation_mm=s.translation_mm + x[7:10],
        )

    def _own(self, x: Array, k: int) -> tuple[Array, float, float, Array, Array]:
        """Pose (3,), height, size, row offsets (r,), and stretch and shift of each row (r, 2) of reference k."""
        at, _ = self.layout[k]
        ref = self.references[k]
        pose = x[at : at + 3] if k else np.zeros(3)
        at += 3 if k else 0
        n_rows = len(ref.row_offset_mm)
        rows = np.array(ref.row_offset_mm) + x[at + 2 : at + 2 + n_rows]
        own = x[at + 2 + n_rows : at + 2 + 3 * n_rows].reshape(n_rows, 2)
        return pose, ref.height_mm + float(x[at]), float(np.exp(x[at + 1])), rows, own

    def project(self, x: Array, k: int) -> Array:
        """Pixels (n, 2) at which reference k's points should be seen."""
        ref = self.references[k]
        pose, height, size, rows, own_rows = self._own(x, k)
        mm = ref.points_mm.copy()
        if ref.row is not None:
            for i, (offset, (stretch, shift)) in enumerate(zip(rows, own_rows, strict=True)):
                own = ref.row == i + 1
                mm[own, 1] += offset
                mm[own, 0] += stretch * (mm[own, 0] - mm[own, 0].mean()) + shift
        c, s = np.cos(pose[2]), np.sin(pose[2])
        xy = size * mm @ np.array([[c, s], [-s, c]]) + pose[:2]
        return self.camera(x).to_px(np.column_stack([xy, np.full(len(xy), height)]))

    def reference_residuals(self, x: Array, k: int) -> Array:
        ref = self.references[k]
        return ((self.project(x, k) - ref.points_px) / ref.u_px[:, None]).ravel()

    def _rim_terms(self, camera: Camera) -> tuple[Array, Array, Array]:
        """Log radius and the two ellipse terms (n,) of each rim on the plane."""
        assert self.rims is not None
        on_plane = mm_per_px(camera, self.rims.centre_px) @ self.rims.shape_px
        a = on_plane @ on_plane.transpose(0, 2, 1)
        trace = a[:, 0, 0] + a[:, 1, 1]
        log_radius = 0.25 * np.log(np.maximum(np.linalg.det(a), 1e-12))
        return log_radius, (a[:, 0, 0] - a[:, 1, 1]) / trace / 2, a[:, 0, 1] / trace

    def rim_residuals(self, x: Array, terms: tuple[Array, Array, Array] | None = None) -> Array:
        """Size and ellipse residuals (3n,); ``terms`` are those of the camera when already known."""
        if self.rims is None or self.bore_at is None:
            return np.zeros(0)
        log_radius, e1, e2 = terms if terms is not None else self._rim_terms(self.camera(x))
        u_size = np.hypot(self.u_bore_rel, self.rims.u_size_rel)
        drift = self.drift_terms @ x[self.bore_at + 1 : self.bore_at + 4]
        size = soften((log_radius - x[self.bore_at] - drift) / u_size)
        u_shape = np.hypot(self.settings.u_rim_shape, self.rims.u_shape)
        common = x[self.bore_at + 4 : self.bore_at + 6]
        return np.concatenate([size, soften((e1 - common[0]) / u_shape), soften((e2 - common[1]) / u_shape)])

    def prior_residuals(self, x: Array) -> Array:
        s = self.settings
        camera = self.camera(x)
        tilt = np.degrees(np.arctan2(-camera.rotation[:2, 2], -camera.rotation[2, 2]))
        out = [
            np.array([np.log(camera.focal_px / self.nominal_focal_px) / self.u_focal, camera.k1 / s.u_k1]),
            (camera.centre_px - self.nominal_centre_px) / (s.u_axis_rel * self.start.half_diagonal_px),
            tilt / s.u_tilt_deg,
        ]
        for k, ref in enumerate(self.references):
            at, _ = self.layout[k]
            at += 3 if k else 0
            out.append(
                np.array(
                    [x[at] / max(ref.u_height_mm, 0.01), x[at + 1] / float(np.hypot(ref.u_size_rel, s.u_reading_rel))]
                )
            )
            n_rows = len(ref.row_offset_mm)
            out.append(x[at + 2 : at + 2 + n_rows] / np.array(ref.u_row_offset_mm[:n_rows]))
            own_rows = x[at + 2 + n_rows : at + 2 + 3 * n_rows].reshape(n_rows, 2)
            out.append((own_rows / [s.u_row_stretch, s.u_row_shift_mm]).ravel())
        if self.bore_at is not None:
            own = x[self.bore_at : self.bore_at + _N_RIMS]
            out.append(own[1:3] / s.u_gauge_drift_rel)
            out.append(own[3:4] / s.u_gauge_slope_rel)
            out.append(own[4:6] / s.u_common_ellipse)
        return np.concatenate(out)

    def _prior_slope(self, x: Array, steps: Array) -> Array:
        """Derivative of `prior_residuals`; only the camera's part changes from place to place."""
        if self._own_prior is None:
            self._own_prior = jacobian(self.prior_residuals, x, steps)
        slope = self._own_prior.copy()

        def of_camera(y: Array) -> Array:
            return self.prior_residuals(np.concatenate([y, x[_N_CAMERA:]]))

        slope[:, :_N_CAMERA] = jacobian(of_camera, x[:_N_CAMERA], steps[:_N_CAMERA])
        return slope

    def derivative(self, x: Array) -> Array:
        """Jacobian of `residuals`; what a parameter does not touch is not computed again."""
        steps = self.steps()
        counts = [2 * len(ref.points_px) for ref in self.references]
        n_rims = 0 if self.rims is None else 3 * len(self.rims.centre_px)
        starts = np.cumsum([0, *counts])
        rims_at, priors_at = int(starts[-1]), int(starts[-1]) + n_rims
        prior = self._prior_slope(x, steps)
        out = np.zeros((priors_at + len(prior), self.n))
        out[priors_at:] = prior

        def on(part: slice) -> Callable[[Callable[[Array], Array]], Array]:
            def slope(function: Callable[[Array], Array]) -> Array:
                def of_part(y: Array) -> Array:
                    z = x.copy()
                    z[part] = y
                    return function(z)

                return jacobian(of_part, x[part], steps[part])

            return slope

        camera = slice(0, _N_CAMERA)
        for k, (at, n) in enumerate(self.layout):
            rows, own = slice(int(starts[k]), int(starts[k + 1])), slice(at, at + n)

            def seen(y: Array, k: int = k) -> Array:
                return soften(self.reference_residuals(y, k), 3.0)

            out[rows, camera] = on(camera)(seen)
            out[rows, own] = on(own)(seen)
        if self.rims is not None and self.bore_at is not None:
            terms = self._rim_terms(self.camera(x))
            bore = slice(self.bore_at, self.bore_at + _N_RIMS)
            out[rims_at:priors_at, camera] = on(camera)(self.rim_residuals)
            out[rims_at:priors_at, bore] = on(bore)(lambda y: self.rim_residuals(y, terms))
        return out

    def residuals(self, x: Array) -> Array:
        parts = [soften(self.reference_residuals(x, k), 3.0) for k in range(len(self.references))]
        return np.concatenate([*parts, self.rim_residuals(x), self.prior_residuals(x)])


def _with_rows(reference: Reference) -> Array:
    """The reference's points (n, 2) in mm, further rows at their usual offset."""
    mm = reference.points_mm.copy()
    if reference.row is not None:
        for i, offset in enumerate(reference.row_offset_mm):
            mm[reference.row == i + 1, 1] += offset
    return mm


def _rigid(from_mm: Array, to_mm: Array) -> Array:
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
    x0, y0, turn = _rigid(m, flat)
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


def _card_normal(reference: Reference, width_px: int, height_px: int, focal_px: float) -> tuple[float, float] | None:
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


def thinned(reference: Reference, n_most: int) -> Reference:
    """The reference with neighbouring points of a row averaged until about ``n_most`` are left.

    Over a few graduations perspective is straight, so the mean pixel point belongs to the mean mm point.
    """
    n = len(reference.points_px)
    if n <= n_most:
        return reference
    row = reference.row if reference.row is not None else np.zeros(n, np.int64)
    group = int(np.ceil(n / n_most))
    px, mm, u, rows = [], [], [], []
    for r in np.unique(row):
        at = np.nonzero(row == r)[0]
        at = at[np.argsort(reference.points_mm[at, 0], kind="stable")]
        for part in np.array_split(at, max(1, len(at) // group)):
            weight = 1 / reference.u_px[part] ** 2
            px.append(np.average(reference.points_px[part], axis=0, weights=weight))
            mm.append(np.average(reference.points_mm[part], axis=0, weights=weight))
            u.append(float(1 / np.sqrt(weight.sum())))
            rows.append(int(r))
    return replace(
        reference,
        points_px=np.array(px),
        points_mm=np.array(mm),
        u_px=np.array(u),
        row=np.array(rows) if reference.row is not None else None,
    )


def focal_of(width_px: int, height_px: int, focal_px: float | None, settings: PlaneSettings | None = None) -> float:
    """EXIF's focal length in px, or a usual phone's."""
    s = settings or PlaneSettings()
    return focal_px or s.focal_35mm * float(np.hypot(width_px, height_px)) / 43.2666


def fit_plane(
    references: Sequence[Reference],
    *,
    width_px: int,
    height_px: int,
    focal_px: float | None,
    rims: RimShapes | None = None,
    start: Camera | None = None,
    before: Array | None = None,
    settings: PlaneSettings | None = None,
) -> PlaneFit:
    """Fit camera and plane to all references and, when given, rims.

    Parameters
    ----------
    references : at least one; the first fixes the plane's axes.
    focal_px : from EXIF, or None.
    start : camera to start from, in the axes of ``references[0]``; found from the references when None.
    before : parameters of the earlier fit that gave ``start``.

    Raises
    ------
    NoScale
        Without references, or when nothing fits.
    """
    s = settings or PlaneSettings()
    references = [thinned(ref, s.n_points) for ref in references]
    if not references:
        raise NoScale(
            "Nothing of known size was found on the frame.",
            "Lay a bank card or a ruler flat on the frame, clear of the holes, and photograph again;"
            " or give a length by hand with --between. A ruler that is there but was not read: photograph nearer,"
            " or say its marks with --ruler mm or --ruler inch.",
        )
    f = focal_of(width_px, height_px, focal_px, s)
    nominal = (f, np.array([(width_px - 1) / 2, (height_px - 1) / 2]))
    if start is None:
        normals = [(0.0, 0.0)]
        for ref in references:
            normal = _card_normal(ref, width_px, height_px, f)
            if normal is not None:
                normals.append(normal)
        fits = [
            _fit(
                references,
                starting_camera(references[0], width_px, height_px, f, n),
                nominal,
                focal_px is not None,
                rims,
                s,
            )
            for n in normals
        ]
        model, fit = min(fits, key=lambda mf: float(mf[1].residuals @ mf[1].residuals))
    else:
        model, fit = _fit(references, start, nominal, focal_px is not None, rims, s, before)
    camera = model.camera(fit.x)
    if not np.isfinite(fit.residuals).all() or camera.position_mm[2] <= 0:
        raise NoScale("The card or ruler found does not fit a flat frame.", "Photograph again from straight above.")
    misfit = []
    for k in range(len(references)):
        r = model.reference_residuals(fit.x, k)
        free = max(1.0, len(r) - 3 - (6.0 if len(references) == 1 else 2.0))
        misfit.append(float(np.sqrt((r @ r) / free)) if len(r) > 8 else float(np.sqrt((r @ r) / max(1, len(r) - 3))))
    share, holes_share = _shares(model, fit)
    return PlaneFit(
        camera=camera,
        misfit=tuple(misfit),
        share=share,
        holes_share=holes_share,
        heights_mm=tuple(model._own(fit.x, k)[1] for k in range(len(references))),
        bore_spread_rel=model.u_bore_rel if rims is not None else None,
        focal_from="EXIF" if focal_px is not None else "a usual phone",
        parameters=fit.x,
        covariance=fit.covariance * s.widen**2,
        model=model,
    )


def _fit(
    references: Sequence[Reference],
    start: Camera,
    nominal: tuple[float, Array],
    focal_known: bool,
    rims: RimShapes | None,
    s: PlaneSettings,
    before: Array | None = None,
) -> tuple[_Model, Fit]:
    u_bore = s.u_bore_rel
    model = _Model(references, start, nominal, focal_known, rims, u_bore, s)
    x = model.begin()
    if before is not None:
        # The camera starts at the earlier one; where each reference lay and how high is taken over.
        n = min(len(before), model.layout[-1][0] + model.layout[-1][1])
        x[_N_CAMERA:n] = before[_N_CAMERA:n]
    fit = least_squares(model.residuals, x, model.derivative, damping=1e-4 if before is None else 1e-8)
    if rims is None:
        return model, fit
    # The bores' own spread, measured on the plane just found.
    log_radius, _, _ = model._rim_terms(model.camera(fit.x))
    spread = 1.4826 * float(np.median(np.abs(log_radius - np.median(log_radius))))
    own = float(np.median(rims.u_size_rel))
    u_bore = float(np.clip(np.sqrt(max(spread**2 - own**2, 0.0)), s.least_u_bore_rel, 0.08))
    model = _Model(references, start, nominal, focal_known, rims, u_bore, s)
    fit = least_squares(model.residuals, fit.x, model.derivative, n_most=15, damping=1e-9)
    return model, fit


def _shares(model: _Model, fit: Fit) -> tuple[tuple[float, ...], float]:
    """What each reference brought, as shares of one among them (k,), and the holes' share of everything.

    A source's part is how much worse the local scale over the picture would be known without it, as the logarithm
    of the variance. What it says about its own place and height is taken out first.
    """
    step, camera = model.steps(), slice(0, _N_CAMERA)
    whole = model.derivative(fit.x)
    sources: list[Array] = []
    at = 0
    for k, (first, n) in enumerate(model.layout):
        rows = 2 * len(model.references[k].points_px)
        sources.append(_camera_information(whole[at : at + rows], slice(first, first + n)))
        at += rows
    if model.rims is not None and model.bore_at is not None:
        rows = 3 * len(model.rims.centre_px)
        own = slice(model.bore_at, model.bore_at + _N_RIMS)
        sources.append(_camera_information(whole[at : at + rows], own))
        at += rows
    prior = whole[at:, camera].T @ whole[at:, camera]
    x0, y0 = model.start.centre_px
    places = np.array([(x, y) for x in (0.5 * x0, 1.5 * x0) for y in (0.5 * y0, 1.5 * y0)])

    def local_scale(x: Array) -> Array:
        return np.asarray(0.5 * np.log(np.abs(np.linalg.det(mm_per_px(model.camera(x), places)))), float)

    slopes = jacobian(local_scale, fit.x, step)[:, camera]

    def variance(parts: Sequence[Array]) -> float:
        information = prior + sum(parts, np.zeros((_N_CAMERA, _N_CAMERA)))
        scale = 1 / np.sqrt(np.maximum(np.diag(information), 1e-30))
        inverse = np.linalg.pinv(information * np.outer(scale, scale), rcond=1e-13, hermitian=True)
        return float(np.einsum("ij,jk,ik->i", slopes * scale, inverse, slopes * scale).mean())

    together = max(variance(sources), 1e-30)
    lost = np.array(
        [max(0.0, np.log(max(variance(sources[:k] + sources[k + 1 :]), 1e-30) / together)) for k in range(len(sources))]
    )
    lost = np.ones(len(sources)) if lost.sum() <= 0 else lost
    n = len(model.references)
    of_references = float(lost[:n].sum())
    share = lost[:n] / of_references if of_references > 0 else np.full(n, 1 / n)
    return tuple(float(v) for v in share), float(lost[n:].sum() / lost.sum())


def _camera_information(j: Array, own: slice) -> Array:
    """Information (c, c) on the camera from residuals with Jacobian ``j``, their own unknowns taken out."""
    a, b = j[:, :_N_CAMERA], j[:, own]
    if b.shape[1] == 0:
        return np.asarray(a.T @ a)
    # A whiff of prior on the own unknowns (all of them have one in the fit) keeps this solvable.
    inner = b.T @ b + 1e-6 * np.diag(np.maximum(np.diag(b.T @ b), 1e-12)) + 1e-9 * np.eye(b.shape[1])
    cross = a.T @ b
    return np.asarray(a.T @ a - cross @ np.linalg.solve(inner, cross.T))


def with_rims(
    fit: PlaneFit,
    references: Sequence[Reference],
    rims: RimShapes,
    *,
    focal_px: float | None,
    start: Camera | None = None,
    settings: PlaneSettings | None = None,
) -> PlaneFit:
    """Refit with the rims, from an earlier fit or, where that could not tell the tilt, from ``start``."""
    return fit_plane(
        references,
        width_px=round(fit.model.nominal_centre_px[0] * 2 + 1),
        height_px=round(fit.model.nominal_centre_px[1] * 2 + 1),
        focal_px=focal_px,
        rims=rims,
        start=start or fit.camera,
        before=None if start is not None else fit.parameters,
        settings=settings,
    )
