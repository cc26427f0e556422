"""How much cane a seat takes: the net length by the plan, the length to buy, binder and couching."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from holecount.lengths import MM_PER_INCH
from holecount.strands.order import Strand
from holecount.strands.plan import StrandPlan
from holecount.troubles import BadInput

MM_PER_FOOT = 12 * MM_PER_INCH
"""Exact, as `MM_PER_INCH`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CaneSettings:
    """What the length of cane depends on besides the holes.

    Attributes
    ----------
    thickness_mm : float
        Of the frame where the holes go through; 15 to 30. 3/4 in is the thin end of Perry's 3/4 to 1 in.
    tail_mm : float
        Left hanging at each end of a length of cane; 75 to 100 (Perry: 3 to 4 in).
    length_mm : float
        One length of cane as it comes; 3 to 6 m (Perry: 10 to 20 ft).
    allowance : float
        Length to buy over net length; 1.2 to 2 (derived: about 1.5).
    low_factor, high_factor : float
        Ends of the interval for the length to buy, over net length: published use of like seats over what this
        module reckons for them runs from 0.70 (Perry, 12 x 12 in) to 2.25 (Peters, 72 holes), see
        docs/buying-and-charging.md.
    hank_mm, coil_mm : float
        As sold: 1000 ft (Perry, UMn) and 250 ft (Warner).
    binder_spare_mm : float
        Binder beyond the length of the hole line; 50 to 100 (derived).
    binder_width_mm : float
        4 to 6 (from memory).
    """

    thickness_mm: float = 0.75 * MM_PER_INCH
    tail_mm: float = 3.5 * MM_PER_INCH
    length_mm: float = 15 * MM_PER_FOOT
    allowance: float = 1.5
    low_factor: float = 0.7
    high_factor: float = 2.3
    hank_mm: float = 1000 * MM_PER_FOOT
    coil_mm: float = 250 * MM_PER_FOOT
    binder_spare_mm: float = 75.0
    binder_width_mm: float = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StepCane:
    """Cane of one step, in mm.

    ``passages_mm`` is twice the frame's thickness for every strand: up at one end, down at the other.
    ``n_begun`` counts where a length of cane, fresh or left over, is pegged and begun; ``tails_mm`` are its two
    loose ends.
    """

    step: int
    n_strands: int
    spans_mm: float
    links_mm: float
    passages_mm: float
    tails_mm: float
    n_begun: int

    @property
    def net_mm(self) -> float:
        """All of it together."""
        return self.spans_mm + self.links_mm + self.passages_mm + self.tails_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class CaneNeed:
    """Cane for one or several seats, in mm.

    Attributes
    ----------
    n_seats : int
    steps : tuple of StepCane
        Steps 1 to 6.
    net_mm : float
        Sum of the steps.
    n_lengths : int
        Lengths of cane taken from the bundle.
    offcuts_mm : float
        Left over, too short to go on with.
    buy_mm, low_mm, high_mm : float
        Length to buy and the interval it may lie in.
    couching_mm : float
        Cane of the same size that holds the binder down, included in what is to buy; 0 when not couched.
    binder_mm : float
    hanks, coils : float
        ``buy_mm`` in hanks or in coils as sold.
    """

    n_seats: int
    steps: tuple[StepCane, ...]
    net_mm: float
    n_lengths: int
    offcuts_mm: float
    buy_mm: float
    low_mm: float
    high_mm: float
    couching_mm: float
    binder_mm: float
    hanks: float
    coils: float


