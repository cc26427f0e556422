"""One plane fit from everything of known size, helped by the holes themselves.

All references lie on the same plane, each a little above it and anywhere on it. The camera has a
focal length (from EXIF where present), a lens that may bend lines a little, and a pose. A single
small card or one ruler fixes the far side of a seat badly; but one frame was bored with one bit, and
a round bore seen as an ellipse tells the tilt. Both enter as observations with an honest error,
never as a condition: bores differ, some are worn, and all rims may be misread alike.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holecount.fits import Fit, least_squares
from holecount.scale.first_camera import normal_of, starting_camera
from holecount.scale.plane import Camera, focal_of
from holecount.scale.plane_model import N_CAMERA, N_RIMS, PlaneModel, PlaneSettings, RimShapes
from holecount.scale.reference import Reference
from holecount.troubles import NoScale

Array = NDArray[np.float64]


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
    focal_from : str
        ``EXIF`` or ``a usual phone``.
    """

    camera: Camera
    misfit: tuple[float, ...]
    share: tuple[float, ...]
    holes_share: float
    heights_mm: tuple[float, ...]
    focal_from: str
    parameters: Array
    covariance: Array
    model: PlaneModel

    def u_log_scale(self, points_px: Array) -> tuple[float, Array]:
        """Standard uncertainty of the mean log scale over points (n, 2) in px, and of each local one (n,)."""
        j, covariance = self.model.log_scale_slope(self.parameters, points_px), self.covariance[:N_CAMERA, :N_CAMERA]
        mean = j.mean(axis=0)
        return float(np.sqrt(mean @ covariance @ mean)), np.sqrt(np.einsum("ij,jk,ik->i", j, covariance, j))

    def u_mean_gap_rel(self, a_px: Array, b_px: Array) -> float:
        """Relative standard uncertainty of the mean distance between points a and b, (n, 2) each in px."""
        n = len(a_px)
        mm, slope = self.model.mm_slope(self.parameters, np.vstack([a_px, b_px]))
        d, d_slope = mm[n:] - mm[:n], slope[n:] - slope[:n]
        length = np.hypot(d[:, 0], d[:, 1])
        j = np.einsum("ni,nic->c", d / length[:, None], d_slope) / length.sum()
        return float(np.sqrt(j @ self.covariance[:N_CAMERA, :N_CAMERA] @ j))


def thinned(reference: Reference, n_most: int) -> Reference:
    """The reference with neighbouring points of a row averaged until about ``n_most`` are left.

    Over a few graduations perspective is straight, so the mean pixel point belongs to the mean mm point.
    """
    n = len(reference.points_px)
    if n <= n_most or reference.constraints is not None:
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
    s = (settings or PlaneSettings()).for_picture(width_px, height_px)
    references = [thinned(ref, s.n_points) for ref in references]
    if not references:
        raise NoScale(
            "Nothing of known size was found on the frame.",
            "Lay a bank card or a ruler flat on the frame, clear of the holes, and photograph again;"
            " or give a length by hand with --between. A ruler that is there but was not read: photograph nearer,"
            " or say its marks with --ruler mm or --ruler inch.",
        )
    f = focal_of(width_px, height_px, focal_px)
    nominal = (f, np.array([(width_px - 1) / 2, (height_px - 1) / 2]))
    if start is None:
        normals = [(0.0, 0.0)]
        for ref in references:
            normal = normal_of(ref, width_px, height_px, f)
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
        focal_from="EXIF" if focal_px is not None else "a usual phone",
        parameters=fit.x,
        covariance=fit.covariance,
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
) -> tuple[PlaneModel, Fit]:
    u_bore = s.u_bore_rel * (1.0 if rims is None else rims.gain_size)
    model = PlaneModel(references, start, nominal, focal_known, rims, u_bore, s)
    x = model.begin()
    if before is not None:
        # The camera starts at the earlier one; where each reference lay and how high is taken over.
        n = min(len(before), model.layout[-1][0] + model.layout[-1][1])
        x[N_CAMERA:n] = before[N_CAMERA:n]
    fit = least_squares(model.residuals, x, model.derivative, damping=1e-4 if before is None else 1e-8)
    if rims is None:
        return model, fit
    # The bores' own spread, measured on the plane just found.
    log_radius, _, _ = model.rim_terms(model.camera(fit.x))
    spread = 1.4826 * float(np.median(np.abs(log_radius - np.median(log_radius))))
    own = float(np.median(rims.u_size_rel))
    # Bores that differ by more than a twelfth are not of one bit (own choice).
    u_bore = float(np.clip(np.sqrt(max(spread**2 - own**2, 0.0)), s.least_u_bore_rel * rims.gain_size, 0.08))
    model = PlaneModel(references, start, nominal, focal_known, rims, u_bore, s)
    fit = least_squares(model.residuals, fit.x, model.derivative, n_most=15, damping=1e-9)
    return model, fit


def _shares(model: PlaneModel, fit: Fit) -> tuple[tuple[float, ...], float]:
    """What each reference brought, as shares of one among them (k,), and the holes' share of everything.

    A source's part is how much worse the local scale over the picture would be known without it, as the logarithm
    of the variance. What it says about its own place and height is taken out first.
    """
    camera = slice(0, N_CAMERA)
    whole = model.derivative(fit.x)
    sources: list[Array] = []
    at = 0
    for k, (first, n) in enumerate(model.layout):
        rows = model.n_residuals(k)
        sources.append(_camera_information(whole[at : at + rows], slice(first, first + n)))
        at += rows
    if model.rims is not None and model.bore_at is not None:
        rows = 3 * len(model.rims.centre_px)
        own = slice(model.bore_at, model.bore_at + N_RIMS)
        sources.append(_camera_information(whole[at : at + rows], own))
        at += rows
    prior = whole[at:, camera].T @ whole[at:, camera]
    x0, y0 = model.start.centre_px
    places = np.array([(x, y) for x in (0.5 * x0, 1.5 * x0) for y in (0.5 * y0, 1.5 * y0)])

    slopes = model.log_scale_slope(fit.x, places)

    def variance(parts: Sequence[Array]) -> float:
        information = prior + sum(parts, np.zeros((N_CAMERA, N_CAMERA)))
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
    a, b = j[:, :N_CAMERA], j[:, own]
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
