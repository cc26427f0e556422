"""From what is seen across four sides to four corners: which edge is the face's, straight lines, one radial term."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.scale.known_objects import KnownObject
from holecount.scale.rectangle_pose import LensPrior, RectanglePose, pose_of_rectangle, rectangle_mm
from holecount.scale.sides import (
    OFFSETS_PX,
    SideReading,
    corners_of,
    outward_normals,
    read_strips,
    rough_sides,
    side_strip,
)

Array = NDArray[np.float64]

MISFIT_BY_CHANCE = 3.2
"""Misfit that sides read as well as they say exceed one time in five (derived: chi-square, two degrees of freedom)."""

MISFIT_HOPELESS = 45.0
"""First misfit from which looking again makes no card (30-80; measured on the sample set made worse, 2026-11: cards up
to 29, a quarter of what is none 39 and more)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RectangleFit:
    """A rectangle measured.

    Attributes
    ----------
    corners_px : shape (4, 2)
        Of the upper face, anticlockwise as seen, side 0-1 a long one.
    u_px : shape (4,)
        One standard uncertainty of each corner along either axis.
    seen : bool array, shape (4,)
        Sides (corner k to k + 1) that were seen; the corners of others are the pose's.
    pose : RectanglePose
    misfit : float
        Of the known shape to what was seen: normalised square, two degrees of freedom when four sides were seen.
    rms_px : shape (4,)
        Scatter of each side's edge points about its line.
    blur_px : float
        Standard deviation of the sides' blur.
    ends_px : shape (4, 2, 2)
        Where each side's line was seen first and last, nan where it was not.
    cov_ends_px2 : shape (4, 2, 2)
        Covariance of how far the line lies across itself at those two places.
    """

    corners_px: Array
    u_px: Array
    seen: NDArray[np.bool_]
    pose: RectanglePose
    misfit: float
    rms_px: Array
    blur_px: float
    ends_px: Array
    cov_ends_px2: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetChoice:
    """Where each side lies, of the edges its strip leaves open.

    Attributes
    ----------
    offset_px : shape (4,)
    u_px : shape (4,)
        What all points of a side share.
    pose : RectanglePose
    misfit : float
        The pose's, and how far the offsets are from what the strips say (both as normalised squares).
    """

    offset_px: Array
    u_px: Array
    pose: RectanglePose
    misfit: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFit:
    """Four lines and a radial term, in pinhole pixels u from the optical axis.

    Side k is where normal[k] . u = offset[k] + slope[k] * (along[k] . u).

    Attributes
    ----------
    normal, along : shape (4, 2)
    terms : shape (9,)
        offset 0-3, slope 0-3, k1.
    cov : shape (9, 9)
    rms_px : shape (4,)
    """

    normal: Array
    along: Array
    terms: Array
    cov: Array
    rms_px: Array


def margin_share(known: KnownObject, short_side_px: float) -> float:
    """Share of a side left out at each end: the round corner and a pixel or two."""
    radius_mm = 4.0 if known.corner_radius_mm is None else known.corner_radius_mm
    return min(0.2, 1.3 * max(radius_mm, 0.02 * known.short_mm) / known.short_mm + 1.5 / short_side_px)


def inner_points(corners_px: Array) -> Array:
    """Two points of each side, shape (4, 2, 2), away from the corners."""
    following = np.roll(corners_px, -1, axis=0)
    return np.stack([0.85 * corners_px + 0.15 * following, 0.15 * corners_px + 0.85 * following], axis=1)


def _shrunk(bgr: NDArray[np.uint8], lens: LensPrior, factor: int) -> tuple[NDArray[np.uint8], LensPrior]:
    """The picture shrunk by a whole factor, and its lens."""
    h, w = bgr.shape[0] // factor, bgr.shape[1] // factor
    small = cv2.resize(bgr[: h * factor, : w * factor], (w, h), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.uint8), replace(
        lens,
        focal_px=lens.focal_px / factor,
        centre_px=(lens.centre_px + 0.5) / factor - 0.5,
        half_diagonal_px=lens.half_diagonal_px / factor,
    )


