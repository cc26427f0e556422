"""Steps 1 to 4: the two families of straight strands, chosen between layouts by a stated objective."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holecount.strands.frame import Frame, between
from holecount.strands.straights import Chord, Field, StraightSettings, across, gaps, outward


@dataclass(frozen=True, slots=True, kw_only=True)
class Objective:
    """What a layout of straight strands is judged by; each term in its own unit, the smaller the better.

    Attributes
    ----------
    lean_deg : float
        Root mean square angle between the strands and the mean of their family: parallelism.
    off_square_deg : float
        Angle between the two families' means, less 90 degrees.
    uneven_frac : float
        Spread of the distances from strand to strand over their mean, in both families, with the
        distance from the last strand to the rim: even spacing.
    lopsided_frac : float
        Share of the strands without a mirror image: symmetry left to right.
    n_left_out : int
        Holes between the corners that take no straight strand.
    n_doubled : int
        Holes that take strands of both families.
    off_quarter : float
        Round and oval seats: how many holes the sides are off a quarter each.
    """

    lean_deg: float
    off_square_deg: float
    uneven_frac: float
    lopsided_frac: float
    n_left_out: int
    n_doubled: int
    off_quarter: float

    @property
    def total(self) -> float:
        """Weighted sum; weights are common sense made numbers (no source), see docs/strand-plan.md."""
        return (
            self.lean_deg
            + self.off_square_deg / 2
            + 10 * self.uneven_frac
            + 2 * self.lopsided_frac
            + 2 * self.n_left_out
            + 0.05 * self.n_doubled
            + 0.1 * self.off_quarter
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StraightLayout:
    """Both families of straight strands.

    Attributes
    ----------
    words : str
        How it differs from the others that were tried.
    verticals : tuple of Chord
        Left to right, each front end first.
    horizontals : tuple of Chord
        Front to back, each left end first.
    corners : tuple of float
        Ring positions: front left, front right, back right, back left.
    mirrored : bool
        Both families are their own mirror image.
    xy : (n, 2)
        The positions it was planned on: mirrored ones where the seat is alike left and right.
    """

    words: str
    verticals: tuple[Chord, ...]
    horizontals: tuple[Chord, ...]
    corners: tuple[float, float, float, float]
    mirrored: bool
    xy: NDArray[np.float64]
    objective: Objective


def layouts(frame: Frame, settings: StraightSettings | None = None) -> list[StraightLayout]:
    """Every layout tried, best first."""
    given = settings or StraightSettings()
    xy = frame.mirrored_xy_mm() if frame.reflection is not None else frame.xy_mm
    found: list[StraightLayout] = []
    for corners in _corner_choices(frame):
        found += _with_corners(frame, xy - [_axis_x(frame, xy), 0.0], corners, given)
    return sorted(found, key=lambda lay: round(lay.objective.total, 6))


def _axis_x(frame: Frame, xy: NDArray[np.float64]) -> float:
    if frame.reflection is None:
        return float(xy[:, 0].mean())
    other = (frame.reflection - np.arange(frame.n)) % frame.n
    return float((xy[:, 0] + xy[other, 0]).mean() / 2)


def _corner_choices(frame: Frame) -> list[tuple[float, float, float, float]]:
    """The corners of the seat, or on a ring those that leave about a quarter of the holes on each side."""
    if frame.corners is not None:
        return [frame.corners]
    n, centre = frame.n, (frame.reflection or 0) / 2
    rear = centre + n / 2
    quarter = (n - 4) / 4
    step = np.roll(frame.xy_mm, -1, axis=0) - frame.xy_mm
    flat = int((step[:, 0] > np.abs(step[:, 1])).sum()) - 1  # Front holes where the line runs more across than back.
    low, high = math.floor(min(quarter, flat)) - 1, math.ceil(max(quarter, flat)) + 1
    choices = []
    for front in range(max(1, low), high + 1):
        if (front + 1) / 2 % 1 != centre % 1:
            continue
        for back in (front - 1, front, front + 1):
            left = (n - 4 - front - back) / 2
            if (back + 1) / 2 % 1 != rear % 1 or left < 1 or left % 1 or back < 1:
                continue
            a, b = centre - (front + 1) / 2, centre + (front + 1) / 2
            c, d = rear - (back + 1) / 2, rear + (back + 1) / 2
            choices.append((a % n, b % n, c % n, d % n))
    return choices


def sides(frame: Frame, corners: tuple[float, ...]) -> tuple[list[int], list[int], list[int], list[int]]:
    """Holes between the corners: front left to right, right front to back, back left to right, left front to back."""
    a, b, c, d = corners
    n = frame.n
    return between(a, b, n), between(b, c, n), between(c, d, n)[::-1], between(d, a, n)[::-1]


def _field(
    frame: Frame,
    along: NDArray[np.float64],
    out: NDArray[np.float64],
    own: Sequence[int],
    corners: tuple[float, ...],
    spacing: float,
    given: StraightSettings,
    barred: Sequence[int] = (),
) -> Field:
    mine, price = np.zeros(len(along), bool), np.full(len(along), given.share_cost)
    mine[list(own)] = True
    price[list(own)] = 0.0
    price[[int(c) for c in corners if c % 1 == 0]] = given.corner_cost if frame.corners is None else np.inf
    price[list(barred)] = np.inf
    return Field(along=along, out=out, own=mine, price=price, spacing=spacing)


def _spacing(frame: Frame, out: NDArray[np.float64], *rails: Sequence[int]) -> float:
    """Distance between strands to aim at: the usual step across of the family's sides; on rings the pitch."""
    if frame.corners is None:
        return frame.pitch_mm
    return float(np.median(np.concatenate([np.abs(np.diff(out[list(rail)])) for rail in rails if len(rail) > 1])))


