"""Statistics of the holes: pitch, diameter, holes in six inches, where not to trust them.

Paper work: everything here is millimetres; pixels never come this far.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holecount.holes.hole import Hole
from holecount.lengths import SIX_INCHES_MM
from holecount.troubles import DOUBTS


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How one quantity is spread over a rail or the seat, in mm.

    Attributes
    ----------
    n : int
        Values behind it.
    sd_mm : float
        Standard deviation of the values (n - 1); 0 for a single one.
    p05_mm, p95_mm : float
        5 % and 95 % quantiles, linear between values.
    min_at, max_at : tuple of int
        Numbers of the hole (diameter) or of the two holes (pitch) where the least and greatest occur.
    u_own_mean_mm, u_shared_mean_mm : float
        One standard uncertainty of the mean: from what varies hole by hole, and from what the whole
        photograph (or tape) shares. The second does not shrink with n.
    """

    n: int
    mean_mm: float
    sd_mm: float
    p05_mm: float
    p95_mm: float
    min_mm: float
    max_mm: float
    min_at: tuple[int, ...]
    max_at: tuple[int, ...]
    u_own_mean_mm: float
    u_shared_mean_mm: float

    @property
    def u_mean_mm(self) -> float:
        """One standard uncertainty of the mean, everything included."""
        return float(np.hypot(self.u_own_mean_mm, self.u_shared_mean_mm))


@dataclass(frozen=True, slots=True, kw_only=True)
class SixInches:
    """Holes in six inches as a worker counts them: whole holes inside the stretch.

    ``least``, ``most``, ``mean`` over the window slid along the rail (None where the rail is shorter
    than six inches); ``from_pitch`` is 152.4 mm over the mean pitch.
    """

    least: int | None
    most: int | None
    mean: float | None
    from_pitch: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RailStats:
    """Figures of one rail, or of the whole seat (name ``seat``).

    ``n_holes`` counts what was seen: open and blocked. ``holes`` are their numbers (hidden ones
    included) in order; a corner hole belongs to both its rails here but is counted once in the seat.
    """

    name: str
    holes: tuple[int, ...]
    n_holes: int
    n_open: int
    n_blocked: int
    n_hidden: int
    pitch: Spread | None
    same_side_pitch: Spread | None
    diameter: Spread | None
    six_inches: SixInches


@dataclass(frozen=True, slots=True, kw_only=True)
class LowConfidence:
    """A stretch of a rail whose figures deserve a second look."""

    rail: str
    first_hole: int
    last_hole: int
    flag: str
    reason: str
    advice: str


def spread_of(
    values_mm: Sequence[float] | NDArray[np.float64],
    at: Sequence[tuple[int, ...]],
    *,
    u_own_mean_mm: float,
    u_shared_mean_mm: float,
) -> Spread | None:
    """Spread of values (n,) in mm; ``at`` names the hole or holes behind each. None when there are none."""
    v = np.asarray(values_mm, float)
    if v.size == 0:
        return None
    lo, hi = int(v.argmin()), int(v.argmax())
    return Spread(
        n=int(v.size),
        mean_mm=float(v.mean()),
        sd_mm=float(v.std(ddof=1)) if v.size > 1 else 0.0,
        p05_mm=float(np.quantile(v, 0.05)),
        p95_mm=float(np.quantile(v, 0.95)),
        min_mm=float(v[lo]),
        max_mm=float(v[hi]),
        min_at=at[lo],
        max_at=at[hi],
        u_own_mean_mm=u_own_mean_mm,
        u_shared_mean_mm=u_shared_mean_mm,
    )


def runs_of_gaps(holes: Sequence[Hole], closed: bool, across_rails: bool = True) -> list[list[tuple[Hole, Hole]]]:
    """Neighbouring pairs that were both seen, grouped into unbroken runs.

    A hidden hole breaks a run, and so does the step from one rail to the next unless ``across_rails``.
    """
    ring = [*holes, holes[0]] if closed and len(holes) > 2 else list(holes)
    runs: list[list[tuple[Hole, Hole]]] = [[]]
    for a, b in itertools.pairwise(ring):
        if "hidden" in (a.status, b.status) or not (across_rails or a.rail == b.rail):
            runs.append([])
        else:
            runs[-1].append((a, b))
    return [r for r in runs if r]


