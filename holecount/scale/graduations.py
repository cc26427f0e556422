"""Which graduation a row of strokes is: millimetres with their 5 and 10, or halved and halved inches.

All strokes of one rank (every tenth, every fifth, the rest; or whole, half, quarter ... inches)
are laid over one another. Under the right reading each rank has one length, shorter rank by
rank; under a wrong one strokes of different length are mixed and explain less of the picture.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holecount.scale.lattice import Ruling
from holecount.scale.stroke_ranks import Rank, falls_by_rank, ranks_of, reach_of, run_of_rows
from holecount.scale.strokes import LONG_PERIOD_MM, System, Unrolled, all_fits, unroll

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class GraduationSettings:
    """When strokes count as a graduation.

    Attributes
    ----------
    min_spacing_px : float
        Strokes closer than this are not told apart (two pixels is the sampling limit).
    min_explained : float
        Least share of the band's fine structure that the reading explains, 0 to 1.
    near_best : float
        A reading must explain this share of what the best one of any kind explains.
    same_family : float
        Of readings whose long periods are multiples of one another, the longest that
        explains this share of the best is taken (whole inches rather than halves).
    rival : float
        Another sound reading of a different scale that explains this share leaves it open.
    doubled : float
        Along the strokes' own geometry twice an inch explains at most 1.05 of what the inch does, by chance; where
        figures hide that halves are shorter, and they were taken for inches, 1.09 or more (1.06 to 1.08).
    min_step_px : float
        Least difference in length between the longest and the next rank.
    shortest_mm : tuple of float
        Least and greatest length of the shortest strokes, as seen: about 2 to 4.5 mm (common practice,
        no source), less or more by a sixth when seen from the side. Half inches taken for inches would double it.
    shortest_part_mm : float
        Least length of millimetre strokes: half-millimetre strokes between them may be too close to
        be told apart, and then only the rest of the millimetre strokes is seen.
    second_mm : tuple of float
        The same of the second rank, 3.5 to 8.5 mm.
    min_longest : int
        Least number of longest strokes.
    near_guess : float
        Where no reading stands out, the shortest pattern that explains this share of what the best one
        does is what strokes are straightened by (0.8 to 0.95).
    least_px_per_mm, most_px_per_mm : float
        Scales considered, as a share of the picture's long side: 1500 mm to 120 mm across.

    Values without a source: measured on the sample set, 2026-11.
    """

    min_spacing_px: float = 2.1
    min_explained: float = 0.3
    near_best: float = 0.85
    same_family: float = 0.98
    rival: float = 0.8
    doubled: float = 1.07
    min_step_px: float = 1.5
    shortest_mm: tuple[float, float] = (1.7, 6.2)
    shortest_part_mm: float = 1.0
    second_mm: tuple[float, float] = (3.2, 10.0)
    min_longest: int = 4
    near_guess: float = 0.9
    least_px_per_mm: float = 1 / 1500
    most_px_per_mm: float = 1 / 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Graduation:
    """One way to read the strokes.

    Attributes
    ----------
    system : str
        ``mm`` or ``inch``.
    divisions : int
        Marks in a long period that the reading has room for: 10 or 20 in 10 mm, 8, 16 or 32 in an inch.
    periods : int
        Followed periods in a long period.
    origin : int
        A longest stroke lies at periods == origin + phase.
    phase : float
        0.5 for dark strokes, 0 for light ones.
    explained : float
        Share of the band's fine structure explained, 0 to 1.
    ranks : tuple of Rank
        Longest first; only those seen.
    inward : int
        +1 when longer strokes reach to larger rows.
    px_per_mm : float
        In the middle of the band.
    sound : bool
        Lengths fall rank by rank over at least three ranks.
    """

    system: System
    divisions: int
    periods: int
    origin: int
    phase: float
    explained: float
    ranks: tuple[Rank, ...]
    inward: int
    px_per_mm: float
    sound: bool

    @property
    def long_mm(self) -> float:
        """Distance of the longest strokes."""
        return LONG_PERIOD_MM[self.system]


def _readings(
    band: Unrolled,
    scales: tuple[float, float],
    system: System | None,
    settings: GraduationSettings,
    least_ranks: int = 3,
) -> list[Graduation]:
    """Readings whose px per mm lie in ``scales``, in order of what they explain."""
    fits = all_fits(band, scales, system, settings.min_spacing_px)
    if not fits:
        return []
    total = (band.fine.astype(np.float64) ** 2).mean(axis=1) + 0.05
    middle = int(np.argmin(np.abs(band.rows)))
    row_px = float(band.rows[1] - band.rows[0])
    # Rows surely belong to the band while some reading explains them.
    most = np.max([f.explained for f in fits], axis=0) / total
    first, last = run_of_rows(most > 0.2, middle, 3)
    if (last - first) * row_px < 3:
        return []
    order = slice(first, last + 1)
    # Close strokes are pale and explain little of the noise, yet more than chance would.
    chance = 20.0 / band.fine.shape[1]
    core = (first, last)
    while first > 0 and most[first - 1] > chance:
        first -= 1
    while last < len(most) - 1 and most[last + 1] > chance:
        last += 1
    weight = float(total[order].sum())
    found: list[Graduation] = []
    for fit in fits:
        contrast, origin = fit.contrast, fit.origin
        extents, inward = ranks_of(contrast, band.rows, core, (first, last), fit.periods * band.px_per_period / 10)
        if extents[0] and extents[1] and reach_of(extents[1], inward) > reach_of(extents[0], inward):
            # Half a long period off: the first two ranks have changed places, no other.
            contrast = contrast[:, [1, 0, *range(2, contrast.shape[1])]]
            extents[:2] = [extents[1], extents[0]]
            origin = (origin + fit.periods // 2) % fit.periods
        px_per_mm = fit.periods * band.px_per_period / LONG_PERIOD_MM[fit.system]
        sound = falls_by_rank(contrast, extents, inward, band.rows, max(settings.min_step_px, row_px), least_ranks)
        if sound:
            seen = [r for r in extents if r is not None]
            shortest = (seen[-1].last_row - seen[-1].first_row + row_px) / px_per_mm
            second = (seen[1].last_row - seen[1].first_row + row_px) / px_per_mm
            sound = len(seen) < 3 or (
                (settings.shortest_part_mm if fit.system == "mm" else settings.shortest_mm[0]) <= shortest
                and shortest <= settings.shortest_mm[1]
            )
            # Of two ranks alone, beside a blurred band of finer strokes, the second may show its end only.
            sound = sound and (settings.second_mm[0] if len(seen) > 2 else 1.0) <= second <= settings.second_mm[1]
        found.append(
            Graduation(
                system=fit.system,
                divisions=fit.divisions,
                periods=fit.periods,
                origin=(origin + round(float(band.periods[0]))) % fit.periods,
                phase=fit.phase,
                explained=float(fit.explained[order].sum()) / weight,
                ranks=tuple(r for r in extents if r is not None),
                inward=inward,
                px_per_mm=px_per_mm,
                sound=sound,
            )
        )
    return sorted(found, key=lambda g: -g.explained)


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """What came of reading a ruling's strokes.

    Attributes
    ----------
    band : Unrolled or None
        Where ``reading`` or else ``guess`` was read.
    reading : Graduation or None
        The one reading that stands out, if one does.
    guess : Graduation or None
        Where none does: the shortest pattern that explains the strokes about as well as anything. Its
        units are not to be believed, but the strokes do repeat in it, so their geometry can be taken from it.
    """

    band: Unrolled | None = None
    reading: Graduation | None = None
    guess: Graduation | None = None


def read_graduation(
    ruling: Ruling,
    long_side_px: int,
    system: System | None = None,
    settings: GraduationSettings | None = None,
    px_per_mm: float | None = None,
    blurred: bool = False,
) -> Attempt:
    """Read a ruling's strokes.

    Parameters
    ----------
    ruling : Ruling
    long_side_px : int
        Of the picture, for the scales that are possible.
    system : str, optional
        Keep to ``mm`` or ``inch``.
    settings : GraduationSettings, optional
    px_per_mm : float, optional
        Scale here within a tenth, from the ruler's other edge: then the two longest ranks are enough.
    blurred : bool
        Read centimetres and their halves beside a band of marks too close to be told apart. Inches do
        not look like that (their quarters would be seen), but this alone is not beyond doubt.
    """
    settings = settings or GraduationSettings()
    scales = (long_side_px * settings.least_px_per_mm, long_side_px * settings.most_px_per_mm)
    least_ranks = 3
    if px_per_mm is not None:
        scales, least_ranks = (0.9 * px_per_mm, 1.1 * px_per_mm), 2
    if blurred:
        system, least_ranks = "mm", 2
    half = ruling.cut.shape[0] // 2
    guessed = Attempt()
    for share in (0.53, 0.95):
        band = unroll(ruling, round(share * half), 1 if half < 110 and share < 0.6 else 2)
        readings = _readings(band, scales, system, settings, least_ranks)
        if blurred:
            g = next((r for r in readings[:2] if r.sound and _beside_blur(ruling, band, r, settings)), None)
        else:
            g = _settled(band, readings, settings, px_per_mm is not None)
            if g is not None and len(g.ranks) == 2 and not _beside_blur(ruling, band, g, settings):
                g = None
        if g is not None:
            return Attempt(band=band, reading=g)
        if guessed.guess is None:
            guessed = Attempt(band=band, guess=_guess(readings, settings))
        limit = 0.85 * band.rows[-1]
        if not any(max(-r.first_row, r.last_row) >= limit for g in readings[:3] for r in g.ranks):
            break  # all strokes end inside the band: more rows would show no more of them
    return guessed


def _guess(readings: list[Graduation], settings: GraduationSettings) -> Graduation | None:
    """The shortest pattern that explains the strokes about as well as the best one, if that explains them at all."""
    if not readings or readings[0].explained < settings.min_explained:
        return None
    near = [g for g in readings if g.explained >= settings.near_guess * readings[0].explained and len(g.ranks) > 1]
    return min(near, key=lambda g: g.periods, default=None)


def _settled(
    band: Unrolled, readings: list[Graduation], settings: GraduationSettings, scale_known: bool
) -> Graduation | None:
    """The reading that stands out, or None."""
    if not readings:
        return None
    least = max(settings.min_explained, settings.near_best * readings[0].explained)
    sound = [g for g in readings if g.sound and g.explained >= least]
    if not sound:
        return None
    best = sound[0]
    if scale_known:
        clear = all(g.explained < settings.rival * best.explained for g in sound[1:])
        return best if clear else None

    def akin(g: Graduation) -> bool:
        a, b = sorted((g.periods, best.periods))
        return g.system == best.system and b % a == 0

    # Whole inches explain more than halves; a doubled period explains no more than chance.
    family = [
        g
        for g in sound
        if akin(g)
        and g.explained >= settings.same_family * best.explained
        and _stands_alone(band, g, seen_stretch(band, g), settings)
    ]
    if not family:
        return None
    chosen = max(family, key=lambda g: g.periods)
    if any(not akin(g) and g.explained >= settings.rival * chosen.explained for g in sound):
        return None
    if chosen.system == "inch" and _alternate(band, chosen, seen_stretch(band, chosen)):
        return None
    return chosen


def is_halved(ruling: Ruling, g: Graduation, settings: GraduationSettings) -> bool:
    """Whether halves may have been taken for inches, told along the geometry the strokes gave themselves."""
    if g.system != "inch":
        return False
    half = ruling.cut.shape[0] // 2
    band = unroll(ruling, round(0.53 * half), 1 if half < 110 else 2)
    by_periods = {r.periods: r for r in _readings(band, (0.9 * g.px_per_mm, 2.2 * g.px_per_mm), "inch", settings)}
    own, twice = by_periods.get(g.periods), by_periods.get(2 * g.periods)
    if own is not None and twice is not None and twice.explained > settings.doubled * own.explained:
        return True
    return _alternate(band, g, seen_stretch(band, g))


def _beside_blur(ruling: Ruling, band: Unrolled, g: Graduation, settings: GraduationSettings) -> bool:
    """Whether two ranks stand on an evenly darker band, as marks that run together make it."""
    if len(g.ranks) != 2 or g.explained < settings.min_explained or 0.25 * g.px_per_mm * g.long_mm < 4:
        return False
    stretch = seen_stretch(band, g)
    if _alternate(band, g, stretch) or not _stands_alone(band, g, stretch, settings):
        return False
    along = band.rows * g.inward
    start = float(np.median([r.first_row if g.inward > 0 else -r.last_row for r in g.ranks]))
    reach = [reach_of(r, g.inward) for r in g.ranks]
    columns = ruling.map.place(np.linspace(stretch[0], stretch[1], 200))

    def brightness(low: float, high: float) -> Array:
        rows = band.rows[(along >= low) & (along <= high)]
        x = columns + rows[:, None] * (ruling.shear[0] + ruling.shear[1] * (columns - ruling.map.x0))
        y = np.clip(np.rint(np.polyval(ruling.line, x) + rows[:, None]), 0, ruling.cut.shape[0] - 1).astype(np.int64)
        x = np.clip(np.rint(x), 0, ruling.cut.shape[1] - 1).astype(np.int64)
        return np.asarray(ruling.cut[y, x].astype(np.float64))

    band_rows = brightness(start - 2.5 * g.px_per_mm, start - 0.7 * g.px_per_mm)
    face_rows = brightness(reach[1], reach[0])
    if not band_rows.size or not face_rows.size:
        return False
    # The face between marks, and how much darker the band is in ten stretches of the ruler.
    sign = -1.0 if g.phase else 1.0
    face = np.median(face_rows.reshape(len(face_rows), 10, -1), axis=(0, 2))
    darker = sign * (np.median(band_rows.reshape(len(band_rows), 10, -1), axis=(0, 2)) - face)
    contrast = g.ranks[0].contrast
    return bool(np.percentile(darker, 20) > 0.1 * contrast and np.percentile(darker, 80) < 3.0 * contrast)


def _marks(band: Unrolled, g: Graduation, every: float, offset: float, rows: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Periods and contrast of single marks: those ``offset`` + k ``every`` long periods after a longest one."""
    step = every * g.periods
    start = g.origin + g.phase + offset * g.periods
    k = np.arange(math.ceil((band.periods[0] - start) / step), math.floor((band.periods[-1] - start) / step) + 1)
    at = start + k * step
    index = np.rint((at - band.periods[0]) * band.per_period).astype(np.int64)
    wide = max(1, round(0.8 * band.per_period / band.px_per_period))
    inside = (index >= wide) & (index < band.fine.shape[1] - wide)
    index, at = index[inside], at[inside]
    if not rows.any() or not len(index):
        return np.empty(0), np.empty(0)
    mean = band.fine[rows].mean(axis=0)
    sign = -1.0 if g.phase else 1.0
    value = sign * np.stack([mean[index + d] for d in range(-wide, wide + 1)]).mean(axis=0)
    return at, np.asarray(value, np.float64)


