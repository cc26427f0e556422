"""One family of straight strands: which hole is joined to which, from the centre outwards.

A family is a set of chords of the ring that do not cross: each further out than the one before, as a
weaver lays them. The choice between holes is a least-cost path over all such sequences, so no order of
trying and no seat shape is favoured; the price of a strand is how far it leans from the family's direction,
how unequal its distance to the one before is, and which holes are left out.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Chord = tuple[int, int]
"""Ring positions of the two ends: front then back, or left then right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StraightSettings:
    """Prices of a layout of straight strands; lengths count in the family's spacing.

    All are common sense made numbers (no source); the layouts they give were looked at on the sample
    set, 2026-11. The square, Perry's panel and every seat with as many holes front as back come out the same
    whatever they are.

    Attributes
    ----------
    lean_deg : float
        A lean that costs as much as a strand one spacing out of place; 4 to 10.
    most_lean_deg : float
        More is never laid; 15 to 25.
    skip_cost : float
        A hole between the corners of the family's own two sides left out; 1.5 to 10.
    share_cost : float
        A hole of another side used, which then holds two families; 0.02 to 0.2.
    corner_cost : float
        A chosen corner of a round or oval seat used, where without it the gap would be over about one and
        a half; 0.05 to 0.3. Corner holes of cornered seats are never used (Perry).
    bow_frac : float
        A hole of the front or back takes a horizontal only when it lies this far beyond a corner; 0.25 to 0.6.
    least_length : float
        No strand is shorter than this; 1.2 to 2.
    crowd_cost : float
        Weight of a last strand that lies nearer than one spacing to the rim; 1 to 3.
    """

    lean_deg: float = 6.0
    most_lean_deg: float = 20.0
    skip_cost: float = 2.0
    share_cost: float = 0.05
    corner_cost: float = 0.1
    bow_frac: float = 0.35
    least_length: float = 1.5
    crowd_cost: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Field:
    """Where a family is laid.

    ``along`` and ``out`` are (n,) coordinates of all holes, along the strands and across them;
    ``own`` marks the holes of the family's two sides, ``price`` is what a strand end in a hole costs
    (infinite where the family never goes).
    """

    along: NDArray[np.float64]
    out: NDArray[np.float64]
    own: NDArray[np.bool_]
    price: NDArray[np.float64]
    spacing: float


def _end_cost(gap: float, crowd_cost: float) -> float:
    return (gap - 1) ** 2 if gap > 1 else crowd_cost * (1 - gap) ** 2


def outward(
    field: Field, seq: Sequence[int], start: Chord | None, settings: StraightSettings
) -> tuple[float, list[Chord]]:
    """Lay strands on one side of the centre, outwards (towards greater ``out``).

    Parameters
    ----------
    seq : ring positions in order from the first low end beyond the centre to the first high end.
    start : the centre strand, or None when the centre line runs between two strands that mirror each other
        across ``out`` = 0.

    Returns
    -------
    cost, chords : float, list
        Chords from the centre outwards; empty when none fits.
    """
    s = field.spacing
    ring = np.asarray(seq, int)
    m = len(ring)
    along, out = field.along[ring] / s, field.out[ring] / s
    own, end_price = field.own[ring], field.price[ring]
    n_own = np.concatenate([[0], np.cumsum(own)])  # n_own[k]: own holes among the first k of seq
    a, b = np.triu_indices(m, 2)
    rise, lean = along[b] - along[a], out[b] - out[a]
    angle = np.degrees(np.arctan2(lean, rise))
    ok = np.isfinite(end_price[a] + end_price[b]) & (rise >= settings.least_length)
    ok &= np.abs(angle) <= settings.most_lean_deg
    a, b, rise, lean, angle = a[ok], b[ok], rise[ok], lean[ok], angle[ok]
    order = np.lexsort((-b, a))
    a, b, rise, lean, angle = a[order], b[order], rise[order], lean[order], angle[order]
    price = lean**2 + (angle / settings.lean_deg) ** 2
    price = price + end_price[a] + end_price[b]
    slope, middle = lean / rise, (out[a] + out[b]) / 2

    if start is None:
        gap = 2 * middle
    else:
        o0, o1 = field.out[start[0]] / s, field.out[start[1]] / s
        l0, l1 = field.along[start[0]] / s, field.along[start[1]] / s
        gap = middle - (o0 + (o1 - o0) / (l1 - l0) * ((along[a] + along[b]) / 2 - l0))
    skipped = n_own[a] + n_own[m] - n_own[b + 1]
    best = price + (gap - 1) ** 2 + settings.skip_cost * skipped
    best[gap < 0.2] = np.inf
    came = np.full(len(a), -1)
    for t in range(len(a)):
        before = np.flatnonzero((a[:t] < a[t]) & (b[:t] > b[t]))
        if not len(before):
            continue
        reach = (along[a[t]] + along[b[t]]) / 2 - along[a[before]]
        gap_t = middle[t] - (out[a[before]] + slope[before] * reach)
        skip = (n_own[a[t]] - n_own[a[before] + 1]) + (n_own[b[before]] - n_own[b[t] + 1])
        cost = best[before] + price[t] + (gap_t - 1) ** 2 + settings.skip_cost * skip
        cost[gap_t < 0.2] = np.inf
        k = int(cost.argmin())
        if cost[k] < best[t] - 1e-12:
            best[t], came[t] = cost[k], before[k]
    tip = out.max() if m else 0.0
    last = -1
    edge = 0.0 if start is None else (field.out[start[0]] + field.out[start[1]]) / 2 / s
    total = settings.skip_cost * float(n_own[m]) + _end_cost(float(tip - edge), settings.crowd_cost)
    for t in range(len(a)):
        if np.isfinite(best[t]):
            inside = float(n_own[b[t]] - n_own[a[t] + 1])
            rest = float(out[a[t] : b[t] + 1].max() - middle[t])
            cost_t = best[t] + settings.skip_cost * inside + _end_cost(rest, settings.crowd_cost)
            if cost_t < total - 1e-12:
                total, last = float(cost_t), t
    chords: list[Chord] = []
    while last >= 0:
        chords.append((int(ring[a[last]]), int(ring[b[last]])))
        last = int(came[last])
    return total, chords[::-1]