def pitch_spread(
    holes: Sequence[Hole],
    *,
    closed: bool,
    u_scale_rel: float,
    same_side: bool = False,
    across_rails: bool = True,
) -> Spread | None:
    """Spread of the distance from hole to hole.

    Neighbouring gaps share a hole, so within a run only the outer centres count:
    u_own of a run's sum is that of its two end holes (zero for a closed ring, whose sum is a perimeter).

    Parameters
    ----------
    holes : in order along the line; hidden ones break it.
    closed : the last hole is followed by the first.
    u_scale_rel : relative uncertainty of the scale, shared by all gaps.
    same_side : measure from one side of a hole to the same (right-hand) side of the next, which is
        pitch + (d2 - d1)/2 (derived); gaps without both diameters are left out.
    across_rails : False where rails are separate rows: the way from one to the next is no pitch.
    """
    values, at, var_sum = [], [], 0.0
    for run in runs_of_gaps(holes, closed, across_rails):
        used = []
        for a, b in run:
            gap = float(np.hypot(b.x_mm - a.x_mm, b.y_mm - a.y_mm))
            if same_side:
                if a.diameter_mm is None or b.diameter_mm is None:
                    continue
                gap += (b.diameter_mm - a.diameter_mm) / 2
            values.append(gap)
            at.append((a.number, b.number))
            used.append((a, b))
        if used and used[0][0] is not used[-1][1]:
            ends = (used[0][0], used[-1][1])
            var_sum += sum(h.u_own_centre_mm**2 for h in ends)
            if same_side:
                var_sum += sum((h.u_own_diameter_mm or 0.0) ** 2 / 4 for h in ends)
    if not values:
        return None
    return spread_of(
        values, at, u_own_mean_mm=var_sum**0.5 / len(values), u_shared_mean_mm=u_scale_rel * float(np.mean(values))
    )


def diameter_spread(holes: Sequence[Hole]) -> Spread | None:
    """Spread of the bores of the holes that have one."""
    got = [h for h in holes if h.diameter_mm is not None]
    if not got:
        return None
    own = np.array([h.u_own_diameter_mm or 0.0 for h in got])
    shared = np.array([h.u_shared_diameter_mm or 0.0 for h in got])
    return spread_of(
        [h.diameter_mm or 0.0 for h in got],
        [(h.number,) for h in got],
        u_own_mean_mm=float(np.sqrt((own**2).sum()) / len(got)),
        u_shared_mean_mm=float(shared.mean()),
    )


def six_inch_counts(
    holes: Sequence[Hole], *, closed: bool, window_mm: float = SIX_INCHES_MM, fallback_diameter_mm: float = 0.0
) -> tuple[int | None, int | None, float | None]:
    """Least, most and mean number of whole holes inside a window slid along the hole line.

    Distances are taken along the line (chord by chord), as a tape bent along the rail would.
    The mean is over all positions of the window (exact, not sampled). Hidden holes count as holes:
    the frame has them. None where the line, or the way round a ring, is shorter than the window.
    """
    if len(holes) < 2:
        return None, None, None
    xy = np.array([[h.x_mm, h.y_mm] for h in holes])
    steps = np.hypot(*np.diff(np.vstack([xy, xy[:1]]) if closed else xy, axis=0).T)
    s = np.concatenate([[0.0], np.cumsum(steps)])
    d = np.array([h.diameter_mm or fallback_diameter_mm for h in holes])
    if closed:
        length = float(s[-1])
        if length < window_mm:
            return None, None, None
        n_turns = 1 + int(np.ceil(window_mm / length))
        near = np.concatenate([s[:-1] - d / 2 + k * length for k in range(n_turns)])
        far = np.concatenate([s[:-1] + d / 2 + k * length for k in range(n_turns)])
        start, stop = 0.0, length
    else:
        near, far = s - d / 2, s + d / 2
        start, stop = float(near[0]), float(far[-1] - window_mm)
        if stop < start:
            return None, None, None
    # The count changes only where the window's start passes a near edge or its end a far edge.
    events = np.unique(np.concatenate([[start, stop], near, far - window_mm]))
    events = events[(events >= start) & (events <= stop)]
    at_events = ((near[None] >= events[:, None] - 1e-9) & (far[None] <= events[:, None] + window_mm + 1e-9)).sum(axis=1)
    middles = (events[1:] + events[:-1]) / 2
    between = ((near[None] >= middles[:, None]) & (far[None] <= middles[:, None] + window_mm)).sum(axis=1)
    if len(middles) == 0 or stop - start < 1e-9:
        return int(at_events.min()), int(at_events.max()), float(at_events.mean())
    mean = float((between * np.diff(events)).sum() / (stop - start))
    return int(between.min()), int(max(between.max(), at_events.max())), mean