def fit_rectangle(
    bgr: NDArray[np.uint8],
    corners_px: Array,
    seen: NDArray[np.bool_],
    known: KnownObject,
    lens: LensPrior,
    px_per_mm: float,
    *,
    colours: bool = True,
) -> RectangleFit | None:
    """Measure a rectangle of known size.

    Parameters
    ----------
    corners_px : shape (4, 2)
        Good to a few pixels, anticlockwise as seen, side 0-1 a long one.
    seen : bool array, shape (4,)
        Sides that have an edge; at least three.
    px_per_mm : float
        The picture is shrunk to about this first when the rectangle has half as much again or more.
    colours : bool
        By all three colours, or by brightness alone: a JPEG keeps colour at half its sharpness, which shifts the
        edges of a strongly coloured face.

    Returns
    -------
    RectangleFit or None
        None when its sides cannot be measured, or no camera sees a rectangle of this shape so.
    """
    round_px = float(np.linalg.norm(corners_px - np.roll(corners_px, -1, axis=0), axis=1).sum())
    full_px_per_mm = round_px / (2 * (known.long_mm + known.short_mm))
    factor = max(1, round(full_px_per_mm / px_per_mm)) if full_px_per_mm > 1.5 * px_per_mm else 1
    if factor == 1:
        return _fit_as_is(bgr, corners_px, seen, known, lens, colours=colours)
    small, small_lens = _shrunk(bgr, lens, factor)
    fit = _fit_as_is(small, (corners_px + 0.5) / factor - 0.5, seen, known, small_lens, colours=colours)
    if fit is None:
        return None
    camera = replace(
        fit.pose.camera,
        focal_px=fit.pose.camera.focal_px * factor,
        centre_px=lens.centre_px,
        half_diagonal_px=lens.half_diagonal_px,
    )
    return replace(
        fit,
        corners_px=(fit.corners_px + 0.5) * factor - 0.5,
        u_px=fit.u_px * factor,
        rms_px=fit.rms_px * factor,
        blur_px=fit.blur_px * factor,
        ends_px=(fit.ends_px + 0.5) * factor - 0.5,
        cov_ends_px2=fit.cov_ends_px2 * factor**2,
        pose=replace(
            fit.pose,
            camera=camera,
            corners_px=(fit.pose.corners_px + 0.5) * factor - 0.5,
            u_corners_px=fit.pose.u_corners_px * factor,
        ),
    )


def _wall_px(pose: RectanglePose, known: KnownObject, k: int, normal: Array) -> float:
    """Width of side k's wall as seen, 0 where the camera looks past it."""
    mm = rectangle_mm(known.long_mm, known.short_mm)
    x, y = (mm[k] + mm[(k + 1) % 4]) / 2
    top, foot = pose.camera.to_px(np.array([[x, y, 0.0], [x, y, -known.thickness_mm]]))
    return float(max(0.0, (foot - top) @ normal))


def _fit_as_is(
    bgr: NDArray[np.uint8],
    corners_px: Array,
    seen: NDArray[np.bool_],
    known: KnownObject,
    lens: LensPrior,
    *,
    colours: bool = True,
) -> RectangleFit | None:
    length = np.linalg.norm(np.roll(corners_px, -1, axis=0) - corners_px, axis=1)
    if length.min() < 20:
        return None
    px_per_mm = length / np.array([known.long_mm, known.short_mm, known.long_mm, known.short_mm])
    margin = margin_share(known, float(length.min()))
    near = rough_sides(bgr, corners_px[None], float(np.clip(0.8 * px_per_mm.mean(), 3, 6)), margin=margin)
    given = np.stack([corners_px, np.roll(corners_px, -1, axis=0)], axis=1)
    corners = corners_of(np.where((seen & (near.share[0] >= 0.3))[:, None, None], near.ends_px[0], given))
    if not np.isfinite(corners).all():
        return None
    u = np.where(seen[:, None], np.full((4, 2), 0.7) + 0.001 * length[:, None], np.inf)
    pose = pose_of_rectangle(corners, inner_points(corners), u, known.long_mm, known.short_mm, lens)
    # A first look is 1-3 px off where it took a wall's foot for the face's end; far more is another shape.
    if pose is None or pose.misfit > 80:
        return None
    corners = np.where((seen & np.roll(seen, 1))[:, None], corners, pose.corners_px)
    fit: RectangleFit | None = None
    for u_before in (2.0, 1.0, 1.0):
        normal, following = outward_normals(corners), np.roll(corners, -1, axis=0)
        readings = read_strips(
            [
                side_strip(
                    bgr,
                    np.array([corners[k], following[k]]),
                    normal[k],
                    _wall_px(pose, known, k, normal[k]),
                    float(px_per_mm[k]),
                    margin,
                    colours=colours,
                )
                if seen[k]
                else None
                for k in range(4)
            ]
        )
        seen = np.array([r is not None for r in readings])
        if seen.sum() < 3:
            return None
        choice = choose_offsets(readings, corners, known, lens, u_corners_px=u_before)
        if choice is None or choice.misfit > MISFIT_HOPELESS:
            return None
        pose = choice.pose
        lines = fit_lines(readings, choice, pose, lens)
        at, u_at = corners_with_u(lines, pose, seen, lens)
        ends, cov_ends = ends_with_cov(lines, readings, lens)
        if not np.isfinite(at).all():
            return None
        # Sides that do not make the known shape are off by more than their strips say.
        more = max(1.0, choice.misfit / MISFIT_BY_CHANCE)
        u_at, cov_ends = u_at * np.sqrt(more), cov_ends * more
        fit = RectangleFit(
            corners_px=at,
            u_px=u_at,
            seen=seen,
            pose=pose,
            misfit=choice.misfit,
            rms_px=lines.rms_px,
            blur_px=float(np.median([r.blur_px for r in readings if r is not None])),
            ends_px=ends,
            cov_ends_px2=cov_ends,
        )
        moved, corners = float(np.abs(at - corners).max()), at
        if moved < 1.0:
            break
    return fit