def _with_corners(
    frame: Frame, xy: NDArray[np.float64], corners: tuple[float, float, float, float], given: StraightSettings
) -> list[StraightLayout]:
    front, right, back, left = sides(frame, corners)
    x, y = xy[:, 0], xy[:, 1]
    horizontals = _mirrored_horizontals(frame, xy, corners, given) if frame.reflection is not None else None
    if horizontals is None:
        barred = _not_bowed(frame, xy, corners, given)
        tried = _anchored(frame, y, x, left, right, corners, clockwise=True, given=given, barred=barred)
        horizontals = min(tried, key=lambda t: t[0])[2]
    if frame.reflection is not None and frame.n % 2 == 0:
        options = [("mirrored", _mirrored_verticals(frame, xy, corners, given))]
    else:
        extra = len(front) - len(back)
        options = [
            (_offset_words(offset, extra), chords)
            for _, offset, chords in _anchored(frame, x, y, front, back, corners, clockwise=False, given=given)
        ]
    return [_judged(frame, xy, corners, words, chords, horizontals) for words, chords in options]


def _offset_words(offset: int, extra: int) -> str:
    more, on_left, on_right = ("front", offset, extra - offset) if extra >= 0 else ("back", -offset, offset - extra)
    if extra == 0 and offset == 0:
        return "front and back paired from the left corner"
    return f"{on_left} more {more} holes left of the paired ones, {on_right} right"


def _mirrored_verticals(
    frame: Frame, xy: NDArray[np.float64], corners: tuple[float, ...], given: StraightSettings
) -> list[Chord]:
    assert frame.reflection is not None
    n, front, back = frame.n, frame.reflection / 2, (frame.reflection + frame.n) / 2
    f, _, b, _ = sides(frame, corners)
    field = _field(frame, xy[:, 1], xy[:, 0], [*f, *b], corners, _spacing(frame, xy[:, 0], f, b), given)
    start = (int(front) % n, int(back) % n) if front % 1 == 0 else None
    _, half = outward(field, between(front, back, n), start, given)
    flip = [((frame.reflection - p) % n, (frame.reflection - q) % n) for p, q in half]
    return flip[::-1] + ([start] if start else []) + half


def _mirrored_horizontals(
    frame: Frame, xy: NDArray[np.float64], corners: tuple[float, ...], given: StraightSettings
) -> list[Chord] | None:
    assert frame.reflection is not None
    n, front, back = frame.n, frame.reflection / 2, (frame.reflection + frame.n) / 2
    _, r, _, left = sides(frame, corners)
    barred = _not_bowed(frame, xy, corners, given)
    field = _field(frame, xy[:, 0], xy[:, 1], [*r, *left], corners, _spacing(frame, xy[:, 1], r, left), given, barred)
    seq = [i % n for i in range(math.ceil(front), math.floor(back) + 1)]
    _, chords = across(field, seq, [(frame.reflection - i) % n for i in seq], given)
    return chords or None


def _not_bowed(frame: Frame, xy: NDArray[np.float64], corners: tuple[float, ...], given: StraightSettings) -> list[int]:
    """Front and back holes that no horizontal may use: those that do not lie well beyond a corner.

    A bowed or slanting rail leaves room for more horizontals beyond the side holes; a straight one does not.
    """
    if frame.corners is None:
        return []
    front, right, back, left = sides(frame, corners)
    y, reach = xy[:, 1], given.bow_frac * _spacing(frame, xy[:, 1], left, right)
    a, b, c, d = (float(y[math.floor(p)] + y[math.ceil(p) % frame.n]) / 2 for p in corners)
    return [k for k in front if y[k] > max(a, b) - reach] + [k for k in back if y[k] < min(c, d) + reach]