def rail_stats(
    name: str, holes: Sequence[Hole], *, closed: bool, u_scale_rel: float, across_rails: bool = True
) -> RailStats:
    """All figures of one rail, of a ring, or of separate rows together (then not ``across_rails``).

    ``holes`` are in order along the line.
    """
    pitch = pitch_spread(holes, closed=closed, u_scale_rel=u_scale_rel, across_rails=across_rails)
    diameter = diameter_spread(holes)
    least, most, mean = (
        six_inch_counts(holes, closed=closed, fallback_diameter_mm=diameter.mean_mm if diameter else 0.0)
        if across_rails
        else (None, None, None)
    )
    n_open = sum(h.status == "open" for h in holes)
    n_blocked = sum(h.status == "blocked" for h in holes)
    return RailStats(
        name=name,
        holes=tuple(h.number for h in holes),
        n_holes=n_open + n_blocked,
        n_open=n_open,
        n_blocked=n_blocked,
        n_hidden=len(holes) - n_open - n_blocked,
        pitch=pitch,
        same_side_pitch=pitch_spread(
            holes, closed=closed, u_scale_rel=u_scale_rel, same_side=True, across_rails=across_rails
        ),
        diameter=diameter,
        six_inches=SixInches(
            least=least, most=most, mean=mean, from_pitch=SIX_INCHES_MM / pitch.mean_mm if pitch else None
        ),
    )


def low_confidence(rail: str, holes: Sequence[Hole]) -> list[LowConfidence]:
    """Stretches of neighbouring holes that carry the same doubt, in order along the rail."""
    out: list[LowConfidence] = []
    for flag, doubt in DOUBTS.items():
        stretch: list[Hole] = []
        for h in [*holes, None]:
            if h is not None and flag in h.doubts:
                stretch.append(h)
            elif stretch:
                out.append(
                    LowConfidence(
                        rail=rail,
                        first_hole=stretch[0].number,
                        last_hole=stretch[-1].number,
                        flag=flag,
                        reason=doubt.words,
                        advice=doubt.advice,
                    )
                )
                stretch = []
    return sorted(out, key=lambda c: c.first_hole)


def look_again(stretches: Sequence[LowConfidence]) -> tuple[str, ...]:
    """One sentence for each kind of doubt, with all the holes it concerns; ``stretches`` rail by rail."""
    out = []
    for flag in dict.fromkeys(s.flag for s in stretches):
        same = [s for s in stretches if s.flag == flag]
        joined = _joined([(s.first_hole, s.last_hole) for s in same])
        ranges = [f"{a}" if a == b else f"{a} to {b}" for a, b in joined]
        one = len(joined) == 1 and joined[0][0] == joined[0][1]
        advice = same[0].advice or (DOUBTS[flag].advice if flag in DOUBTS else "")
        out.append(f"{'hole' if one else 'holes'} {', '.join(ranges)}: {same[0].reason}; {advice}")
    return tuple(out)


def _joined(stretches: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """First and last holes of stretches, those that meet in a corner hole of two rails made one."""
    out: list[tuple[int, int]] = []
    for first, last in stretches:
        if out and out[-1][1] == first:
            out[-1] = (out[-1][0], last)
        else:
            out.append((first, last))
    if len(out) > 1 and out[-1][1] == out[0][0]:  # Where numbering begins: hole 1 ends the last rail, too.
        out[0] = (out.pop()[0], out[0][1])
    longer = {end for a, b in out if a != b for end in (a, b)}
    return list(dict.fromkeys((a, b) for a, b in out if a != b or a not in longer))
