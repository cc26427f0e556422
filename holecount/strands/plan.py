"""The strand plan of a seat: every strand of steps 1 to 6, hole to hole, and what to mind before the first is laid."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holecount.measurement import Measurement
from holecount.strands.cautions import cautions
from holecount.strands.diagonals import DiagonalSettings, Weave, courses, crosses, series, taut
from holecount.strands.frame import Frame, from_measurement
from holecount.strands.layout import StraightLayout, layouts, sides
from holecount.strands.order import Run, Strand, lay, straight_pieces, strands_as_laid
from holecount.strands.straights import Chord, StraightSettings
from holecount.troubles import BadInput

STEPS = {
    1: "first verticals, front to back",
    2: "first horizontals, laid over them",
    3: "second verticals, beside the first and over all",
    4: "second horizontals, woven: under step 1, over step 3",
    5: "first diagonals, over the verticals, under the horizontals",
    6: "second diagonals, under the verticals, over the horizontals",
}
"""What each step is (Perry 1917; which diagonal goes over which pair differs between teachers)."""

DRAWN_MARGIN_FRAC = 0.28
"""How far a diagonal keeps from the crossings it passes, share of the stretch; for drawing only. 0.1 to 0.5."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StrandPlan:
    """Steps 1 to 6 of a seat.

    Attributes
    ----------
    frame : Frame
    layout : StraightLayout
        The one that was chosen; ``tried`` lists all, best first.
    strands : tuple of Strand
        In the order of work.
    per_hole : dict
        Strands through each hole by number, without couching.
    centre_front, centre_back : tuple of int
        The middle hole of front and back, or the two beside the middle.
    corner_holes : tuple of int or None
        Front left, front right, back right, back left; None for a corner without a hole.
    doubled : dict
        Holes that take more than the ordinary: ``straights`` both families, ``first diagonals`` and
        ``second diagonals`` two strands of that series (its own corners left out).
    skipped : dict
        Holes passed over, by ``verticals``, ``horizontals``, ``first diagonals``, ``second diagonals``.
    short : tuple of int
        Numbers of the step-1 strands that do not reach from front to back.
    n_crossings : int
        Places where a vertical pair meets a horizontal pair; each lies between two neighbouring strands of
        either series of diagonals.
    warnings : tuple of str
        What to mind before the first strand is laid.
    """

    frame: Frame
    layout: StraightLayout
    tried: tuple[StraightLayout, ...]
    strands: tuple[Strand, ...]
    per_hole: dict[int, int]
    centre_front: tuple[int, ...]
    centre_back: tuple[int, ...]
    corner_holes: tuple[int | None, ...]
    doubled: dict[str, tuple[int, ...]]
    skipped: dict[str, tuple[int, ...]]
    short: tuple[int, ...]
    n_crossings: int
    warnings: tuple[str, ...]

    @property
    def runs(self) -> int:
        """Strands of steps 1 to 6 together."""
        return len(self.strands)

    def step(self, step: int) -> tuple[Strand, ...]:
        """The strands of one step."""
        return tuple(s for s in self.strands if s.step == step)


def strands_per_hole(plan: StrandPlan, *, couched: bool = False) -> dict[int, int]:
    """Strands through each hole by number; couching the binder adds two to every hole (trade practice)."""
    return {number: count + 2 * couched for number, count in plan.per_hole.items()}


def plan_of_measurement(m: Measurement, *, corner_holes: Sequence[int] | None = None) -> StrandPlan:
    """The strand plan of a measured seat; ``corner_holes`` are the numbers of the corners when they were found wrong.

    Raises
    ------
    BadInput
        When the holes make no seat: too few, a rail missing, corner holes that make no sense.
    """
    return make_plan(from_measurement(m, corner_holes=corner_holes))


