"""Separate open rows of holes: a single rail, a test strip, or a seat that is not all in the picture."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holecount.holes.line import HoleLine

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class RowSettings:
    """How an open row is grown.

    least_holes : fewest clear marks of a row (own choice).
    clear_share : share of a row's marks that have to be clear; texture has few.
    step_rel, bend_deg : how far the next hole may be off one step and off straight on, where it follows at once
        (uneven rows and bowed rails of the sample set, 2026-11).
    bridge_steps : a row may go on after so many steps in which nothing is seen.
    bridge_rel, bridge_bend_deg : the same limits there, for the whole bridge: it has to lead straight on.
    bridge_price : what an empty slot costs against a seen hole, when rows are compared.
    n_last : holes that tell which way and how far apart the row goes on.
    step_spread : relative standard deviation of its steps from which it is no row.
    n_starts : clearest marks a row is begun from.
    """

    least_holes: int = 7
    clear_share: float = 0.6
    step_rel: float = 0.25
    bend_deg: float = 24.0
    bridge_steps: int = 4
    bridge_rel: float = 0.06
    bridge_bend_deg: float = 5.0
    bridge_price: float = 0.5
    n_last: int = 4
    step_spread: float = 0.09
    n_starts: int = 160


def trace_rows(
    xy_mm: Array, weight: Array, step_mm: float, *, start: NDArray[np.bool_] | None = None, s: RowSettings | None = None
) -> list[HoleLine]:
    """Open rows, longest first.

    Each is begun at two neighbours and grown both ways, one step at a time; where nothing is seen it may go on over
    a few empty slots if that leads straight to more.

    Parameters
    ----------
    xy_mm : (n, 2) marks; weight : (n,) what each earns.
    start : (n,) marks clear enough to begin a row; all when None.
    """
    s = s or RowSettings()
    free = np.ones(len(xy_mm), bool)
    begin = np.ones(len(xy_mm), bool) if start is None else start
    rows: list[HoleLine] = []
    while True:
        line = _longest(xy_mm, weight, free, begin, step_mm, s)
        if line is None:
            return rows
        rows.append(line)
        # Marks within half a step of the row are its own: a hole may have two.
        free &= np.hypot(*(xy_mm[:, None] - line.xy_mm[None]).transpose(2, 0, 1)).min(axis=1) > 0.5 * step_mm


def _longest(
    xy: Array, weight: Array, free: NDArray[np.bool_], begin: NDArray[np.bool_], step: float, s: RowSettings
) -> HoleLine | None:
    """The longest row among those that can be one."""
    best: HoleLine | None = None
    worth = 0.0
    in_best: set[tuple[int, int]] = set()
    for a in np.nonzero(free & begin)[0][: s.n_starts]:
        away = np.hypot(*(xy - xy[a]).T)
        for b in np.nonzero(free & begin & (np.abs(away / step - 1) < s.step_rel))[0]:
            if b == a or (int(a), int(b)) in in_best:
                continue
            row = _grown(xy, free, int(a), int(b), step, s)
            value = len(row) - s.bridge_price * sum(n - 1 for _, n in row)
            line = _as_line(row, xy, weight, begin, s) if value > worth else None
            if line is not None:
                best, worth = line, value
                pairs = list(zip([k for k, _ in row], [k for k, _ in row[1:]], strict=False))
                in_best = {*pairs, *((q, p) for p, q in pairs)}
    return best


def _grown(xy: Array, free: NDArray[np.bool_], a: int, b: int, step: float, s: RowSettings) -> list[tuple[int, int]]:
    """The row through marks a and b, grown both ways."""
    marks, steps = [a, b], [1]
    for _ in range(2):
        while True:
            onward = _onward(xy, free, marks, steps, step, s)
            if onward is None:
                break
            marks.append(onward[0])
            steps.append(onward[1])
        marks.reverse()
        steps.reverse()
    return list(zip(marks, [1, *steps], strict=True))


def _onward(
    xy: Array, free: NDArray[np.bool_], marks: list[int], steps: list[int], step: float, s: RowSettings
) -> tuple[int, int] | None:
    """The mark the row goes on to and how many steps on it is; None where it ends."""
    last = xy[marks[-1]]
    some = min(s.n_last, len(steps))
    run = last - xy[marks[-1 - some]]
    long = float(np.hypot(*run))
    if long <= 0:
        return None
    ahead = run / long
    usual = long / sum(steps[-some:]) if some > 1 else step
    rel = xy - last
    along, aside = rel @ ahead, np.abs(rel @ np.array([-ahead[1], ahead[0]]))
    ok = free & (along > 0)
    ok[marks] = False
    if not ok.any():
        return None
    bend = np.degrees(np.arctan2(aside, np.maximum(along, 1e-9)))
    dist = np.hypot(along, aside)
    near = ok & (np.abs(dist / usual - 1) < s.step_rel) & (np.abs(dist / step - 1) < s.step_rel) & (bend < s.bend_deg)
    if near.any():
        cost = np.where(near, np.radians(bend) + np.abs(dist / usual - 1), np.inf)
        return int(cost.argmin()), 1
    if len(marks) < 3:
        return None
    for n in range(2, s.bridge_steps + 2):
        far = ok & (np.abs(dist / (n * usual) - 1) < s.bridge_rel) & (bend < s.bridge_bend_deg)
        if far.any():
            cost = np.where(far, np.radians(bend) + np.abs(dist / (n * usual) - 1), np.inf)
            return int(cost.argmin()), n
    return None


def _as_line(
    row: list[tuple[int, int]], xy: Array, weight: Array, begin: NDArray[np.bool_], s: RowSettings
) -> HoleLine | None:
    """The row with its empty slots; None when it is too short, too uneven or has too few clear marks."""
    marks = [k for k, _ in row]
    clear = int(begin[marks].sum())
    if clear < max(s.least_holes, s.clear_share * len(marks)):
        return None
    steps = np.array([n for _, n in row[1:]])
    gaps = np.hypot(*np.diff(xy[marks], axis=0).T) / steps
    if gaps.std() > s.step_spread * gaps.mean() or steps.sum() - len(steps) >= len(row):
        return None
    index, places = [marks[0]], [xy[marks[0]]]
    for before, (k, n) in zip(marks, row[1:], strict=False):
        for j in range(1, n):
            index.append(-1)
            places.append(xy[before] + (xy[k] - xy[before]) * j / n)
        index.append(k)
        places.append(xy[k])
    return HoleLine(
        index=np.array(index),
        xy_mm=np.array(places),
        closed=False,
        step_mm=float(gaps.mean()),
        gain=float(weight[marks].sum()),
    )
