"""Steps 5 and 6: the diagonals, as courses through the straight weave.

A diagonal passes beside the crossings: over one pair of straight strands, under the next, in turn. So each
stretch of a pair, from one crossing to the next or to the rail, is crossed by exactly one strand of each
series (derived). Numbering verticals i and horizontals j makes these stretches fall into courses by
i - j alone, whatever the shape of the seat; what is left to choose is the hole at either end of each course.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holecount.strands.straights import Chord


@dataclass(frozen=True, slots=True, kw_only=True)
class DiagonalSettings:
    """Prices of the end holes of the diagonals; a strand one hole off its course costs 1.

    All are common sense made numbers (no source); the rectangle comes out as printed whatever they are.

    Attributes
    ----------
    double_cost : float
        A hole that takes two strands of one series; 0.2 to 0.8.
    ring_double_cost : float
        The same on round and oval seats, where it cannot be avoided; 0.05 to 0.3.
    crowd_cost : float
        Added for a doubled hole that already holds both straight families; 0.1 to 0.4.
    triple_cost : float
        Three strands of one series in a hole; 1 to 10.
    skip_cost : float
        A hole that takes no strand of a series (cornered seats); 0.05 to 0.3.
    corner_cost : float
        Each strand short of two in a series' own corner (Perry: two, and none of the other series).
    to_own_corner_holes : float
        How far, in holes, the end of a course is drawn towards its own corner; 0.1 to 0.35. Straightness of
        the diagonals measured on the sample set, 2026-11: at 0.2 no corner loses its two strands.
    corner_depth_frac : float
        The other two corners are cut off by a strand from neighbour to neighbour when it lies at least
        this share of the pitch inside the corner hole; 0.3 to 0.5 (0.71 on a square corner, derived).
    """

    double_cost: float = 0.4
    ring_double_cost: float = 0.12
    crowd_cost: float = 0.2
    triple_cost: float = 3.0
    skip_cost: float = 0.15
    corner_cost: float = 0.8
    to_own_corner_holes: float = 0.2
    corner_depth_frac: float = 0.35


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weave:
    """The straight weave a series of diagonals is laid through.

    ``xy`` (n, 2) positions of the holes, ring anticlockwise; ``verticals`` left to right, front end
    first; ``horizontals`` front to back, left end first; ``corners`` ring positions, front left first;
    ``cornered`` whether those are real corners and not chosen ones.
    """

    xy: NDArray[np.float64]
    verticals: tuple[Chord, ...]
    horizontals: tuple[Chord, ...]
    corners: tuple[float, float, float, float]
    cornered: bool

    @property
    def n(self) -> int:
        """Number of holes."""
        return len(self.xy)

    def mirrored(self) -> "Weave":
        """The same weave seen in a mirror; hole i becomes hole -i."""
        n = self.n
        a, b, c, d = self.corners
        return Weave(
            xy=self.xy[-np.arange(n) % n] * [-1.0, 1.0],
            verticals=tuple((-p % n, -q % n) for p, q in self.verticals[::-1]),
            horizontals=tuple((-q % n, -p % n) for p, q in self.horizontals),
            corners=(-b % n, -a % n, -d % n, -c % n),
            cornered=self.cornered,
        )


def crosses(one: Chord, other: Chord, n: int) -> bool:
    """Whether two chords of a ring of ``n`` cross inside it (sharing a hole is no crossing)."""
    span = (one[1] - one[0]) % n
    inside = [0 < (k - one[0]) % n < span for k in other]
    return inside[0] != inside[1] and not set(one) & set(other)


def meeting(xy: NDArray[np.float64], one: Chord, other: Chord) -> NDArray[np.float64]:
    """Where two strands cross, (2,)."""
    p, r = xy[one[0]], xy[one[1]] - xy[one[0]]
    q, s = xy[other[0]], xy[other[1]] - xy[other[0]]
    t = ((q[0] - p[0]) * s[1] - (q[1] - p[1]) * s[0]) / (r[0] * s[1] - r[1] * s[0])
    return np.asarray(p + t * r)


def courses(weave: Weave) -> list[NDArray[np.float64]]:
    """All courses that cross at least one stretch, from the front right corner to the back left one.

    Each is (k, 2, 2): the stretches it crosses on its way up and to the right, the two ends of each, the one on
    the left of the way first.
    """
    vs, hs, n = weave.verticals, weave.horizontals, weave.n
    meets = np.array([[crosses(v, h, n) for h in hs] for v in vs], bool).reshape(len(vs), len(hs))
    found: dict[int, list[tuple[int, NDArray[np.float64]]]] = {}
    for i, v in enumerate(vs):
        js = [int(j) for j in np.flatnonzero(meets[i])]
        stops = [weave.xy[v[0]], *(meeting(weave.xy, v, hs[j]) for j in js), weave.xy[v[1]]]
        for k, j in enumerate([js[0] - 1 if js else 0, *js]):
            found.setdefault(i - j, []).append((i + j, np.array([stops[k + 1], stops[k]])))
    for j, h in enumerate(hs):
        crossed = [int(i) for i in np.flatnonzero(meets[:, j])]
        stops = [weave.xy[h[0]], *(meeting(weave.xy, vs[i], h) for i in crossed), weave.xy[h[1]]]
        for k, i in enumerate([crossed[0] - 1 if crossed else 0, *crossed]):
            found.setdefault(i - j + 1, []).append((i + j, np.array([stops[k], stops[k + 1]])))
    return [np.array([s for _, s in sorted(found[key], key=lambda t: t[0])]) for key in sorted(found, reverse=True)]


def series(weave: Weave, load: NDArray[np.int_], settings: DiagonalSettings) -> list[tuple[Chord, int]]:
    """Strands of the series that rises to the right, from the front right corner to the back left one.

    Parameters
    ----------
    load : (n,)
        Straight strands in each hole.

    Returns
    -------
    list of Chord and int
        Front or left end first, the end at the right or back second; and which of `courses` it follows (-1 for
        a strand that cuts off a corner and crosses nothing).
    """
    way = courses(weave)
    follows = list(range(len(way)))
    a, b, c, d = weave.corners
    n = weave.n
    starts, stops = [], []
    for p, q in _lines_to_rim(weave, way):
        starts.append(_towards(p, a, n, settings.to_own_corner_holes) if weave.cornered else p)
        stops.append(_towards(q, c, n, settings.to_own_corner_holes) if weave.cornered else q)
    start_at = [(b - t) % n for t in starts]
    stop_at = [(t - b) % n for t in stops]
    half_start, half_stop = (b - d) % n, (d - b) % n
    if weave.cornered and _corner_is_deep(weave, b, settings):
        start_at, stop_at, follows = [1.0, *start_at], [1.0, *stop_at], [-1, *follows]
    if weave.cornered and _corner_is_deep(weave, d, settings):
        start_at, stop_at = [*start_at, half_start - 1.0], [*stop_at, half_stop - 1.0]
        follows = [*follows, -1]
    from_holes = _settle(start_at, (b - a) % n, b, _loads(load, b, -1, half_start), weave.cornered, settings)
    to_holes = _settle(stop_at, (c - b) % n, b, _loads(load, b, 1, half_stop), weave.cornered, settings)
    chords = [(round(b - f) % n, round(b + t) % n) for f, t in zip(from_holes, to_holes, strict=True)]
    return [(c, k) for c, k in zip(chords, follows, strict=True) if 1 < (c[1] - c[0]) % n < n - 1]


def taut(
    start: NDArray[np.float64], stretches: NDArray[np.float64], stop: NDArray[np.float64], margin_frac: float
) -> NDArray[np.float64]:
    """The shortest way from hole to hole that crosses each stretch, as a taut strand lies.

    Parameters
    ----------
    stretches : (k, 2, 2)
        Left and right end of each stretch, in order.
    margin_frac : float
        Share of each stretch kept clear at both its ends, 0 to 0.5; the first and the last stretch, which end
        at the rail, may be passed anywhere.

    Returns
    -------
    (p, 2)
        Corners of the way, both holes included (the funnel method for shortest paths, Lee and Preparata 1984).
    """
    margin = np.full((len(stretches), 1), margin_frac)
    margin[:1] = margin[-1:] = 0.01
    left = stretches[:, 0] + margin * (stretches[:, 1] - stretches[:, 0])
    right = stretches[:, 1] + margin * (stretches[:, 0] - stretches[:, 1])
    gates = [*zip(left, right, strict=True), (stop, stop)]
    way, k = [start], 0
    while k < len(gates):
        apex = way[-1]
        lo, hi, at_lo, at_hi = gates[k][1] - apex, gates[k][0] - apex, k, k
        j = k + 1
        while j < len(gates):
            new_lo, new_hi = gates[j][1] - apex, gates[j][0] - apex
            if _cross(hi, new_lo) > 0:
                break
            if _cross(new_hi, lo) > 0:
                break
            if _cross(lo, new_lo) >= 0:
                lo, at_lo = new_lo, j
            if _cross(hi, new_hi) <= 0:
                hi, at_hi = new_hi, j
            j += 1
        if j == len(gates):
            way.append(stop)
            break
        turn_left = _cross(hi, gates[j][1] - apex) > 0
        way.append(apex + (hi if turn_left else lo))
        k = (at_hi if turn_left else at_lo) + 1
    return np.array(way)


def _cross(p: NDArray[np.float64], q: NDArray[np.float64]) -> float:
    return float(p[0] * q[1] - p[1] * q[0])


def _corner_is_deep(weave: Weave, corner: float, settings: DiagonalSettings) -> bool:
    if corner % 1:
        return False
    k, n = int(corner), weave.n
    p, q = weave.xy[(k - 1) % n], weave.xy[(k + 1) % n]
    run = q - p
    depth = abs(run[0] * (weave.xy[k, 1] - p[1]) - run[1] * (weave.xy[k, 0] - p[0])) / np.hypot(*run)
    pitch = float(np.median(np.hypot(*(np.roll(weave.xy, -1, axis=0) - weave.xy).T)))
    return bool(depth >= settings.corner_depth_frac * pitch)


def _towards(at: float, corner: float, n: int, by_holes: float) -> float:
    """A little way from ``at`` towards a series' own corner, at most to the corner itself.

    A course that comes out half-way between two holes goes to the one nearer its own corner: that gives the two
    strands in each own corner and none in the others (Perry).
    """
    off = (corner - at + n / 2) % n - n / 2
    return (at + float(np.clip(off, -by_holes, by_holes))) % n


def _lines_to_rim(weave: Weave, way: Sequence[NDArray[np.float64]]) -> list[tuple[float, float]]:
    """Ring positions (fractional) where the straight line nearest to each course meets the rim, front or left first."""
    long = [stretches.mean(axis=1) for stretches in way if len(stretches) >= 5]
    runs = [p[-1] - p[0] for p in long] or [np.array([1.0, 1.0])]
    mean_run = np.sum([r / np.hypot(*r) for r in runs], axis=0)
    found = []
    for stretches in way:
        points = stretches.mean(axis=1)
        middle = points.mean(axis=0)
        run = mean_run
        if len(points) >= 5:
            run = np.linalg.svd(points - middle)[2][0]
            run = run * np.sign(run @ mean_run)
        found.append((_rim(weave.xy, middle, -run), _rim(weave.xy, middle, run)))
    return found


def _rim(xy: NDArray[np.float64], origin: NDArray[np.float64], run: NDArray[np.float64]) -> float:
    """Ring position where a ray from inside leaves the polygon of holes."""
    side = (xy[:, 0] - origin[0]) * run[1] - (xy[:, 1] - origin[1]) * run[0]
    ahead = (xy - origin) @ run
    best, at = -math.inf, 0.0
    for k in np.flatnonzero(side * np.roll(side, -1) <= 0):
        after = (k + 1) % len(xy)
        if side[k] == side[after]:
            continue
        t = side[k] / (side[k] - side[after])
        reach = ahead[k] + t * (ahead[after] - ahead[k])
        if reach > best:
            best, at = float(reach), float(k + t)
    return at % len(xy)


def _loads(load: NDArray[np.int_], corner: float, step: int, length: float) -> list[int]:
    """Load of the holes at progress 1, 2, ... from a corner, in the direction ``step``."""
    first = math.floor(corner) + 1 if step > 0 else math.ceil(corner) - 1
    return [int(load[(first + step * k) % len(load)]) for k in range(math.ceil(length) - 1)]


def _settle(
    targets: Sequence[float],
    own_corner: float,
    counted_from: float,
    loads: Sequence[int],
    cornered: bool,
    given: DiagonalSettings,
) -> list[float]:
    """Give each course a hole near its target, in order, by least cost.

    Positions are counted from one of the other corners; holes stand at 1, 2, ... (or at 0.5, 1.5, ...
    when that corner has no hole). Returns a position for each target.
    """
    holes = np.arange(1, len(loads) + 1) - counted_from % 1
    n_holes, n_states = len(holes), 3
    own = np.flatnonzero(np.abs(holes - own_corner) < 0.01) if cornered else np.array([], int)
    double = np.array([given.double_cost if cornered else given.ring_double_cost] * n_holes)
    double = double + given.crowd_cost * (np.array(loads) >= 4)
    skip = np.full(n_holes, given.skip_cost if cornered else 0.0)
    leave_after_one = np.zeros(n_holes)
    for k in own:
        double[k], skip[k], leave_after_one[k] = 0.0, 2 * given.corner_cost, given.corner_cost
    passed = np.concatenate([[0.0], np.cumsum(skip)])
    best = np.full((n_holes, n_states), np.inf)
    back: list[NDArray[np.int_]] = []
    for turn, target in enumerate(targets):
        here = (holes - target) ** 2
        fresh = np.full((n_holes, n_states), np.inf)
        link = np.full((n_holes, n_states), -1)
        if turn == 0:
            fresh[:, 0] = here + passed[:-1]
        else:
            leave = best.copy()
            leave[:, 0] += leave_after_one
            cheapest, which = leave.min(axis=1), leave.argmin(axis=1)
            for k in range(n_holes):
                if k:
                    reach = cheapest[:k] + passed[k] - passed[1 : k + 1]
                    j = int(reach.argmin())
                    fresh[k, 0], link[k, 0] = reach[j] + here[k], j * n_states + which[j]
                fresh[k, 1], link[k, 1] = best[k, 0] + double[k] + here[k], k * n_states
                fresh[k, 2], link[k, 2] = best[k, 1] + given.triple_cost + here[k], k * n_states + 1
        best = fresh
        back.append(link)
    best[:, 0] += leave_after_one
    best = best + (passed[-1] - passed[1:])[:, None]
    at = int(best.argmin())
    out = []
    for link in back[::-1]:
        out.append(float(holes[at // n_states]))
        at = int(link[at // n_states, at % n_states])
    return out[::-1]