def make_plan(
    frame: Frame,
    *,
    straight_settings: StraightSettings | None = None,
    diagonal_settings: DiagonalSettings | None = None,
) -> StrandPlan:
    """Lay out the seven-step pattern (its first six steps) on a frame.

    Raises
    ------
    BadInput
        When no weave fits between the holes.
    """
    given = diagonal_settings or DiagonalSettings()
    tried = [lay for lay in layouts(frame, straight_settings) if len(lay.verticals) >= 2 and len(lay.horizontals) >= 2]
    if not tried:
        raise BadInput("No weave fits between these holes.", "Check the corner holes, and that none is missing.")
    chosen = tried[0]
    n = frame.n
    rising, falling = _diagonals(frame, chosen, given)
    verticals, horizontals = chosen.verticals, chosen.horizontals
    across = [c for c, _ in rising], [c for c, _ in falling]
    centre = _centre_strand(frame, chosen)
    v_pieces, v_first = straight_pieces(verticals, centre)
    h_piece = [list(range(len(horizontals)))]
    corners = chosen.corners
    d_pieces = [_from_corner(across[0], corners[0], n), _from_corner(across[1], corners[1], n)]
    laid: list[tuple[int, list[Run], Sequence[Chord]]] = [
        (1, lay(verticals, v_pieces, v_first, n), verticals),
        (2, lay(horizontals, h_piece, [True], n), horizontals),
        # The second of each pair starts from the other end, so that its links fall where the first left none.
        (3, lay(verticals, v_pieces, [not f for f in v_first], n), verticals),
        (4, lay(horizontals, h_piece, [False], n), horizontals),
        (5, lay(across[0], d_pieces[0], [True, True], n), across[0]),
        (6, lay(across[1], d_pieces[1], [True, True], n), across[1]),
    ]
    ways = {5: _ways(frame, chosen, rising, mirrored=False), 6: _ways(frame, chosen, falling, mirrored=True)}
    strands = strands_as_laid(frame, laid, ways)
    per_hole = dict.fromkeys(sorted(frame.numbers), 0)
    for strand in strands:
        per_hole[strand.start] += 1
        per_hole[strand.end] += 1
    front, _, back, _ = sides(frame, corners)
    full = [k for k, (p, q) in enumerate(verticals) if p in front and q in back]
    skipped = _skipped(frame, chosen, across)
    return StrandPlan(
        frame=frame,
        layout=chosen,
        tried=tuple(tried),
        strands=tuple(strands),
        per_hole=per_hole,
        centre_front=_middle(frame, front),
        centre_back=_middle(frame, back),
        corner_holes=tuple(frame.numbers[int(c)] if c % 1 == 0 else None for c in corners),
        doubled=_doubled(frame, chosen, across),
        skipped=skipped,
        short=tuple(
            s.number for s, run in zip(strands, laid[0][1], strict=False) if s.step == 1 and run.index not in full
        ),
        n_crossings=sum(crosses(v, h, n) for v in verticals for h in horizontals),
        warnings=tuple(cautions(frame, chosen, strands, per_hole, skipped["horizontals"])),
    )


def _diagonals(
    frame: Frame, chosen: StraightLayout, given: DiagonalSettings
) -> tuple[list[tuple[Chord, int]], list[tuple[Chord, int]]]:
    """Both series; on a seat that is alike left and right the second is the first in the mirror."""
    n = frame.n
    weave = _weave(frame, chosen, chosen.xy)
    load = np.zeros(n, int)
    for chord in (*chosen.verticals, *chosen.horizontals):
        load[list(chord)] += 2
    rising = series(weave, load, given)
    if chosen.mirrored:
        assert frame.reflection is not None
        c = frame.reflection
        return rising, [(((c - p) % n, (c - q) % n), k) for (p, q), k in rising]
    flipped = series(weave.mirrored(), load[-np.arange(n) % n], given)
    return rising, [((-p % n, -q % n), k) for (p, q), k in flipped]


def _weave(frame: Frame, chosen: StraightLayout, xy: NDArray[np.float64]) -> Weave:
    return Weave(
        xy=xy,
        verticals=chosen.verticals,
        horizontals=chosen.horizontals,
        corners=chosen.corners,
        cornered=frame.corners is not None,
    )