def _anchored(
    frame: Frame,
    out: NDArray[np.float64],
    along: NDArray[np.float64],
    low: Sequence[int],
    high: Sequence[int],
    corners: tuple[float, ...],
    *,
    clockwise: bool,
    given: StraightSettings,
    barred: Sequence[int] = (),
) -> list[tuple[float, int, list[Chord]]]:
    """Lay a family from a middle pair outwards both ways, once for every way of pairing the two sides.

    ``low`` and ``high`` are the two sides' holes in order of growing ``out``; ``clockwise`` says which way
    round the ring leads from a low end over greater ``out`` to a high end. Returns cost, offset and chords.
    """
    n, extra = len(out), len(low) - len(high)
    found = []
    for offset in range(min(0, extra), max(0, extra) + 1):
        pairs = [(low[k + offset], high[k]) for k in range(len(high)) if 0 <= k + offset < len(low)]
        if not pairs:
            continue
        run = np.array([[along[q] - along[p], out[q] - out[p]] for p, q in pairs])
        run = (run / np.hypot(*run.T)[:, None]).sum(axis=0)
        c, s = run / np.hypot(*run)
        upright, sideways = c * along + s * out, -s * along + c * out
        start = pairs[len(pairs) // 2]
        own = [*low, *high]
        spacing = _spacing(frame, sideways, low, high)
        total, chords = 0.0, [start]
        for sign in (1, -1):
            forward = (sign > 0) != clockwise
            first, last = (start[0], start[1]) if forward else (start[1], start[0])
            seq = between(first, last, n)
            if not forward:
                seq = seq[::-1]
            field = _field(frame, upright, sign * sideways, own, corners, spacing, given, barred)
            cost, half = outward(field, seq, start, given)
            total += cost
            chords = chords + half if sign > 0 else half[::-1] + chords
        off_square = math.degrees(math.atan2(abs(s), c))
        found.append((total + (off_square / given.lean_deg) ** 2 * len(chords) / 4, offset, chords))
    return found


def _judged(
    frame: Frame,
    xy: NDArray[np.float64],
    corners: tuple[float, float, float, float],
    words: str,
    verticals: Sequence[Chord],
    horizontals: Sequence[Chord],
) -> StraightLayout:
    front, right, back, left = sides(frame, corners)
    x, y = xy[:, 0], xy[:, 1]
    v_deg = np.degrees([math.atan2(x[q] - x[p], y[q] - y[p]) for p, q in verticals])
    h_deg = np.degrees([math.atan2(y[q] - y[p], x[q] - x[p]) for p, q in horizontals])
    leans = np.concatenate([v_deg - v_deg.mean(), h_deg - h_deg.mean()])
    uneven = []
    for chords, along, out in ((verticals, y, x), (horizontals, x, y)):
        steps = gaps(chords, along, out)
        ends = [_beyond(chords[0], along, -out), _beyond(chords[-1], along, out)]
        steps = np.concatenate([steps, ends])
        uneven.append((steps / steps.mean() - 1) ** 2)
    used_v, used_h = {i for c in verticals for i in c}, {i for c in horizontals for i in c}
    lopsided = 1.0
    if frame.reflection is not None:
        flip = {((frame.reflection - p) % frame.n, (frame.reflection - q) % frame.n) for p, q in verticals}
        lopsided = 1 - len(flip & set(verticals)) / len(verticals)
    left_out = (set(front) | set(back) | set(right) | set(left)) - used_v - used_h
    quarter = (frame.n - 4) / 4
    off_quarter = sum(abs(len(side) - quarter) for side in (front, right, back, left)) if frame.corners is None else 0.0
    return StraightLayout(
        words=words,
        verticals=tuple(verticals),
        horizontals=tuple(horizontals),
        corners=corners,
        mirrored=frame.reflection is not None and lopsided == 0,
        xy=xy,
        objective=Objective(
            lean_deg=float(np.sqrt((leans**2).mean())),
            off_square_deg=abs(float(v_deg.mean() + h_deg.mean())),
            uneven_frac=float(np.sqrt(np.concatenate(uneven).mean())),
            lopsided_frac=lopsided,
            n_left_out=len(left_out),
            n_doubled=len(used_v & used_h),
            off_quarter=off_quarter,
        ),
    )


def _beyond(chord: Chord, along: NDArray[np.float64], out: NDArray[np.float64]) -> float:
    """How far the hole line reaches beyond a strand, on the side of growing ``out``."""
    p, q = chord
    slope = (out[q] - out[p]) / (along[q] - along[p])
    return float((out - out[p] - slope * (along - along[p])).max())
