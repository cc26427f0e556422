"""The order of work: which strand comes after which, and where the cane links underneath."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holecount.strands.frame import Frame
from holecount.strands.straights import Chord

MOST_LINK_HOLES = 3
"""Holes along the rail that a link underneath may reach; farther, peg and start anew (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strand:
    """One run of cane over the seat.

    Attributes
    ----------
    number : int
        From 1 in the order of work.
    step : int
        1 to 6.
    start, end : int
        Numbers of the holes where it comes up and goes down.
    span_mm : float
        Straight distance between them.
    link_to : int or None
        Hole where the cane comes up again, underneath from ``end``; None where it is pegged or tied off.
    link_mm : float
        Length of that link along the rail's underside; 0 without one.
    way_mm : (p, 2)
        The line it takes over the seat, in the frame's positions.
    """

    number: int
    step: int
    start: int
    end: int
    span_mm: float
    link_to: int | None
    link_mm: float
    way_mm: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One strand as it is laid: from the ring position where it comes up to where it goes down.

    ``link_to`` is where the cane comes up next, None where it is pegged; ``index`` tells which of the
    family's chords it is.
    """

    start: int
    stop: int
    link_to: int | None
    index: int


def lay(chords: Sequence[Chord], pieces: Sequence[Sequence[int]], forward: Sequence[bool], n: int) -> list[Run]:
    """Lay pieces one after another, to and fro.

    ``forward`` says for each piece whether its first strand runs from the chord's first end to its second.
    """
    runs: list[Run] = []
    for piece, first in zip(pieces, forward, strict=True):
        ends = [chords[k] if first ^ bool(turn % 2) else chords[k][::-1] for turn, k in enumerate(piece)]
        for turn, (k, (start, stop)) in enumerate(zip(piece, ends, strict=True)):
            link = ends[turn + 1][0] if turn + 1 < len(ends) else None
            if link is not None and min((link - stop) % n, (stop - link) % n) > MOST_LINK_HOLES:
                link = None
            runs.append(Run(start=start, stop=stop, link_to=link, index=k))
    return runs


def straight_pieces(chords: Sequence[Chord], centre: int | None) -> tuple[list[list[int]], list[bool]]:
    """Centre first, then to the right end, then the left half from beside the centre.

    ``centre`` is the index of the centre strand, None when the centre line runs between two strands. The left
    half is laid as the mirror image of the right one.
    """
    count = len(chords)
    if centre is None:
        middle = count // 2
        return [list(range(middle, count)), list(range(middle - 1, -1, -1))], [True, True]
    return [list(range(centre, count)), list(range(centre - 1, -1, -1))], [True, False]


def strands_as_laid(
    frame: Frame,
    laid: Sequence[tuple[int, Sequence[Run], Sequence[Chord]]],
    ways: dict[int, list[NDArray[np.float64]]],
) -> list[Strand]:
    """Number the runs of all steps and measure them.

    ``laid`` has step, runs and chords of each step in order; ``ways`` the lines of the diagonals by step and chord.
    """
    xy = frame.xy_mm
    out: list[Strand] = []
    for step, runs, chords in laid:
        for run in runs:
            way = ways[step][run.index] if step in ways else xy[[run.start, run.stop]]
            if step in ways and run.start != chords[run.index][0]:
                way = way[::-1]
            linked = run.link_to is not None
            out.append(
                Strand(
                    number=len(out) + 1,
                    step=step,
                    start=frame.numbers[run.start],
                    end=frame.numbers[run.stop],
                    span_mm=float(np.hypot(*(xy[run.stop] - xy[run.start]))),
                    link_to=frame.numbers[run.link_to] if run.link_to is not None else None,
                    link_mm=float(np.hypot(*(xy[run.link_to] - xy[run.stop]))) if linked else 0.0,
                    way_mm=way,
                )
            )
    return out