def cane_need(plan: StrandPlan, settings: CaneSettings | None = None, *, couch_every: int | None = None) -> CaneNeed:
    """Reckon the cane of a plan.

    Parameters
    ----------
    couch_every : int, optional
        Couch the binder through every hole (1), every second one (2, White) and so on; None for no couching.

    Raises
    ------
    BadInput
        When the plan has no millimetres, or the lengths of cane are too short to be worked.
    """
    given = settings or CaneSettings()
    if not plan.frame.in_mm:
        raise BadInput("Without millimetres there are no lengths.", "Give the pitch, or a measurement with a scale.")
    if given.length_mm <= 4 * given.tail_mm:
        raise BadInput("These lengths of cane are all tail.", "Strands come 10 to 20 ft long, tails are 3 to 4 in.")
    begun, n_lengths, offcuts = _lengths_begun(plan.strands, given)
    steps = []
    for step in range(1, 7):
        strands = plan.step(step)
        n_begun = sum(number in begun for number in (s.number for s in strands))
        steps.append(
            StepCane(
                step=step,
                n_strands=len(strands),
                spans_mm=sum(s.span_mm for s in strands),
                links_mm=sum(s.link_mm for s in strands),
                passages_mm=2 * given.thickness_mm * len(strands),
                tails_mm=2 * given.tail_mm * n_begun,
                n_begun=n_begun,
            )
        )
    net = sum(s.net_mm for s in steps)
    rim = plan.frame.perimeter_mm
    couching = 0.0
    if couch_every:
        couched = math.ceil(plan.frame.n / couch_every)
        couching = rim + couched * (2 * given.thickness_mm + 2 * given.binder_width_mm)
    buy = given.allowance * (net + couching)
    return CaneNeed(
        n_seats=1,
        steps=tuple(steps),
        net_mm=net,
        n_lengths=n_lengths,
        offcuts_mm=offcuts,
        buy_mm=buy,
        low_mm=given.low_factor * (net + couching),
        high_mm=given.high_factor * (net + couching),
        couching_mm=couching,
        binder_mm=rim + given.binder_spare_mm,
        hanks=buy / given.hank_mm,
        coils=buy / given.coil_mm,
    )


def _lengths_begun(strands: Sequence[Strand], given: CaneSettings) -> tuple[set[int], int, float]:
    """Numbers of the strands at which a length of cane is begun, how many are fresh, and the offcuts in mm.

    A length is worked until the next strand no longer fits; what is left over after a peg goes on where
    the next piece begins, if it is long enough to be worth its tails (Perry, step 2).
    """
    begun: set[int] = set()
    left = offcuts = 0.0
    n_fresh = 0
    broken = True
    for s in strands:
        need = s.span_mm + 2 * given.thickness_mm
        if broken and left >= need + 2 * given.tail_mm + given.length_mm / 4:
            begun.add(s.number)
            left -= 2 * given.tail_mm
        elif broken or left < need:
            offcuts += left
            begun.add(s.number)
            n_fresh += 1
            left = max(given.length_mm, need + 2 * given.tail_mm) - 2 * given.tail_mm
        left = max(0.0, left - need - s.link_mm)
        broken = s.link_to is None
    return begun, n_fresh, offcuts + left


def together(needs: Sequence[CaneNeed]) -> CaneNeed:
    """Several seats added up."""
    first = needs[0]
    steps = tuple(
        StepCane(
            step=s.step,
            **{
                name: sum(getattr(need.steps[k], name) for need in needs)
                for name in ("n_strands", "spans_mm", "links_mm", "passages_mm", "tails_mm", "n_begun")
            },
        )
        for k, s in enumerate(first.steps)
    )
    return CaneNeed(
        n_seats=sum(n.n_seats for n in needs),
        steps=steps,
        **{
            name: sum(getattr(n, name) for n in needs)
            for name in (
                "net_mm",
                "n_lengths",
                "offcuts_mm",
                "buy_mm",
                "low_mm",
                "high_mm",
                "couching_mm",
                "binder_mm",
                "hanks",
                "coils",
            )
        },
    )


_LONG = re.compile(r"^\s*(?P<number>\d+(?:[.,]\d+)?)\s*(?P<unit>m|ft|foot|feet)\s*$", re.IGNORECASE)


def read_long_mm(text: str) -> float:
    """Read a length of cane such as ``15ft`` or ``4.5 m``; returns mm.

    Raises
    ------
    ValueError
        When the text is no such length or is not above zero.
    """
    found = _LONG.match(text)
    if not found:
        raise ValueError(f"'{text.strip()}' is not a length of cane; write it like 15 ft or 4.5 m")
    value = float(found["number"].replace(",", "."))
    if not value > 0:
        raise ValueError(f"'{text.strip()}' is not a length above zero")
    return value * (1000.0 if found["unit"].lower() == "m" else MM_PER_FOOT)