def seen_stretch(band: Unrolled, g: Graduation) -> tuple[float, float]:
    """First and last period between which marks are really seen (a strip is followed a little beyond its ends)."""
    root = [r for r in g.ranks if r is not None][-1]
    rows = (band.rows >= root.first_row) & (band.rows <= root.last_row)
    every = {("mm", 0): 1.0, ("mm", 1): 0.5, ("mm", 2): 0.1, ("mm", 3): 0.05}.get(
        (g.system, len(g.ranks) - 1), 0.5 ** (len(g.ranks) - 1)
    )
    at, value = _marks(band, g, every, 0.0, rows)
    if len(value) < 8:
        return float(band.periods[0]), float(band.periods[-1])
    padded = np.pad(value, 3, mode="edge")
    smooth = np.percentile(np.stack([padded[i : i + len(value)] for i in range(7)]), 40, axis=0)
    # Marks out of focus at one end are pale, but darker than anything beyond the ends.
    there = np.flatnonzero(smooth > 0.18 * np.percentile(smooth, 70))
    if not len(there):
        return float(band.periods[0]), float(band.periods[-1])
    slack = 0.3 * every * g.periods
    return float(at[there[0]] - slack), float(at[there[-1]] + slack)


def _mark_contrasts(
    band: Unrolled, g: Graduation, stretch: tuple[float, float], offset: float, low: float, high: float
) -> Array:
    """Contrast of each single mark ``offset`` long periods after a longest one, over rows low..high (inward)."""
    along = band.rows * g.inward
    at, value = _marks(band, g, 1.0, offset, (along > low) & (along <= high))
    return value[(at >= stretch[0]) & (at <= stretch[1])]


