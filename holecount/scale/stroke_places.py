"""Where the strokes of a graduation really lie, to a small part of a pixel: each stretch against the mean of all."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holecount.scale.graduations import Graduation, seen_stretch
from holecount.scale.strokes import Unrolled, rank_of_marks

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceSettings:
    """Which places along an edge are taken.

    Attributes
    ----------
    min_points : int
        Least number of places an edge must give.
    worst_u_px : float
        Places less certain than this are not used.

    Both values: measured on the sample set, 2026-11.
    """

    min_points: int = 4
    worst_u_px: float = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Where stretches of the graduation lie against the followed map.

    Attributes
    ----------
    periods : float array, shape (n,)
        Middle of each stretch by the map.
    shift, u_shift : float array
        By how many periods it really lies further, and one standard uncertainty from the noise.
    drop_px : float array
        By how many rows it really lies lower.
    slant, u_slant : float array
        By how many columns per row the strokes lean further.
    pivot_row : float
        Rows below the line to which the shift belongs: the middle of the strokes, where
        their slant does not matter.
    level_row : float
        Rows below the line to which the drop belongs: the middle of the strokes' ends.
    centre : float
        By how many periods the marks really lie beyond where the graduation has them, all alike.
    """

    periods: Array
    shift: Array
    u_shift: Array
    drop_px: Array
    slant: Array
    u_slant: Array
    pivot_row: float
    level_row: float
    centre: float


