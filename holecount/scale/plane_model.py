"""The joint model of camera, plane, references and bores: residuals and their derivatives.

Parameters, in order: the camera (log focal length, radial term, axis x and y in px, rotation vector in
radians, translation in mm, all but the radial term as changes from the starting camera), then for each
reference its pose on the plane (x, y in mm, turn in radians; the first fixes the plane's axes and has
none), height in mm, log size, an offset for each further row and stretch and shift of each, then for the
rims log radius, drift of the gauge across the picture (2) and with obliquity, and the common ellipse (2).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holecount.fits import soften, soften_slope
from holecount.photo import looks_cut
from holecount.scale.first_camera import rigid
from holecount.scale.plane import Camera, mm_per_px
from holecount.scale.reference import Reference

Array = NDArray[np.float64]

N_CAMERA = 10
"""Parameters of the camera: turn, place (three each), focal length, radial term, axis (derived)."""
N_RIMS = 6
"""Parameters all rims share (derived; see `PlaneModel`)."""
_KNEE_REFERENCE = 3.0
"""Residuals of a reference, in units of their error, from which they count for less (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneSettings:
    """What is known of phones, frames and bits before looking.

    With these, seat pitches were within 1 u in 83 % and within 2 u in 97 % of 93 measurements (sample set as it is,
    blurred by a pixel, and as a JPEG of quality 30, 2026-11).

    u_focal_exif_rel : EXIF's focal length is a whole number of mm and the crop varies (from memory).
    u_focal_35mm_rel : of a usual phone's (`USUAL_FOCAL_35MM`), when EXIF is silent (from memory).
    u_axis_rel : optical axis off the picture's middle, in half diagonals (from memory).
    u_axis_cut_rel, u_focal_cut_rel : the same two errors of a picture that was cut: a fifth of it gone from one side
        moves its middle by 0.16 half diagonals and makes the focal length seem an eighth too short (derived).
    u_k1 : radial term at the corner; phones leave 0.5-2 %, a few more (from memory).
    u_tilt_deg : how far from straight above pictures are taken; only matters with a lone ruler.
    u_bore_rel, least_u_bore_rel : spread of bores of one bit as gauged, first guess and least believed.
    u_rim_shape, u_common_ellipse : error of a rim's ellipse terms, own (with what neighbours share) and
        common to all rims: 0.0044 alone, 0.005 to 0.012 in pictures made worse (sample set, 2026-11).
    u_gauge_drift_rel, u_gauge_slope_rel : how far the gauge may misread rims differently from one side of the
        picture to the other (light from one side; per half diagonal), and per unit of obliquity (walls in
        sight); both limit what the common bore can tell of the tilt. All four measured with the true camera
        on 36 sample and 20 drawn pictures, 2026-11: drift 0.016 rms, 0.010 median; obliquity 0.05.
    u_reading_rel : a card's sides or a ruler's marks read as a whole too long or too short (sample set, 2026-11:
        rulers 0.0003 typical, 0.0026 worst).
    u_row_stretch, u_row_shift_mm : two graduated edges of one ruler may be read differently long, or out of
        step, by marks of unlike clearness (sample set, 2026-11); either would otherwise pass for tilt.
    n_points : most points of a reference that enter one by one; more are averaged with their neighbours.
    """

    u_focal_exif_rel: float = 0.012
    u_focal_35mm_rel: float = 0.07
    u_axis_rel: float = 0.004
    u_axis_cut_rel: float = 0.12
    u_focal_cut_rel: float = 0.12
    u_k1: float = 0.02
    u_tilt_deg: float = 18.0
    u_bore_rel: float = 0.025
    least_u_bore_rel: float = 0.012
    u_rim_shape: float = 0.015
    u_common_ellipse: float = 0.005
    u_gauge_drift_rel: float = 0.02
    u_gauge_slope_rel: float = 0.03
    u_reading_rel: float = 0.001
    u_row_stretch: float = 0.0015
    u_row_shift_mm: float = 0.08
    n_points: int = 40

    def for_picture(self, width_px: int, height_px: int) -> "PlaneSettings":
        """These settings, with axis and focal length less sure where the picture's shape says that it was cut."""
        if not looks_cut(width_px, height_px):
            return self
        return replace(
            self,
            u_axis_rel=self.u_axis_cut_rel,
            u_focal_exif_rel=self.u_focal_cut_rel,
            u_focal_35mm_rel=float(np.hypot(self.u_focal_35mm_rel, self.u_focal_cut_rel)),
        )


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
    gain_size, gain_shape : float
        By how much radii (from hole to hole) and ellipse terms were enlarged, since rims as read follow the camera
        they are read under; their errors, own and shared, are enlarged as well.
    """

    centre_px: Array
    shape_px: Array
    u_size_rel: Array
    u_shape: Array
    gain_size: float = 1.0
    gain_shape: float = 1.0


def _rotation(v: Array) -> Array:
    """Rodrigues' rotation matrix of a rotation vector in radians."""
    angle = float(np.sqrt(v @ v))
    k = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    if angle < 1e-9:
        return np.asarray(np.eye(3) + k)
    return np.asarray(np.eye(3) + np.sin(angle) / angle * k + (1 - np.cos(angle)) / angle**2 * (k @ k))


def _cross(v: Array) -> Array:
    """Matrices (n, 3, 3) that take a vector to its cross product with v (n, 3)."""
    out = np.zeros((len(v), 3, 3))
    out[:, 0, 1], out[:, 0, 2], out[:, 1, 2] = -v[:, 2], v[:, 1], -v[:, 0]
    return out - out.transpose(0, 2, 1)


def _turn_slope(v: Array) -> Array:
    """Left Jacobian (3, 3) of the rotation of vector v: turning by v + dv is turning by v, then by this times dv."""
    angle = float(np.sqrt(v @ v))
    k = _cross(v[None])[0]
    if angle < 1e-4:
        return np.asarray(np.eye(3) + k / 2 + k @ k / 6)
    return np.asarray(np.eye(3) + (1 - np.cos(angle)) / angle**2 * k + (angle - np.sin(angle)) / angle**3 * (k @ k))


class PlaneModel:
    """Residuals of the joint fit and their derivatives."""

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
        self.u_bore_rel, self.settings = u_bore_rel, settings
        self.u_focal = settings.u_focal_exif_rel if focal_known else settings.u_focal_35mm_rel
        self.layout: list[tuple[int, int]] = []
        at = N_CAMERA
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
        self.n = at + (N_RIMS if rims is not None else 0)

    def begin(self) -> Array:
        """All zero offsets, references after the first placed where the starting camera sees them."""
        x = np.zeros(self.n)
        for k, ref in enumerate(self.references):
            at, _ = self.layout[k]
            if k:
                seen = self.start.to_mm(ref.points_px, ref.height_mm)
                x[at : at + 3] = rigid(_with_rows(ref), seen)
        if self.rims is not None and self.bore_at is not None:
            size, _, _ = self.rim_terms(self.start)
            x[self.bore_at] = float(np.median(size))
        return x

    def camera(self, x: Array) -> Camera:
        """The camera of parameters x (p,)."""
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

    def _place(self, x: Array, k: int) -> tuple[Array, Array, Array]:
        """Where reference k's points lie: own mm with rows shifted (n, 2), turn (2, 2), and plane points (n, 3)."""
        ref = self.references[k]
        pose, height, size, rows, own_rows = self._own(x, k)
        mm = ref.points_mm.copy()
        if ref.row is not None:
            for i, (offset, (stretch, shift)) in enumerate(zip(rows, own_rows, strict=True)):
                own = ref.row == i + 1
                mm[own, 1] += offset
                mm[own, 0] += stretch * (mm[own, 0] - mm[own, 0].mean()) + shift
        c, s = np.cos(pose[2]), np.sin(pose[2])
        turn = size * np.array([[c, s], [-s, c]])
        xy = mm @ turn + pose[:2]
        return mm, turn, np.column_stack([xy, np.full(len(xy), height)])

    def project(self, x: Array, k: int) -> Array:
        """Pixels (n, 2) at which reference k's points should be seen."""
        return self.camera(x).to_px(self._place(x, k)[2])

    def reference_residuals(self, x: Array, k: int) -> Array:
        """Expected minus seen of reference k in units of its error: (2n,), or a row each of what is known of it."""
        ref = self.references[k]
        off = self.project(x, k) - ref.points_px
        return (off / ref.u_px[:, None]).ravel() if ref.constraints is None else ref.constraints @ off.ravel()

    def n_residuals(self, k: int) -> int:
        """How many residuals reference k has."""
        ref = self.references[k]
        return 2 * len(ref.points_px) if ref.constraints is None else len(ref.constraints)

    def rim_terms(self, camera: Camera) -> tuple[Array, Array, Array]:
        """Log radius and the two ellipse terms (n,) of each rim on the plane."""
        assert self.rims is not None
        on_plane = mm_per_px(camera, self.rims.centre_px) @ self.rims.shape_px
        a = on_plane @ on_plane.transpose(0, 2, 1)
        trace = a[:, 0, 0] + a[:, 1, 1]
        log_radius = 0.25 * np.log(np.maximum(np.linalg.det(a), 1e-12))
        return log_radius, (a[:, 0, 0] - a[:, 1, 1]) / trace / 2, a[:, 0, 1] / trace

    def _u_rims(self) -> tuple[Array, Array]:
        """Standard errors of the rims' log radius and ellipse terms, (n,) each."""
        assert self.rims is not None
        return (
            np.hypot(self.u_bore_rel, self.rims.u_size_rel),
            np.hypot(self.settings.u_rim_shape * self.rims.gain_shape, self.rims.u_shape),
        )

    def _u_common(self) -> Array:
        """Standard errors (5,) of what all rims share but their radius: drift, obliquity, ellipse."""
        assert self.rims is not None
        s, size, shape = self.settings, self.rims.gain_size, self.rims.gain_shape
        of_size = s.u_gauge_drift_rel, s.u_gauge_drift_rel, s.u_gauge_slope_rel
        return np.array([*(u * size for u in of_size), s.u_common_ellipse * shape, s.u_common_ellipse * shape])

    def _hard_rim_residuals(self, x: Array) -> Array:
        """Size and ellipse residuals (3n,)."""
        if self.rims is None or self.bore_at is None:
            return np.zeros(0)
        log_radius, e1, e2 = self.rim_terms(self.camera(x))
        u_size, u_shape = self._u_rims()
        drift = self.drift_terms @ x[self.bore_at + 1 : self.bore_at + 4]
        common = x[self.bore_at + 4 : self.bore_at + 6]
        size = (log_radius - x[self.bore_at] - drift) / u_size
        return np.concatenate([size, (e1 - common[0]) / u_shape, (e2 - common[1]) / u_shape])

    def prior_residuals(self, x: Array) -> Array:
        """What was known before looking, in units of its error."""
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
            out.append(x[self.bore_at + 1 : self.bore_at + N_RIMS] / self._u_common())
        return np.concatenate(out)

    def _seen_slope(self, x: Array, xyz_mm: Array) -> tuple[Array, Array]:
        """Derivative of where plane points (n, 3) are seen, by the camera (n, 2, 10) and by the point (n, 2, 3)."""
        camera = self.camera(x)
        turned = xyz_mm @ camera.rotation.T
        q = turned + camera.translation_mm
        u = q[:, :2] / q[:, 2:] * camera.focal_px
        r2 = (u**2).sum(axis=1) / camera.half_diagonal_px**2
        bend = (1 + camera.k1 * r2)[:, None, None] * np.eye(2)
        bend += 2 * camera.k1 / camera.half_diagonal_px**2 * u[:, :, None] * u[:, None, :]
        flat = np.zeros((len(q), 2, 3))
        flat[:, 0, 0] = flat[:, 1, 1] = camera.focal_px / q[:, 2]
        flat[:, :, 2] = -u / q[:, 2:]
        by_place = bend @ flat
        out = np.empty((len(q), 2, N_CAMERA))
        out[:, :, 0] = (bend @ u[:, :, None])[..., 0]
        out[:, :, 1] = u * r2[:, None]
        out[:, :, 2:4] = np.eye(2)
        out[:, :, 4:7] = by_place @ (-_cross(turned) @ _turn_slope(x[4:7]))
        out[:, :, 7:10] = by_place
        return out, by_place @ camera.rotation

    def mm_slope(self, x: Array, px: Array) -> tuple[Array, Array]:
        """Plane points (n, 2) in mm of pixels (n, 2), and their derivative (n, 2, 10) by the camera."""
        mm = self.camera(x).to_mm(px)
        by_camera, by_place = self._seen_slope(x, np.column_stack([mm, np.zeros(len(mm))]))
        return mm, np.asarray(-np.linalg.solve(by_place[:, :, :2], by_camera), float)

    def map_slope(self, x: Array, px: Array) -> tuple[Array, Array]:
        """Local maps (n, 2, 2), as `mm_per_px`, at pixels (n, 2), and their derivative (n, 2, 2, 10) by the camera."""
        h, n = 0.5, len(px)
        dx, dy = np.array([h, 0.0]), np.array([0.0, h])
        mm, slope = self.mm_slope(x, np.vstack([px + dx, px - dx, px + dy, px - dy]))
        at = [slice(k * n, (k + 1) * n) for k in range(4)]
        local = np.stack([mm[at[0]] - mm[at[1]], mm[at[2]] - mm[at[3]]], axis=2)
        change = np.stack([slope[at[0]] - slope[at[1]], slope[at[2]] - slope[at[3]]], axis=2)
        return local / (2 * h), change / (2 * h)

    def log_scale_slope(self, x: Array, px: Array) -> Array:
        """Derivative (n, 10) by the camera of the local log scale at pixels (n, 2)."""
        local, change = self.map_slope(x, px)
        return np.asarray(0.5 * np.einsum("nij,njic->nc", np.linalg.inv(local), change))

    def _reference_slope(self, x: Array, k: int) -> tuple[Array, Array]:
        """Derivative of `reference_residuals` by the camera (r, 10) and by the reference's own unknowns (r, m)."""
        ref = self.references[k]
        mm, turn, xyz = self._place(x, k)
        by_camera, by_place = self._seen_slope(x, xyz)
        at, n_own = self.layout[k]
        move = np.zeros((len(mm), 3, n_own))
        first = 3 if k else 0
        centre = x[at : at + 2] if k else np.zeros(2)
        if k:
            move[:, 0, 0] = move[:, 1, 1] = 1.0
            turned = xyz[:, :2] - centre
            move[:, 0, 2], move[:, 1, 2] = -turned[:, 1], turned[:, 0]
        move[:, 2, first] = 1.0
        move[:, :2, first + 1] = xyz[:, :2] - centre
        n_rows = len(ref.row_offset_mm)
        if ref.row is not None:
            for i in range(n_rows):
                own = np.nonzero(ref.row == i + 1)[0]
                along = ref.points_mm[own, 0] - ref.points_mm[own, 0].mean()
                move[own, :2, first + 2 + i] = turn[1]
                move[own, :2, first + 2 + n_rows + 2 * i] = along[:, None] * turn[0]
                move[own, :2, first + 3 + n_rows + 2 * i] = turn[0]
        if ref.constraints is not None:
            return ref.constraints @ by_camera.reshape(-1, N_CAMERA), ref.constraints @ (by_place @ move).reshape(
                -1, n_own
            )
        whiten = 1 / ref.u_px[:, None, None]
        return (by_camera * whiten).reshape(-1, N_CAMERA), (by_place @ move * whiten).reshape(-1, n_own)

    def _rim_slope(self, x: Array) -> tuple[Array, Array]:
        """Derivative of `_hard_rim_residuals` by the camera (3n, 10) and by the rims' own unknowns (3n, 6)."""
        assert self.rims is not None
        local, change = self.map_slope(x, self.rims.centre_px)
        shape = local @ self.rims.shape_px
        d_shape = np.einsum("nijc,njk->nikc", change, self.rims.shape_px)
        log_radius = 0.5 * np.einsum("nij,njic->nc", np.linalg.inv(shape), d_shape)
        a = shape @ shape.transpose(0, 2, 1)
        half = np.einsum("nikc,njk->nijc", d_shape, shape)
        da = half + half.transpose(0, 2, 1, 3)
        trace, d_trace = a[:, 0, 0] + a[:, 1, 1], da[:, 0, 0] + da[:, 1, 1]
        e1, e2 = (a[:, 0, 0] - a[:, 1, 1]) / trace / 2, a[:, 0, 1] / trace
        d_e1 = (da[:, 0, 0] - da[:, 1, 1] - 2 * e1[:, None] * d_trace) / trace[:, None] / 2
        d_e2 = (da[:, 0, 1] - e2[:, None] * d_trace) / trace[:, None]
        u_size, u_shape = self._u_rims()
        n = len(u_size)
        own = np.zeros((3 * n, N_RIMS))
        own[:n, 0] = -1 / u_size
        own[:n, 1:4] = -self.drift_terms / u_size[:, None]
        own[n : 2 * n, 4] = own[2 * n :, 5] = -1 / u_shape
        by_camera = [log_radius / u_size[:, None], d_e1 / u_shape[:, None], d_e2 / u_shape[:, None]]
        return np.vstack(by_camera), own

    def _prior_slope(self, x: Array) -> Array:
        """Derivative of `prior_residuals`."""
        s = self.settings
        u_axis = s.u_axis_rel * self.start.half_diagonal_px
        normal = _rotation(x[4:7]) @ self.start.rotation[:, 2]
        d_normal = -_cross(normal[None])[0] @ _turn_slope(x[4:7])
        rows: list[tuple[int, float]] = [(0, 1 / self.u_focal), (1, 1 / s.u_k1), (2, 1 / u_axis), (3, 1 / u_axis)]
        for k, ref in enumerate(self.references):
            at = self.layout[k][0] + (3 if k else 0)
            n_rows = len(ref.row_offset_mm)
            rows.append((at, 1 / max(ref.u_height_mm, 0.01)))
            rows.append((at + 1, 1 / float(np.hypot(ref.u_size_rel, s.u_reading_rel))))
            rows.extend((at + 2 + i, 1 / ref.u_row_offset_mm[i]) for i in range(n_rows))
            own = (1 / s.u_row_stretch, 1 / s.u_row_shift_mm)
            rows.extend((at + 2 + n_rows + i, own[i % 2]) for i in range(2 * n_rows))
        if self.bore_at is not None:
            rows.extend((self.bore_at + 1 + i, 1 / float(u)) for i, u in enumerate(self._u_common()))
        out = np.zeros((len(rows) + 2, self.n))
        for i in range(2):
            lean = normal[2] * d_normal[i] - normal[i] * d_normal[2]
            out[4 + i, 4:7] = np.degrees(lean / (normal[2] ** 2 + normal[i] ** 2)) / s.u_tilt_deg
        for i, (column, slope) in enumerate(rows):
            out[i if i < 4 else i + 2, column] = slope
        return out

    def derivative(self, x: Array) -> Array:
        """Jacobian of `residuals`, shape (m, p)."""
        counts = [self.n_residuals(k) for k in range(len(self.references))]
        n_rims = 0 if self.rims is None else 3 * len(self.rims.centre_px)
        starts = np.cumsum([0, *counts])
        rims_at, priors_at = int(starts[-1]), int(starts[-1]) + n_rims
        prior = self._prior_slope(x)
        out = np.zeros((priors_at + len(prior), self.n))
        out[priors_at:] = prior
        for k, (at, n) in enumerate(self.layout):
            rows = slice(int(starts[k]), int(starts[k + 1]))
            soft = soften_slope(self.reference_residuals(x, k), _KNEE_REFERENCE)[:, None]
            by_camera, by_own = self._reference_slope(x, k)
            out[rows, :N_CAMERA], out[rows, at : at + n] = soft * by_camera, soft * by_own
        if self.rims is not None and self.bore_at is not None:
            soft = soften_slope(self._hard_rim_residuals(x))[:, None]
            by_camera, by_own = self._rim_slope(x)
            out[rims_at:priors_at, :N_CAMERA] = soft * by_camera
            out[rims_at:priors_at, self.bore_at : self.bore_at + N_RIMS] = soft * by_own
        return out

    def residuals(self, x: Array) -> Array:
        """Everything in units of its own error, shape (m,): references, rims, priors."""
        seen = [soften(self.reference_residuals(x, k), _KNEE_REFERENCE) for k in range(len(self.references))]
        return np.concatenate([*seen, soften(self._hard_rim_residuals(x)), self.prior_residuals(x)])


def _with_rows(reference: Reference) -> Array:
    """The reference's points (n, 2) in mm, further rows at their usual offset."""
    mm = reference.points_mm.copy()
    if reference.row is not None:
        for i, offset in enumerate(reference.row_offset_mm):
            mm[reference.row == i + 1, 1] += offset
    return mm