def across(
    field: Field, seq: Sequence[int], facing: Sequence[int], settings: StraightSettings
) -> tuple[float, list[Chord]]:
    """Lay strands from each hole to the one that faces it across the centre line, front to back.

    Parameters
    ----------
    seq : ring positions of the right half in order of growing ``out``, the holes on the centre line included.
    facing : the ring position facing each; ``along`` must be 0 on the centre line.
    """
    s = field.spacing
    ring = np.asarray(seq, int)
    out, half = field.out[ring] / s, field.along[ring] / s
    own = field.own[ring]
    n_own = np.concatenate([[0], np.cumsum(own)])
    m = len(ring)
    share = 2 * field.price[ring]
    ok = np.isfinite(share) & (2 * half >= settings.least_length)
    best, came = np.full(m, np.inf), np.full(m, -1)
    low, high = float(out.min()), float(out.max())
    for t in np.flatnonzero(ok):
        best[t] = _end_cost(float(out[t] - low), settings.crowd_cost) + share[t] + settings.skip_cost * float(n_own[t])
        for k in np.flatnonzero(ok[:t]):
            gap = float(out[t] - out[k])
            if gap < 0.2:
                continue
            cost = best[k] + (gap - 1) ** 2 + share[t] + settings.skip_cost * float(n_own[t] - n_own[k + 1])
            if cost < best[t] - 1e-12:
                best[t], came[t] = cost, k
    ends = [
        best[t]
        + _end_cost(float(high - out[t]), settings.crowd_cost)
        + settings.skip_cost * float(n_own[m] - n_own[t + 1])
        for t in range(m)
    ]
    if not ends or not math.isfinite(min(ends)):
        return math.inf, []
    last = int(np.argmin(ends))
    total = float(ends[last])
    chords: list[Chord] = []
    while last >= 0:
        chords.append((facing[last], int(ring[last])))
        last = int(came[last])
    return total, chords[::-1]


def gaps(chords: Sequence[Chord], along: NDArray[np.float64], out: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance from each strand to the next, taken at the middle of the shorter of the two."""
    found = []
    for p, q in pairwise(chords):
        long, short = (p, q) if along[p[1]] - along[p[0]] >= along[q[1]] - along[q[0]] else (q, p)
        at = (along[short[0]] + along[short[1]]) / 2
        slope = (out[long[1]] - out[long[0]]) / (along[long[1]] - along[long[0]])
        found.append(abs((out[short[0]] + out[short[1]]) / 2 - (out[long[0]] + slope * (at - along[long[0]]))))
    return np.array(found)
