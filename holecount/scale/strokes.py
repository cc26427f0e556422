"""How well each possible graduation explains a band of strokes.

The band is cut along its own geometry and folded at each possible long period (10 mm or an inch);
each rank of marks (every tenth, every fifth, the rest; whole, half, quarter ... inches) is given one
contrast per row, never negative, that explains the fold best.
"""

import math
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.scale.lattice import Ruling

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
System = Literal["mm", "inch"]

LONG_PERIOD_MM: dict[System, float] = {"mm": 10.0, "inch": 25.4}
"""Distance of the longest strokes: 10 mm (common practice, no source); 1 in = 25.4 mm exactly (agreement of 1959)."""

_PERIODS: dict[System, tuple[int, ...]] = {"mm": (1, 2, 3, 4, 6, 10, 20), "inch": (1, 2, 3, 4, 6, 8, 16, 32)}
"""How many followed periods a long period may hold: every division, and the harmonics of the coarse ones."""

_WIDTHS_PX = (0.7, 1.1, 1.6)
"""Standard widths of strokes tried: a hair line in focus to a fat or blurred one (measured on the sample
set, 2026-11)."""

_BOX_PX = 13.0
"""Brightness is compared with its mean over this length, which takes shading out: derived, some three strokes wide."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unrolled:
    """The band cut along its own geometry: evenly sampled in periods, strokes upright.

    Attributes
    ----------
    fine : float32 array, shape (rows, samples)
        Brightness less its local mean along the row.
    rows : float array
        Rows below the band's line.
    periods : float array
        Of each sample.
    per_period : int
        Samples in a period.
    px_per_period : float
        In the middle.
    """

    fine: Floats
    rows: Array
    periods: Array
    per_period: int
    px_per_period: float


def unroll(ruling: Ruling, reach_px: int, row_step_px: int = 1) -> Unrolled:
    """Sample a ruling's surroundings, ``reach_px`` rows above and below its line."""
    ends = ruling.map.periods(np.array([ruling.first_column, ruling.last_column]))
    length = ruling.last_column - ruling.first_column
    px_per_period = length / float(ends[1] - ends[0])
    per_period = max(4, math.ceil(px_per_period * 1.1))
    periods = np.arange(math.ceil(ends[0]), math.floor(ends[1]), 1.0 / per_period)
    column = ruling.map.place(periods)
    rows = row_step_px * np.arange(-(reach_px // row_step_px), reach_px // row_step_px + 1.0)
    x = column + rows[:, None] * (ruling.shear[0] + ruling.shear[1] * (column - ruling.map.x0))
    y = np.polyval(ruling.line, x) + rows[:, None]
    band = cv2.remap(ruling.cut, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR).astype(np.float32)
    # A box of fractional length: its two outermost samples count in part.
    box = _BOX_PX * per_period / px_per_period
    half = math.ceil((box - 1) / 2)
    kernel = np.ones(2 * half + 1, np.float32)
    kernel[0] = kernel[-1] = (box - (2 * half - 1)) / 2
    mean = cv2.filter2D(band, -1, (kernel / kernel.sum())[None], borderType=cv2.BORDER_REPLICATE)
    return Unrolled(fine=band - mean, rows=rows, periods=periods, per_period=per_period, px_per_period=px_per_period)


def rank_of_marks(system: System, divisions: int) -> NDArray[np.int64]:
    """Rank (0 the longest) of each mark in a long period, shape (divisions,)."""
    mark = np.arange(divisions)
    if system == "mm":
        if divisions == 2:
            return np.array([0, 1])
        step = divisions // 10
        rank = np.full(divisions, 3)
        rank[mark % step == 0] = 2
        rank[0], rank[divisions // 2] = 0, 1
        return rank
    rank = np.zeros(divisions, np.int64)
    level, step = 1, divisions // 2
    while step >= 1:
        rank[(mark % step == 0) & (mark % (2 * step) != 0)] = level
        level, step = level + 1, step // 2
    return rank


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A reading fitted to a band: what it explains of each row, and how dark each rank is there.

    Attributes
    ----------
    system, divisions, periods, origin, phase : as in `Graduation`
    explained : float array, shape (rows,)
        Mean square explained.
    contrast : float array, shape (rows, ranks)
        Grey levels, not negative.
    """

    system: System
    divisions: int
    periods: int
    origin: int
    phase: float
    explained: Array
    contrast: Array


def _fold(fine: Floats, length: int) -> Floats:
    """Mean over repeats of ``length`` samples, shape (rows, length)."""
    repeats, rest = divmod(fine.shape[1], length)
    total = fine[:, : repeats * length].reshape(fine.shape[0], repeats, length).sum(axis=1)
    count = np.full(length, float(repeats), np.float32)
    if rest:
        total[:, :rest] += fine[:, repeats * length :]
        count[:rest] += 1
    return np.asarray(total / count, np.float32)


def _divisions(system: System, long_px: float, min_spacing_px: float) -> int:
    """Finest division that can be told apart when longest strokes are ``long_px`` apart."""
    options = (20, 10) if system == "mm" else (32, 16, 8)
    for n in options:
        if long_px / n >= min_spacing_px:
            return n
    return 2 if system == "mm" else 4


@dataclass(frozen=True, slots=True, kw_only=True)
class _Hypothesis:
    """A reading to try: its strokes' Fourier coefficients rank by rank, and their products."""

    system: System
    divisions: int
    periods: int
    long_px: float
    comb: NDArray[np.complex128]
    gram: Array


def _hypothesis(
    system: System, periods: int, px_per_period: float, width_px: float, min_spacing_px: float
) -> _Hypothesis:
    long_px = periods * px_per_period
    divisions = _divisions(system, long_px, min_spacing_px)
    # Strokes wider apart than 4 px need no frequencies beyond 0.3 per px.
    top = max(2, int((0.47 if long_px / divisions < 4.0 else 0.3) * long_px))
    k = np.arange(1, top + 1)
    f = k / long_px
    line = np.exp(-2 * (np.pi * f * width_px) ** 2) * width_px * math.sqrt(2 * math.pi) / long_px
    line *= 1 - np.sinc(f * _BOX_PX)
    rank = rank_of_marks(system, divisions)
    n_ranks = int(rank.max()) + 1
    turns = np.exp(-2j * np.pi * np.outer(k, np.arange(divisions) / divisions))
    comb = np.stack([turns[:, rank == q].sum(axis=1) * line for q in range(n_ranks)])
    gram = 2 * np.real(comb @ comb.conj().T)
    gram += 1e-3 * np.trace(gram) / n_ranks * np.eye(n_ranks)
    return _Hypothesis(system=system, divisions=divisions, periods=periods, long_px=long_px, comb=comb, gram=gram)


def _coefficients(fine: Floats, length: int, top: int) -> NDArray[np.complex128]:
    """Fourier coefficients 1 to ``top`` of rows folded at ``length`` samples; zero beyond what they hold."""
    folded = np.fft.rfft(_fold(fine, length), axis=1)[:, 1 : top + 1] / length
    if folded.shape[1] < top:
        folded = np.pad(folded, ((0, 0), (0, top - folded.shape[1])))
    return np.asarray(folded, np.complex128)


def _projections(folded: NDArray[np.complex128], hypothesis: _Hypothesis, places: Array) -> Array:
    """How much each rank's strokes, a longest one at ``places`` periods, resemble each row: (rows, ranks, places)."""
    k = np.arange(1, folded.shape[1] + 1)
    shift = np.exp(2j * np.pi * np.outer(k, places / hypothesis.periods))
    product = (folded[:, None, :] * hypothesis.comb.conj()[None]).reshape(-1, len(k))
    return np.asarray(2 * np.real(product @ shift).reshape(len(folded), len(hypothesis.comb), len(places)))


def _place(folded: NDArray[np.complex128], hypothesis: _Hypothesis) -> tuple[float, int, float]:
    """How much is explained at the best origin and phase (dark or light strokes), and these."""
    gram = hypothesis.gram
    solve = np.linalg.inv(gram)
    best = (-1.0, 0, 0.5)
    for sign, phase in ((-1.0, 0.5), (1.0, 0.0)):
        # Rows and origins in one list, ranks across it.
        b = sign * _projections(folded, hypothesis, np.arange(float(hypothesis.periods)) + phase)
        shape = (b.shape[0], b.shape[2])
        b = b.transpose(1, 0, 2).reshape(len(gram), -1)
        a = np.maximum(solve @ b, 0.0)
        for _ in range(2):
            for q, row in enumerate(gram):
                a[q] = np.maximum(a[q] + (b[q] - row @ a) / row[q], 0.0)
        total = ((2 * b - gram @ a) * a).sum(axis=0).reshape(shape).sum(axis=0)
        o = int(np.argmax(total))
        best = max(best, (float(total[o]), o, phase))
    return best


def _fit_reading(fine: Floats, per_period: int, hypothesis: _Hypothesis, origin: int, phase: float) -> Fit:
    """Contrast of each rank in each row, not negative, and what they explain together."""
    folded = _coefficients(fine, hypothesis.periods * per_period, hypothesis.comb.shape[1])
    sign = -1.0 if phase else 1.0
    b = sign * _projections(folded, hypothesis, np.array([origin + phase]))[:, :, 0]
    contrast, explained = _not_negative(b, hypothesis.gram)
    return Fit(
        system=hypothesis.system,
        divisions=hypothesis.divisions,
        periods=hypothesis.periods,
        origin=origin,
        phase=phase,
        explained=explained,
        contrast=contrast,
    )


def _not_negative(b: Array, gram: Array) -> tuple[Array, Array]:
    """Least squares with contrasts that are not negative, row by row: contrasts and what they explain.

    Coordinate descent: ranks overlap little, so a few rounds suffice.
    """
    right = np.ascontiguousarray(b.T)
    contrast = np.maximum(np.linalg.solve(gram, right), 0.0)
    for _ in range(6):
        for q, row in enumerate(gram):
            contrast[q] = np.maximum(contrast[q] + (right[q] - row @ contrast) / row[q], 0.0)
    explained = ((2 * right - gram @ contrast) * contrast).sum(axis=0)
    return np.ascontiguousarray(contrast.T), explained


def all_fits(band: Unrolled, scales: tuple[float, float], system: System | None, min_spacing_px: float) -> list[Fit]:
    """All readings that fit about as well as the best near the band's line, over all rows."""
    near = np.flatnonzero(np.abs(band.rows) <= 0.7 * band.rows[-1])
    some = band.fine[near[:: max(1, len(near) // 24)]]
    available = band.fine.shape[1] / band.per_period
    wanted: list[tuple[System, int]] = []
    for name in ("mm", "inch"):
        for periods in _PERIODS[name]:
            scale = periods * band.px_per_period / LONG_PERIOD_MM[name]
            if system in (None, name) and available >= 2.4 * periods and scales[0] <= scale <= scales[1]:
                wanted.append((name, periods))
    if not wanted:
        return []

    def tried(name: System, periods: int, width_px: float) -> tuple[float, _Hypothesis, int, float]:
        h = _hypothesis(name, periods, band.px_per_period, width_px, min_spacing_px)
        folded = _coefficients(some, periods * band.per_period, h.comb.shape[1])
        total, origin, phase = _place(folded, h)
        return total, h, origin, phase

    # A line wider than a third of the spacing would be a ripple whose contrast means nothing.
    widths = [w for w in _WIDTHS_PX if w < 0.33 * band.px_per_period] or [_WIDTHS_PX[0]]
    usual = widths[min(1, len(widths) - 1)]
    results = {(name, periods): tried(name, periods, usual) for name, periods in wanted}
    first = max(results, key=lambda key: results[key][0])
    # How wide strokes are is settled by the best reading, for all.
    by_width = {w: results[first][0] if w == usual else tried(*first, w)[0] for w in widths}
    width_px = max(by_width, key=lambda w: by_width[w])
    best = results[first][0]
    fits = []
    for (name, periods), (total, h, origin, phase) in results.items():
        if total > 0.5 * best:
            if width_px != usual:
                h = _hypothesis(name, periods, band.px_per_period, width_px, min_spacing_px)
            fits.append(_fit_reading(band.fine, band.per_period, h, origin, phase))
    return fits
