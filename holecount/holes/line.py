"""The hole line: which marks make up the row of holes round the seat, and where slots stay empty.

The row is the strongest evidence there is: holes follow one another at a regular step along a
smooth line with a few corners, and the line closes round the opening. The best closed line through the marks is
found as a whole (a cheapest path in which the cost of a link depends on the one before it), so that
one odd mark neither ends it nor lures it away.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LineSettings:
    """How regular a row of holes is.

    Prices are in the units of the evidence (a clear hole earns about 3). What names no source was settled on the
    sample set and on drawn seats, 2026-11: wide enough for every true line, narrow enough to part it from texture.

    step_mm : range of steps between holes; charts run from 3/8 in (9.5 mm) to 7/8 in (22 mm), here wider.
    step_spread : relative standard deviation of a step (measured on the sample set, 2026-11: 0-7 %).
    least_step, greatest_step : a step outside these shares of the usual one is no step.
    turn_deg : standard deviation of the change of direction from step to step.
    corner_deg : greatest turn at a corner; corner_price : what one costs.
    inward_deg : greatest turn against the sense of the line (an uneven row, never a corner).
    skip_price : for each slot passed over where nothing is known to cover it; covered_price where something is.
    n_skips : most slots passed over in one go.
    """

    step_mm: tuple[float, float] = (7.5, 27.0)
    step_spread: float = 0.09
    least_step: float = 0.68
    greatest_step: float = 1.36
    turn_deg: float = 9.0
    corner_deg: float = 118.0
    corner_price: float = 4.0
    inward_deg: float = 24.0
    skip_price: float = 2.2
    covered_price: float = 0.15
    n_skips: int = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class HoleLine:
    """A row of holes in order (anticlockwise seen from above when closed).

    Attributes
    ----------
    index : int array, shape (n,)
        Into the candidates; -1 for a slot in which nothing was found.
    xy_mm : float array, shape (n, 2)
        Where each is, or should be.
    closed : bool
    step_mm : float
        The usual step.
    gain : float
        Evidence less prices, for comparing lines.
    """

    index: NDArray[np.int64]
    xy_mm: Array
    closed: bool
    step_mm: float
    gain: float


def step_votes(xy_mm: Array, weight: Array, settings: LineSettings | None = None) -> tuple[Array, Array, Array, Array]:
    """Votes for steps: every mark with two opposite neighbours about equally far away votes for that distance.

    Returns
    -------
    grid, votes : float arrays, shape (g,)
        Steps in mm and the smoothed votes for each.
    step, vote : float arrays, shape (v,)
        The single votes.
    """
    s = settings or LineSettings()
    grid = np.geomspace(*s.step_mm, 160)
    nothing = np.zeros(0)
    if len(xy_mm) < 3:
        return grid, np.zeros_like(grid), nothing, nothing
    delta = xy_mm[None] - xy_mm[:, None]
    dist = np.hypot(delta[..., 0], delta[..., 1])
    i, j = np.nonzero((dist >= s.step_mm[0]) & (dist <= s.step_mm[1]))
    if len(i) == 0:
        return grid, np.zeros_like(grid), nothing, nothing
    # mark i, neighbour j, and a mark k near the mirror image of j about i
    mirror = 2 * xy_mm[i] - xy_mm[j]
    off = np.hypot(mirror[:, None, 0] - xy_mm[None, :, 0], mirror[:, None, 1] - xy_mm[None, :, 1])
    k = off.argmin(axis=1)
    ok = off[np.arange(len(i)), k] < 0.25 * dist[i, j]
    step = (dist[i, j][ok] + dist[i, k][ok]) / 2
    vote = np.minimum(np.minimum(weight[i[ok]], weight[j[ok]]), weight[k[ok]])
    votes = (vote[None] * np.exp(-0.5 * ((step[None] / grid[:, None] - 1) / 0.04) ** 2)).sum(axis=1)
    return grid, votes, step, vote


def likely_steps_mm(xy_mm: Array, weight: Array, settings: LineSettings | None = None) -> list[float]:
    """Steps that marks share with opposite neighbours equally far away, most likely first.

    A row also votes, more weakly, for twice its step; and an uneven row votes less for its true step
    than for twice it. Every step with a fair share of the votes is returned, to be tried.
    """
    grid, votes, step, vote = step_votes(xy_mm, weight, settings)
    if len(step) == 0:
        return []
    peak = (votes >= np.roll(votes, 1)) & (votes >= np.roll(votes, -1)) & (votes > 0.25 * votes.max())
    ranked = sorted(np.nonzero(peak)[0], key=lambda q: -votes[q])[:4]
    out = []
    for q in ranked:
        near = np.abs(step / grid[q] - 1) < 0.1
        out.append(float(np.average(step[near], weights=vote[near] + 1e-9)))
    return out


@dataclass(frozen=True, slots=True)
class _Links:
    """Possible steps from mark to mark, grouped by their start."""

    tail: NDArray[np.int64]
    head: NDArray[np.int64]
    n_steps: NDArray[np.int64]
    cost: Array
    direction: Array


def _links(xy: Array, step: float, covered: Array, s: LineSettings) -> _Links:
    delta = xy[None] - xy[:, None]
    dist = np.hypot(delta[..., 0], delta[..., 1])
    tail, head = np.nonzero((dist > s.least_step * step) & (dist < (s.n_skips + 1.3) * step))
    d = dist[tail, head] / step
    n_steps = np.maximum(1, np.rint(d)).astype(int)
    per = d / n_steps
    single = (n_steps == 1) & (d <= s.greatest_step)
    several = (n_steps > 1) & (np.abs(d - n_steps) < 0.3 * np.minimum(np.sqrt(n_steps), 1.6))
    keep = single | several
    tail, head, n_steps, per = tail[keep], head[keep], n_steps[keep], per[keep]
    uneven = 0.5 * ((per - 1) * np.sqrt(n_steps) / s.step_spread) ** 2
    cover = covered_share(xy[tail], xy[head], covered)
    skip = (n_steps - 1) * (s.skip_price * (1 - cover) + s.covered_price * cover)
    cost = np.minimum(uneven, 6.0) + skip
    v = xy[head] - xy[tail]
    return _Links(tail, head, n_steps, cost, np.arctan2(v[:, 1], v[:, 0]))


def covered_share(start: Array, end: Array, polygons: Array) -> Array:
    """Share (m,) of five places between start and end (m, 2) that lie inside any of the convex polygons.

    ``polygons`` has shape (k, 4, 2), in mm, corners in order.
    """
    m = len(start)
    if len(polygons) == 0 or m == 0:
        return np.zeros(m)
    t = np.linspace(0, 1, 7)[1:-1]
    p = start[:, None] + t[None, :, None] * (end - start)[:, None]
    return np.asarray(inside_any(p.reshape(-1, 2), polygons).reshape(m, -1).mean(axis=1), float)


def inside_any(points: Array, polygons: Array, margin_mm: float = 0.0) -> NDArray[np.bool_]:
    """Which points (n, 2) lie inside any convex polygon (k, 4, 2), grown by ``margin_mm``."""
    hit = np.zeros(len(points), bool)
    for poly in polygons:
        edge = np.roll(poly, -1, axis=0) - poly
        rel = points[:, None] - poly[None]
        side = (edge[None, :, 0] * rel[..., 1] - edge[None, :, 1] * rel[..., 0]) / np.hypot(edge[:, 0], edge[:, 1])
        hit |= (side >= -margin_mm).all(axis=1) | (side <= margin_mm).all(axis=1)
    return hit


def _turn_cost(turn: Array, s: LineSettings) -> Array:
    """Price of turns in radians, positive in the sense of the line."""
    deg = np.degrees(turn)
    smooth = 0.5 * (deg / s.turn_deg) ** 2
    cost = np.minimum(smooth, s.corner_price)
    cost = np.where(deg < -s.inward_deg, np.inf, cost)
    return np.asarray(np.where(deg > s.corner_deg, np.inf, cost))


def _wrap(a: Array) -> Array:
    return np.asarray((a + np.pi) % (2 * np.pi) - np.pi)


def trace_ring(
    xy_mm: Array,
    weight: Array,
    step_mm: float,
    *,
    covered: Array | None = None,
    settings: LineSettings | None = None,
) -> HoleLine | None:
    """The best closed line round the seat; None when the marks do not close.

    Parameters
    ----------
    xy_mm : (n, 2) marks; weight : (n,) what each earns.
    covered : (k, 4, 2) outlines in mm of things known to lie on the frame; slots under them cost little.
    """
    s = settings or LineSettings()
    outlines = np.zeros((0, 4, 2)) if covered is None else covered
    best: HoleLine | None = None
    centre = _ring_centre(xy_mm, weight, step_mm)
    for _ in range(3):
        line = _trace_round(xy_mm, weight, step_mm, outlines, centre, s)
        if line is None or (best is not None and line.gain <= best.gain + 1e-9):
            break
        best = line
        on = line.xy_mm
        moved = (on.max(axis=0) + on.min(axis=0)) / 2
        gaps = np.hypot(*np.diff(on, axis=0).T)
        new_step = float(np.median(gaps))
        if np.hypot(*(moved - centre)) < step_mm and abs(new_step / step_mm - 1) < 0.01:
            break
        centre, step_mm = moved, new_step
    return best


def _ring_centre(xy: Array, weight: Array, step: float) -> Array:
    """Middle of the marks that have neighbours at about one step on opposite sides."""
    delta = xy[None] - xy[:, None]
    dist = np.hypot(delta[..., 0], delta[..., 1])
    near = np.abs(dist / step - 1) < 0.2
    i, j = np.nonzero(near)
    paired = np.zeros(len(xy), bool)
    for a in range(len(xy)):
        v = delta[a, j[i == a]]
        if len(v) > 1:
            cosines = (v @ v.T) / np.outer(np.hypot(*v.T), np.hypot(*v.T))
            paired[a] = bool((cosines < -0.9).any())
    good = xy[paired & (weight >= np.median(weight[paired]) * 0.5)] if paired.any() else xy
    lo, hi = np.quantile(good, [0.03, 0.97], axis=0)
    return np.asarray((lo + hi) / 2)


def _trace_round(
    xy: Array, weight: Array, step: float, covered: Array, centre: Array, s: LineSettings
) -> HoleLine | None:
    rel = xy - centre
    angle = np.arctan2(rel[:, 1], rel[:, 0])
    links = _links(xy, step, covered, s)
    ahead = _wrap(angle[links.head] - angle[links.tail])
    keep = (ahead > 0) & (ahead < np.radians(100))
    tail, head = links.tail[keep], links.head[keep]
    cost, direction, n_steps = links.cost[keep], links.direction[keep], links.n_steps[keep]
    if len(tail) == 0:
        return None
    # Start where the row is plainest: a link of one step whose ends earn most and which continues straight.
    start_score = np.where(n_steps == 1, weight[tail] + weight[head] - cost, -np.inf)
    for first in _plain_starts(start_score, tail, head, direction):
        line = _best_loop(first, xy, angle, weight, tail, head, cost, direction, n_steps, step, s)
        if line is not None:
            return replace(line, step_mm=step)
    return None


def _plain_starts(score: Array, tail: Array, head: Array, direction: Array, n: int = 4) -> list[int]:
    """A few links that most surely belong to the row, away from one another."""
    best = np.full(len(score), -np.inf)
    order = np.argsort(-score)[:400]
    by_tail: dict[int, list[tuple[float, float]]] = {}
    plain = list(zip(order.tolist(), tail[order].tolist(), head[order].tolist(), strict=True))
    for e, from_mark, _ in plain:
        by_tail.setdefault(from_mark, []).append((float(score[e]), float(direction[e])))
    for e, _, to_mark in plain:
        way = float(direction[e])
        bend = [
            value - 20 * abs(math.remainder(further - way, 2 * math.pi)) for value, further in by_tail.get(to_mark, [])
        ]
        if bend:
            best[e] = score[e] + max(bend)
    ranked = np.argsort(-best)[: int(np.isfinite(best).sum())].tolist()
    out: list[int] = []
    used: set[int] = set()
    for e in ranked:
        if int(tail[e]) not in used and int(head[e]) not in used:
            out.append(e)
            used.update((int(tail[e]), int(head[e])))
        if len(out) == n:
            break
    return out


def _best_loop(
    first: int,
    xy: Array,
    angle: Array,
    weight: Array,
    tail: NDArray[np.int64],
    head: NDArray[np.int64],
    cost: Array,
    direction: Array,
    n_steps: NDArray[np.int64],
    step: float,
    s: LineSettings,
) -> HoleLine | None:
    """Best loop that begins with link ``first``: dynamic programming over links in order of angle."""
    t0, h0 = int(tail[first]), int(head[first])
    turned = np.mod(angle - angle[h0], 2 * np.pi)
    end = turned[t0]
    # Links must run forward within one turn from h0 to t0.
    ok = (turned[tail] < turned[head]) & (turned[head] <= end)
    use = np.nonzero(ok)[0]
    value = np.full(len(tail), -np.inf)
    came = np.full(len(tail), -1, int)
    out_of: dict[int, NDArray[np.int64]] = {}
    into: dict[int, NDArray[np.int64]] = {}
    order_tail = use[np.argsort(tail[use], kind="stable")]
    for node, chunk in _groups(tail[order_tail], order_tail):
        out_of[node] = chunk
    order_head = use[np.argsort(head[use], kind="stable")]
    for node, chunk in _groups(head[order_head], order_head):
        into[node] = chunk
    gain = weight[head] - cost
    outs = out_of.get(h0)
    if outs is None:
        return None
    turn = _turn_cost(_wrap(direction[outs] - direction[first]), s)
    value[outs] = weight[h0] - cost[first] + gain[outs] - turn
    came[outs] = first
    for node in np.argsort(turned, kind="stable"):
        node = int(node)
        if node == h0 or turned[node] >= end:
            continue
        ins, outs = into.get(node), out_of.get(node)
        if ins is None or outs is None:
            continue
        live = ins[np.isfinite(value[ins])]
        if len(live) == 0:
            continue
        total = value[live][:, None] - _turn_cost(_wrap(direction[outs][None] - direction[live][:, None]), s)
        pick = total.argmax(axis=0)
        value[outs] = total[pick, np.arange(len(outs))] + gain[outs]
        came[outs] = live[pick]
    ins = into.get(t0)
    if ins is None:
        return None
    final = value[ins] - _turn_cost(_wrap(direction[first] - direction[ins]), s)
    if not np.isfinite(final).any():
        return None
    e = int(ins[int(final.argmax())])
    chain = []
    while e != first:
        chain.append(e)
        e = int(came[e])
    chain.append(first)
    chain.reverse()
    index: list[int] = []
    points: list[Array] = []
    for e in chain:
        a, _b, k = int(tail[e]), int(head[e]), int(n_steps[e])
        index.append(a)
        points.append(xy[a])
        for _q in range(1, k):
            index.append(-1)
            points.append(np.array([np.nan, np.nan]))
    filled, source = fill_slots(np.array(points), step)
    found = np.array(index)
    return HoleLine(
        index=np.where(source >= 0, found[source], -1),
        xy_mm=filled,
        closed=True,
        step_mm=0.0,
        gain=float(final.max()),
    )


def fill_slots(xy_mm: Array, step_mm: float) -> tuple[Array, NDArray[np.int64]]:
    """Set the empty slots (NaN) of a closed line (n, 2) where the line's own bend puts them.

    Across a gap the line runs on as a cubic with its direction at both ends; where those directions
    differ by more than half a right angle the gap hides a corner, and the line runs straight to where they meet.
    There the number of slots follows from the way round, which is longer than the straight way across.

    Returns
    -------
    places : float array, shape (m, 2)
    source : int array, shape (m,)
        Index into ``xy_mm`` of each place that was given, -1 for one filled in.
    """
    n = len(xy_mm)
    seen = np.nonzero(np.isfinite(xy_mm[:, 0]))[0]
    places: list[Array] = []
    source: list[int] = []
    for at, i in enumerate(seen):
        j = int(seen[(at + 1) % len(seen)])
        k = (j - int(i)) % n or n
        places.append(xy_mm[i])
        source.append(int(i))
        if k <= 1 or len(seen) < 4:
            continue
        start, end = xy_mm[i], xy_mm[j]
        before = _direction(start - xy_mm[seen[at - 2]])
        after = _direction(xy_mm[seen[(at + 3) % len(seen)]] - end)
        filled = _corner_gap(start, end, before, after, step_mm)
        if filled is None:
            filled = _smooth_gap(start, end, before, after, k)
        places.extend(filled)
        source.extend([-1] * len(filled))
    return np.array(places), np.array(source, np.int64)


def _direction(v: Array) -> Array:
    return np.asarray(v / max(float(np.hypot(*v)), 1e-9))


def _corner_gap(start: Array, end: Array, before: Array, after: Array, step: float) -> list[Array] | None:
    """Slots along two straight lines that meet between start and end; None where they do not."""
    cross = before[0] * after[1] - before[1] * after[0]
    if not 45 < np.degrees(np.arctan2(cross, before @ after)) < 135:
        return None
    gap = end - start
    along = (gap[0] * after[1] - gap[1] * after[0]) / cross
    back = (before[0] * gap[1] - before[1] * gap[0]) / cross
    if min(along, back) < 0.5 * step:
        return None
    corner = start + along * before
    n_first, n_second = max(1, round(along / step)), max(1, round(back / step))
    first = [start + (corner - start) * q / n_first for q in range(1, n_first + 1)]
    second = [corner + (end - corner) * q / n_second for q in range(1, n_second)]
    return first + second


def _smooth_gap(start: Array, end: Array, before: Array, after: Array, k: int) -> list[Array]:
    """``k`` - 1 slots on a cubic from start to end."""
    chord = end - start
    length = float(np.hypot(*chord))
    ends = [
        u * length if abs(float(np.degrees(np.arccos(np.clip(u @ chord / length, -1, 1))))) < 40 else chord
        for u in (before, after)
    ]
    out = []
    for q in range(1, k):
        t = q / k
        out.append(
            (2 * t**3 - 3 * t**2 + 1) * start
            + (t**3 - 2 * t**2 + t) * ends[0]
            + (3 * t**2 - 2 * t**3) * end
            + (t**3 - t**2) * ends[1]
        )
    return out


def field_marks(xy_mm: Array, steps_mm: Sequence[float]) -> NDArray[np.bool_]:
    """Marks (n,) that belong to a field of holes rather than a row: neighbours one step off on both sides and across.

    A pegboard or a punched plate in view; a seat has one row. Only when at least nine marks have
    neighbours on all four sides is there a field at all. Of several steps the one with the most such marks counts.
    """
    inner = [(_inside_field(xy_mm, step), step) for step in steps_mm]
    best, step = max(inner, key=lambda f: int(f[0].sum()), default=(np.zeros(len(xy_mm), bool), 0.0))
    if best.sum() < 9:
        return np.zeros(len(xy_mm), bool)
    away = np.hypot(*(xy_mm[:, None] - xy_mm[best][None]).transpose(2, 0, 1)).min(axis=1)
    return np.asarray(away < 2.3 * step)


def _inside_field(xy_mm: Array, step_mm: float) -> NDArray[np.bool_]:
    """Marks with two pairs of opposite neighbours one step away, square to one another."""
    delta = xy_mm[None] - xy_mm[:, None]
    dist = np.hypot(delta[..., 0], delta[..., 1])
    inside = np.zeros(len(xy_mm), bool)
    for i in range(len(xy_mm)):
        v = delta[i, (dist[i] > 0.8 * step_mm) & (dist[i] < 1.2 * step_mm)]
        if len(v) < 4:
            continue
        u = v / np.hypot(v[:, 0], v[:, 1])[:, None]
        cosine = u @ u.T
        opposite = cosine < -0.94
        square = np.abs(cosine) < 0.3
        inside[i] = bool((opposite.any(axis=1) & (square & opposite.any(axis=1)[None]).any(axis=1)).any())
    return inside


def _groups(key: NDArray[np.int64], value: NDArray[np.int64]) -> list[tuple[int, NDArray[np.int64]]]:
    """Split ``value`` where the sorted ``key`` changes."""
    if len(key) == 0:
        return []
    cuts = np.nonzero(np.diff(key))[0] + 1
    return [(int(k[0]), v) for k, v in zip(np.split(key, cuts), np.split(value, cuts), strict=True)]


def weights_of(all_rims: Array, rim: Array) -> Array:
    """What each mark earns, 0.5 to 3, from its rim evidence beside that of the picture's clear holes."""
    return np.asarray(np.clip(rim / usual_rim(all_rims), 0.0, 1.0) * 2.5 + 0.5)


def usual_rim(rim: Array) -> float:
    """Rim evidence of a usual hole of this picture: middle of the strongest forty marks, at least 0.08."""
    top = np.sort(rim)[::-1][:40]
    return float(max(0.08, np.quantile(top, 0.5))) if len(top) else 0.08
