"""How far the strokes of each rank reach, and whether they do so as those of a ruler: the longer, the rarer."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rank:
    """Strokes of one rank: rows below the band's line between which they are seen, and how dark they are."""

    first_row: float
    last_row: float
    contrast: float


def run_of_rows(seen: NDArray[np.bool_], start: int, gap: int) -> tuple[int, int]:
    """First and last row of the run of seen rows round ``start``, bridging gaps."""
    near = np.flatnonzero(seen[max(0, start - 8) : start + 9])
    if not len(near):
        return start, start - 1
    start = max(0, start - 8) + int(near[np.argmin(np.abs(near - min(8, start)))])
    ends = []
    for sign in (-1, 1):
        last = k = start
        while 0 <= k + sign < len(seen) and abs(k + sign - last) <= gap:
            k += sign
            if seen[k]:
                last = k
        ends.append(last)
    return ends[0], ends[1]


def ranks_of(
    contrast: Array, rows: Array, core: tuple[int, int], wide: tuple[int, int], spacing_px: float
) -> tuple[list[Rank | None], int]:
    """Extent of each rank (None when it is not seen) and the side to which long strokes reach.

    Rows ``core`` surely belong to the band, rows ``wide`` may; long strokes may reach beyond them.
    Millimetre strokes ``spacing_px`` apart are pale when that is hardly more than the blur.
    """
    smooth = np.stack([np.convolve(c, np.ones(3) / 3, mode="same") for c in contrast.T])
    first, last = core
    level = smooth[:, first : last + 1].max(axis=1)
    # Figures may be darker than strokes, but not by the second rank's.
    whole = float(level[:2].min()) if level[:2].min() > 0.3 * level.max() else float(level.max())
    seen = level > 0.3 * whole
    if spacing_px < 3.5 and len(seen) > 2 and seen[0] and seen[1] and not seen[2:].any():
        first, last = wide
        level = smooth[:, first : last + 1].max(axis=1)
        away = np.ones(len(rows), bool)
        away[max(0, first - 3) : last + 4] = False
        chance = float(np.percentile(smooth[2, away], 90)) if away.sum() >= 8 else 0.0
        seen[2] = level[2] > max(0.1 * whole, 2.0 * chance)
    extents: list[Rank | None] = []
    # Every stroke starts at the edge, so where the finest rank seen is dark all of them are.
    finest = int(np.flatnonzero(seen)[-1]) if seen.any() else 0
    root = first + int(np.argmax(smooth[finest, first : last + 1]))
    for c, top, there in zip(smooth, level, seen, strict=True):
        present = c > 0.45 * min(float(c[root]), float(top))
        if not there or c[root] < 0.1 * top:
            extents.append(None)
            continue
        a, b = run_of_rows(present, root, 3)
        extents.append(Rank(first_row=float(rows[a]), last_row=float(rows[b]), contrast=float(np.median(c[a : b + 1]))))
    found = [r for r in extents if r is not None]
    if not found:
        return extents, 1
    start_spread = max(r.first_row for r in found) - min(r.first_row for r in found)
    end_spread = max(r.last_row for r in found) - min(r.last_row for r in found)
    return extents, 1 if end_spread >= start_spread else -1


def reach_of(rank: Rank, inward: int) -> float:
    """Where its strokes end, in rows towards the middle of the ruler (``inward`` +1 or -1)."""
    return rank.last_row if inward > 0 else -rank.first_row


def falls_by_rank(
    contrast: Array, extents: list[Rank | None], inward: int, rows: Array, step: float, least_ranks: int
) -> bool:
    """Lengths fall from rank to rank, and beyond the second rank's end only the first is there."""
    present = [r is not None for r in extents]
    n = present.index(False) if False in present else len(present)
    if n < least_ranks or any(present[n:]):
        return False
    reach = [reach_of(r, inward) for r in extents[:n] if r is not None]
    if any(a < b + step for a, b in pairwise(reach[:3])):
        return False
    if any(b > a + 1.0 for a, b in pairwise(reach[2:])):
        return False
    # Steps grow towards the longest; a period taken double puts a small chance step on top.
    if n > 2 and reach[0] - reach[1] < 0.7 * (reach[1] - reach[2]) - 0.5:
        return False
    # They start at the edge together: nearly all within 2 rows, chance texture within 10 or more.
    start = [r.first_row if inward > 0 else -r.last_row for r in extents[:n] if r is not None]
    shortest = reach[-1] - start[-1] + 1
    if max(start) - min(start) > max(3.0, min(0.5 * shortest, 6.0)):
        return False
    # Figures are printed by every longest stroke: a stretch without them must show the first rank alone.
    along = rows * inward
    longest, second = extents[0], extents[1]
    if longest is None or second is None:
        return False
    only = (along > reach[1]) & (along <= reach[0] + 2)
    alone = only & (contrast[:, 1] < 0.35 * second.contrast) & (contrast[:, 0] > 0.4 * longest.contrast)
    return int(alone.sum()) >= max(1, round(step) - 1)