def _ways(
    frame: Frame, chosen: StraightLayout, laid: Sequence[tuple[Chord, int]], *, mirrored: bool
) -> list[NDArray[np.float64]]:
    """The taut line of each diagonal over the seat, on the real hole positions."""
    weave = _weave(frame, chosen, frame.xy_mm)
    flip = np.array([-1.0, 1.0]) if mirrored else np.ones(2)
    through = courses(weave.mirrored() if mirrored else weave)
    nothing = np.zeros((0, 2, 2))
    return [
        taut(frame.xy_mm[p] * flip, through[k] if k >= 0 else nothing, frame.xy_mm[q] * flip, DRAWN_MARGIN_FRAC) * flip
        for (p, q), k in laid
    ]


def _centre_strand(frame: Frame, chosen: StraightLayout) -> int | None:
    """Index of the vertical nearest to the middle, None where the middle lies between two that mirror each other."""
    count = len(chosen.verticals)
    if chosen.mirrored and count % 2 == 0:
        return None
    if chosen.mirrored:
        return count // 2
    front, _, back, _ = sides(frame, chosen.corners)
    full = [k for k, (p, q) in enumerate(chosen.verticals) if p in front and q in back]
    return full[len(full) // 2] if full else count // 2


def _from_corner(chords: Sequence[Chord], corner: float, n: int) -> list[list[int]]:
    """A series in two pieces: from its own corner to one side, then the rest to the other side."""
    reach = [min((p - corner) % n, (corner - p) % n) for p, _ in chords]
    first = min(range(len(chords)), key=lambda k: (reach[k], k))
    return [list(range(first, -1, -1)), list(range(first + 1, len(chords)))]


def _middle(frame: Frame, side: Sequence[int]) -> tuple[int, ...]:
    m = len(side)
    return tuple(frame.numbers[k] for k in (side[m // 2 : m // 2 + 1] if m % 2 else side[m // 2 - 1 : m // 2 + 1]))


def _named(frame: Frame, places: Iterable[int]) -> tuple[int, ...]:
    return tuple(sorted(frame.numbers[k] for k in places))


def _doubled(
    frame: Frame, chosen: StraightLayout, across: tuple[list[Chord], list[Chord]]
) -> dict[str, tuple[int, ...]]:
    upright, level = {k for c in chosen.verticals for k in c}, {k for c in chosen.horizontals for k in c}
    found = {"straights": _named(frame, upright & level)}
    for name, chords, own in (
        ("first diagonals", across[0], (chosen.corners[0], chosen.corners[2])),
        ("second diagonals", across[1], (chosen.corners[1], chosen.corners[3])),
    ):
        uses = Counter(k for c in chords for k in c)
        found[name] = _named(frame, (k for k, times in uses.items() if times > 1 and float(k) not in own))
    return found


def _skipped(
    frame: Frame, chosen: StraightLayout, across: tuple[list[Chord], list[Chord]]
) -> dict[str, tuple[int, ...]]:
    front, right, back, left = sides(frame, chosen.corners)
    corner = {int(c) for c in chosen.corners if c % 1 == 0}
    found = {}
    for name, straight, own in (
        ("verticals", chosen.verticals, {*front, *back}),
        ("horizontals", chosen.horizontals, {*left, *right}),
    ):
        used = {k for c in straight for k in c}
        if frame.corners is None:  # On a ring a family reaches past its own sides, to its outermost strands.
            for ends in zip(*straight, strict=True):
                own |= _stretch(ends, frame.n)
        found[name] = _named(frame, own - used - corner)
    for name, slanted, other in (
        ("first diagonals", across[0], {chosen.corners[1], chosen.corners[3]}),
        ("second diagonals", across[1], {chosen.corners[0], chosen.corners[2]}),
    ):
        used = {k for c in slanted for k in c}
        found[name] = _named(frame, (k for k in range(frame.n) if k not in used and float(k) not in other))
    return found


def _stretch(ends: Sequence[int], n: int) -> set[int]:
    """Ring positions from the first to the last of a row of ends, the way that passes them all."""
    span = (ends[-1] - ends[0]) % n
    inside = sum(0 < (k - ends[0]) % n < span for k in ends)
    first, length = (ends[0], span) if inside >= len(ends) // 2 else (ends[-1], n - span)
    return {(first + k) % n for k in range(length + 1)}