def _stands_alone(band: Unrolled, g: Graduation, stretch: tuple[float, float], settings: GraduationSettings) -> bool:
    """Beyond the second rank's end nearly every longest mark is there and nearly no second one.

    Figures printed over the marks would show some of both.
    """
    end = [reach_of(r, g.inward) for r in g.ranks[:2]]
    row_px = float(band.rows[1] - band.rows[0])
    margin = max(1.0, row_px / 2)
    high = min(end[0] - margin, end[1] + 0.6 * (end[0] - end[1]))
    low = min(end[1] + margin, high - row_px)
    first = _mark_contrasts(band, g, stretch, 0.0, low, high)
    second = _mark_contrasts(band, g, stretch, 0.5, low, high)
    if len(first) < settings.min_longest or len(second) < settings.min_longest - 1:
        return False
    # Most of the first are darker than most of the second: figures of the other edge may hide a few.
    darker = float((first[:, None] > second[None, :]).mean())
    return bool(np.median(second) < 0.35 * np.median(first)) and darker > 0.7


def _alternate(band: Unrolled, g: Graduation, stretch: tuple[float, float]) -> bool:
    """Whether every other longest mark is longer than its neighbours: then the period is twice as long."""
    reach = [reach_of(r, g.inward) for r in g.ranks[:2]]
    row_px = float(band.rows[1] - band.rows[0])
    whole = _mark_contrasts(band, g, stretch, 0.0, reach[1] - 4 * row_px, reach[1])
    if len(whole) < 4:
        return False
    level = float(np.median(whole))
    hits = 0
    for low in np.arange(reach[1], reach[0] + 3 * row_px, row_px):
        v = _mark_contrasts(band, g, stretch, 0.0, low, low + row_px)
        if len(v) < 4:
            continue
        a, b = float(np.mean(v[::2])), float(np.mean(v[1::2]))
        if max(a, b) > 0.7 * level and min(a, b) < 0.3 * level:
            hits += 1
    return hits * row_px >= 2.0