def choose_offsets(
    readings: Sequence[SideReading | None],
    corners_px: Array,
    known: KnownObject,
    lens: LensPrior,
    *,
    u_corners_px: float,
) -> OffsetChoice | None:
    """Choose for each side, of the edges its strip leaves open, those that make one rectangle of the known shape.

    A wall of the same colour as the face, or a shadow beside a dark card, leaves a side open by a pixel or
    two; four sides of known lengths have two conditions to meet, which often settles it. ``u_corners_px`` says how
    well the sides were known before.
    """
    live = [k for k, r in enumerate(readings) if r is not None]
    best = np.array([0.0 if r is None else OFFSETS_PX[int(r.together().argmax())] for r in readings])
    length = np.linalg.norm(np.roll(corners_px, -1, axis=0) - corners_px, axis=1)
    # What strips cannot tell: flatness and straightness, and what the object's own size is off by.
    breadth = np.roll(length, 1)
    sigma = np.hypot(0.25 + 0.0004 * length, 0.5 * known.u_size_rel * breadth)
    points, u = np.zeros((4, 2, 2)), np.full((4, 2), np.inf)
    normals = np.array([np.zeros(2) if r is None else r.normal for r in readings])
    for k in live:
        reading = readings[k]
        assert reading is not None
        at, u_at = reading.points_near(float(best[k]))
        middle = at.mean(axis=0)
        s = (at - middle) @ np.array([-normals[k][1], normals[k][0]])
        off = (at - middle) @ normals[k]
        fit = np.polyfit(s, off, 1, w=1 / np.hypot(u_at, 0.1))
        for j, q in enumerate((s.min(), s.max())):
            points[k, j] = middle + np.array([-normals[k][1], normals[k][0]]) * q + normals[k] * np.polyval(fit, q)
        u[k] = sigma[k]
    first = pose_of_rectangle(corners_px, points, u, known.long_mm, known.short_mm, lens)
    if first is None:
        return None
    # Misfit as a quadratic form of the sides' offsets.
    keep = np.eye(len(first.residual)) - first.jacobian @ np.linalg.pinv(first.jacobian, rcond=1e-12)
    base, moves = keep @ first.residual, np.zeros((len(first.residual), 4))
    for k in live:
        d = first.corners_px[(k + 1) % 4] - first.corners_px[k]
        moves[2 * k : 2 * k + 2, k] = np.sign(normals[k][0] * d[1] - normals[k][1] * d[0]) / sigma[k]
    moves = keep @ moves
    # A strip's own word counts a quarter: its model is not perfect.
    stay = (OFFSETS_PX / u_corners_px) ** 2
    cost = [stay if r is None else stay + 0.5 * np.minimum(-r.together(), 30.0) for r in readings]

    def along(delta: Array, side: int) -> Array:
        v = (base + moves @ (delta - best))[:, None] + moves[:, side : side + 1] * (OFFSETS_PX - delta[side])
        return np.asarray((v**2).sum(axis=0) + cost[side])

    def total(delta: Array) -> float:
        v = base + moves @ (delta - best)
        return float(v @ v + sum(cost[k][np.abs(OFFSETS_PX - delta[k]).argmin()] for k in live))

    starts = [best]
    for k in live:
        reading = readings[k]
        assert reading is not None
        others = np.r_[reading.modes_px()[0], best[k] - 1.5, best[k] + 1.5]
        starts += [np.where(np.arange(4) == k, m, best) for m in others]
    chosen, least = best, np.inf
    for start in starts:
        delta = start.astype(float).copy()
        for _ in range(6):
            old = delta.copy()
            for k in live:
                delta[k] = OFFSETS_PX[int(along(delta, k).argmin())]
            if np.array_equal(old, delta):
                break
        value = total(delta)
        if value < least:
            chosen, least = delta, value
    u_shared = np.zeros(4)
    said = sum(float(np.interp(chosen[k], OFFSETS_PX, cost[k] - stay)) for k in live)
    settled = chosen.copy()
    for k in live:
        p = np.exp(-0.5 * (along(chosen, k) - along(chosen, k).min()))
        p /= p.sum()
        mean = float(p @ OFFSETS_PX)
        u_shared[k] = float(np.hypot(np.sqrt(max(p @ OFFSETS_PX**2 - mean**2, 0.0)), _u_model_px(readings[k])))
        near = np.abs(OFFSETS_PX - chosen[k]) < 0.9
        settled[k] = float(p[near] @ OFFSETS_PX[near] / p[near].sum())
    shifted = points + ((settled - best)[:, None] * normals)[:, None]
    pose = pose_of_rectangle(corners_px, shifted, u, known.long_mm, known.short_mm, lens)
    if pose is None:
        return None
    return OffsetChoice(offset_px=settled, u_px=u_shared, pose=pose, misfit=pose.misfit + said)