def _stack(band: Unrolled, g: Graduation, rows: NDArray[np.bool_], stretch: tuple[float, float]) -> tuple[Array, float]:
    """Long periods over one another, shape (rows, repeats, samples), NaN outside the stretch; first sample's period."""
    fine = band.fine[rows].astype(np.float64)
    length = g.periods * band.per_period
    # Stretches are cut a quarter of a long period before a longest mark, where no mark of note is.
    begin = g.origin + g.phase - 0.25 * g.periods
    lead = round((begin - float(band.periods[0])) * band.per_period) % length
    offset = (length - lead) % length
    repeats = -(-(fine.shape[1] + offset) // length)
    padded = np.full((fine.shape[0], repeats * length), np.nan)
    padded[:, offset : offset + fine.shape[1]] = fine
    first = float(band.periods[0]) - offset / band.per_period
    periods = first + np.arange(padded.shape[1]) / band.per_period
    padded[:, (periods < stretch[0]) | (periods > stretch[1])] = np.nan
    return padded.reshape(fine.shape[0], repeats, length), first


def locate(band: Unrolled, g: Graduation, settings: PlaceSettings) -> Places | None:
    """Compare each long period (each half, for inches) with the mean of all the others; None when too few are left.

    Its shift along and across follows from linear least squares (Lucas and Kanade's step)
    over all strokes in it, down to the end of the second rank, where figures begin.
    """
    ends = (g.ranks[-1], g.ranks[1])
    rows = (band.rows >= min(r.first_row for r in ends) - 2) & (band.rows <= max(r.last_row for r in ends) + 2)
    stack, first = _stack(band, g, rows, seen_stretch(band, g))
    repeats, length = stack.shape[1:]
    good = np.isfinite(stack)
    value = np.where(good, stack, 0.0)
    parts = 2 if g.system == "inch" else 1
    size = length // parts
    row_step = float(band.rows[1] - band.rows[0])
    # Samples closer than a pixel share it, and interpolation shares the rest.
    columns = band.per_period / band.px_per_period
    shared = 1.5 * max(1.0, columns)
    total, number = value.sum(axis=1), good.sum(axis=1)
    mean = total / np.maximum(number, 1)
    weight = (np.diff(mean, axis=1) ** 2).sum(axis=1)
    pivot = float((weight * band.rows[rows]).sum() / max(float(weight.sum()), 1e-9))
    ends_weight = (np.diff(mean, axis=0) ** 2).sum(axis=1)
    between = 0.5 * (band.rows[rows][1:] + band.rows[rows][:-1])
    level = float((ends_weight * between).sum() / max(float(ends_weight.sum()), 1e-9))
    lever = np.broadcast_to((band.rows[rows] - pivot)[:, None], mean.shape)
    found: list[tuple[float, ...]] = []
    for k in range(repeats):
        # Others only: a stretch's own noise must not pull it towards itself.
        count = number - good[:, k]
        template = (total - value[:, k]) / np.maximum(count, 1)
        along = _slope(template)
        # Against the mean of all rather than of the others, else steps overshoot.
        whole = float(np.mean(count / (count + 1.0)))
        across = np.gradient(template, axis=0)
        for part in range(parts):
            cut = slice(part * size, (part + 1) * size)
            use = good[:, k, cut] & (count[:, cut] >= 2)
            if use.mean() < 0.7:
                continue
            y = value[:, k, cut][use]
            forward = -along[:, cut][use]
            parts_of = (template[:, cut][use], forward, -across[:, cut][use], forward * lever[:, cut][use])
            design = np.stack(parts_of, axis=1)
            normal = design.T @ design
            if np.linalg.cond(normal) > 1e10:
                continue
            inverse = np.linalg.inv(normal)
            solution = inverse @ (design.T @ y)
            gain = float(solution[0])
            if not 0.15 < gain < 2.5:
                continue
            residual = y - design @ solution
            variance = float(residual @ residual) / max(1, len(y) - 3) * shared
            shift, drop = whole * float(solution[1] / gain), whole * float(solution[2] / gain)
            u_shift = math.sqrt(variance * float(inverse[1, 1])) / gain / columns
            if u_shift > settings.worst_u_px:
                continue
            if abs(shift) > 0.35 * band.per_period or abs(drop) * row_step > 3:
                continue
            found.append(
                (
                    first + (k * length + (part + 0.5) * size) / band.per_period,
                    shift / band.per_period,
                    u_shift / band.px_per_period,
                    drop * row_step,
                    whole * float(solution[3]) / gain / columns,
                    math.sqrt(variance * float(inverse[3, 3])) / gain / columns,
                    gain,
                )
            )
    # Strokes may fade towards an end that is out of focus; a sudden fall is what lies beyond the end.
    for end, inner in ((0, 1), (-1, -2)):
        while len(found) > settings.min_points and found[end][-1] < 0.5 * found[inner][-1]:
            found.pop(end)
    if len(found) < settings.min_points:
        return None
    u, shift_u, u_along, drop_px, slant, u_slant, _ = (np.array(v) for v in zip(*found, strict=True))
    # A stretch that jumps from its neighbours is something lying on the ruler.
    left = shift_u - smooth(u, shift_u)
    spread = max(1.4826 * float(np.median(np.abs(left))), float(np.median(u_along)))
    keep = np.abs(left) <= 4 * spread
    if keep.sum() < settings.min_points:
        return None
    return Places(
        periods=u[keep],
        shift=shift_u[keep],
        u_shift=u_along[keep],
        drop_px=drop_px[keep],
        slant=slant[keep] + _lean(mean) / columns / row_step,
        u_slant=u_slant[keep],
        pivot_row=pivot,
        level_row=level,
        centre=_centre(mean, g, first, band),
    )


def _lean(mean: Array) -> float:
    """Samples per row by which the strokes of the mean long period lean: they should stand upright.

    Brightness changes along a leaning stroke as across it; its ends change alike to the left and right.
    """
    along = _slope(mean)
    along = 0.5 * (along[2:] + along[:-2])
    return -float((0.5 * (mean[2:] - mean[:-2]) * along).sum() / max(float((along**2).sum()), 1e-9))


def _slope(rows: Array) -> Array:
    """Derivative per sample of periodic rows, exact to the sampling limit; differences are too flat there."""
    spectrum = np.fft.rfft(rows, axis=1)
    k = np.arange(spectrum.shape[1])
    return np.fft.irfft(spectrum * (2j * np.pi * k / rows.shape[1]), rows.shape[1], axis=1)


def smooth(x: Array, y: Array) -> Array:
    """A cubic through points x (n,), y (n,), of lower order through few: its values at x."""
    return np.asarray(np.polynomial.Polynomial.fit(x, y, min(3, max(0, len(x) - 3)))(x))


def _centre(mean: Array, g: Graduation, first: float, band: Unrolled) -> float:
    """Periods by which the marks of the mean long period lie beyond their nominal places.

    Strokes are alike to the left and right, so their pattern laid over the picture fits best where they are.
    """
    length = mean.shape[1]
    long_px = g.periods * band.px_per_period
    rank = rank_of_marks(g.system, g.divisions)
    weight = np.zeros(int(rank.max()) + 1)
    for q, r in enumerate(g.ranks):
        weight[q] = r.last_row - r.first_row + 1
    k = np.arange(1, max(2, min(length // 2, int(0.35 * long_px))))
    marks = np.arange(g.divisions) / g.divisions
    pattern = (np.exp(-2j * np.pi * np.outer(k, marks)) * weight[rank]).sum(axis=1)
    pattern = pattern * np.exp(-2j * np.pi * k * ((g.origin + g.phase - first) / g.periods))
    sign = -1.0 if g.phase else 1.0
    cross = sign * np.fft.rfft(mean.sum(axis=0))[k] * np.conj(pattern)
    reach = min(0.45 / g.divisions, 1.5 / long_px)
    shifts = np.linspace(-reach, reach, 2 * max(1, round(reach * long_px / 0.02)) + 1)
    fit = np.real(np.exp(2j * np.pi * np.outer(shifts, k)) @ cross)
    return float(shifts[int(np.argmax(fit))]) * g.periods