def _u_model_px(reading: SideReading | None) -> float:
    """What the model of a strip is wrong by on the whole length of a side (measured on the sample set, 2026-11)."""
    if reading is None:
        return 0.0
    return float(np.sqrt(0.1**2 + (0.3 * min(reading.wall_px, 1.0)) ** 2 + (0.3 * reading.colour_share) ** 2))


def fit_lines(
    readings: Sequence[SideReading | None], choice: OffsetChoice, pose: RectanglePose, lens: LensPrior
) -> LineFit:
    """Fit straight lines through the edge points under one radial term; a side not seen is the pose's."""
    normal, along = np.zeros((4, 2)), np.zeros((4, 2))
    rows, values, weights, sides = [], [], [], []
    for k, reading in enumerate(readings):
        if reading is None:
            continue
        points, u = reading.points_near(float(choice.offset_px[k]))
        d = points - lens.centre_px
        n = reading.normal
        t = np.array([-n[1], n[0]])
        normal[k], along[k] = n, t
        row = np.zeros((len(d), 9))
        row[:, k] = 1.0
        row[:, 4 + k] = d @ t
        row[:, 8] = (d**2).sum(axis=1) / lens.half_diagonal_px**2 * (d @ n)
        rows.append(row)
        values.append(d @ n)
        weights.append(1.0 / np.hypot(u, 0.05))
        sides.append(np.full(len(d), k))
    a, b, w, side = np.vstack(rows), np.concatenate(values), np.concatenate(weights), np.concatenate(sides)
    live = np.array([r is not None for r in readings])
    prior = np.diag(np.r_[np.where(np.tile(live, 2), 0.0, 1.0), 1.0 / lens.u_k1**2])
    scale = np.r_[np.ones(4), np.full(4, 1e-2), 1.0]  # slopes multiply hundreds of pixels
    robust = np.ones(len(b))
    for _ in range(6):
        aw = a * (w * robust)[:, None] * scale
        m = aw.T @ aw + prior * np.outer(scale, scale)
        terms = scale * np.linalg.solve(m, aw.T @ (b * w * robust))
        residual = b - a @ terms
        robust = 1.0 / np.sqrt(np.maximum(1.0, np.abs(residual * w) / 2.0))
    cov = np.linalg.inv(m) * np.outer(scale, scale)
    # Scatter beyond what the parts claim goes into the side's own terms; what all its parts share is added.
    rms, stretch = np.zeros(4), np.ones(9)
    for k in range(4):
        mine = side == k
        if mine.any():
            excess = float(((robust * residual * w)[mine] ** 2).sum() / max(1, mine.sum() - 2))
            stretch[[k, 4 + k]] = np.sqrt(max(1.0, excess))
            rms[k] = float(np.sqrt((residual[mine] ** 2).mean()))
    cov = cov * np.outer(stretch, stretch)
    cov[np.arange(4), np.arange(4)] += choice.u_px**2
    ideal = pose.camera.undistort(pose.corners_px)
    for k in (int(j) for j in np.flatnonzero(~live)):
        d = ideal[(k + 1) % 4] - ideal[k]
        along[k] = d / np.linalg.norm(d)
        normal[k] = [along[k][1], -along[k][0]]
        terms[k], terms[4 + k] = ideal[k] @ normal[k], 0.0
    return LineFit(normal=normal, along=along, terms=terms, cov=cov, rms_px=rms)


def _corners(fit: LineFit, terms: Array, lens: LensPrior) -> Array:
    """Corners in pixels, shape (4, 2); corner k is where sides k - 1 and k cross."""
    n = fit.normal - terms[4:8, None] * fit.along
    before, value = np.roll(n, 1, axis=0), terms[:4]
    value_before = np.roll(value, 1)
    det = before[:, 0] * n[:, 1] - before[:, 1] * n[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        x = value_before * n[:, 1] - value * before[:, 1]
        y = before[:, 0] * value - n[:, 0] * value_before
        u = np.stack([x, y], axis=1) / np.where(np.abs(det) < 1e-6, np.nan, det)[:, None]
    r2 = (u**2).sum(axis=1, keepdims=True) / lens.half_diagonal_px**2
    return np.asarray(u * (1.0 + terms[8] * r2) + lens.centre_px)


def corners_with_u(fit: LineFit, pose: RectanglePose, seen: NDArray[np.bool_], lens: LensPrior) -> tuple[Array, Array]:
    """Corners (4, 2) and one standard uncertainty of each along either axis (4,).

    A corner of a side that was not seen is the pose's, with the pose's uncertainty along its worse direction.
    """
    at = _corners(fit, fit.terms, lens)
    jac = np.empty((8, 9))
    for p in range(9):
        step = np.zeros(9)
        step[p] = 1e-4
        jac[:, p] = ((_corners(fit, fit.terms + step, lens) - at) / 1e-4).ravel()
    variance = np.einsum("ip,pq,iq->i", jac, fit.cov, jac).reshape(4, 2)
    both = seen & np.roll(seen, 1)
    u = np.where(both, np.sqrt(variance.mean(axis=1)), np.maximum(pose.u_corners_px, 0.5))
    return np.where(both[:, None], at, pose.corners_px), u


def ends_with_cov(fit: LineFit, readings: Sequence[SideReading | None], lens: LensPrior) -> tuple[Array, Array]:
    """First and last place (4, 2, 2) at which each line was seen, and its covariance across itself there (4, 2, 2)."""
    ends, cov = np.full((4, 2, 2), np.nan), np.full((4, 2, 2), np.nan)
    for k, reading in enumerate(readings):
        if reading is None:
            continue
        a = (reading.middle_px - lens.centre_px) @ fit.along[k]
        a = np.array([a.min(), a.max()])
        across = fit.terms[k] + fit.terms[4 + k] * a
        bend = (a**2 + across**2) / lens.half_diagonal_px**2 * across
        ends[k] = lens.centre_px + a[:, None] * fit.along[k] + (across + fit.terms[8] * bend)[:, None] * fit.normal[k]
        jac = np.column_stack([np.ones(2), a, bend])
        mine = [k, 4 + k, 8]
        cov[k] = jac @ fit.cov[np.ix_(mine, mine)] @ jac.T
    return ends, cov


def constraints_of_sides(fit: RectangleFit) -> Array:
    """What seen sides tell of the corners, shape (2 n_seen, 8), as `Reference` wants it.

    Two corners span a line; across it, that line is known where the side was seen. Along it nothing is known but by
    other sides. A corner of a side that was not seen is thus held by the two numbers of the side it ends, not four.
    """
    rows = []
    for k in (int(j) for j in np.flatnonzero(fit.seen)):
        a, b = fit.corners_px[k], fit.corners_px[(k + 1) % 4]
        length = float(np.linalg.norm(b - a))
        along = (b - a) / length
        across = np.array([along[1], -along[0]])
        at = (fit.ends_px[k] - a) @ along / length
        moves = np.zeros((2, 8))  # how far the line moves across itself at its ends, by either corner
        moves[:, 2 * k : 2 * k + 2] = (1 - at)[:, None] * across
        following = 2 * ((k + 1) % 4)
        moves[:, following : following + 2] = at[:, None] * across
        rows.append(np.linalg.inv(np.linalg.cholesky(fit.cov_ends_px2[k])) @ moves)
    return np.vstack(rows)
