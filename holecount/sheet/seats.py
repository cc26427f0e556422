"""Several seats side by side: does one cane do for all of them, and which seat is the odd one."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median

from holecount.lengths import inches_32, mm_with_u
from holecount.measurement import Measurement
from holecount.report import SHAPE_WORDS
from holecount.sheet.content import rail_count, seat_size_line, six_inches_words
from holecount.sizing import SizeChoice
from holecount.sizing.words import percent, size
from holecount.stats import Spread

ODD_OUT_U = 2.5
"""A seat whose mean is farther from the set's median than this many standard uncertainties, and than the share
below, is named. Between 2 and 3: with six chairs, two figures each, 2 would cry wolf at every other set (derived)."""

ODD_OUT_FRAC = 0.02
"""Nor is a seat named for a difference below this share: holes of one seat differ by more. Measured on the sample
set, 2026-11 (spread of a seat's pitch 2.7 %, of its holes 1.6 %)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seat:
    """One seat of a set: its name, its measurement, its size; where the sheet stands, if there is one."""

    name: str
    measurement: Measurement
    choice: SizeChoice | None
    sheet: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatRow:
    """One seat in the table."""

    name: str
    sheet: str
    count: str
    shape: str
    pitch: str
    pitch_in: str
    diameter: str
    diameter_in: str
    six_inches: str
    size: str
    good: bool
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SetContent:
    """What stands on the sheet of a set.

    Attributes
    ----------
    name, date : str
    answer : str
        Same cane for all or not, in one sentence.
    remarks : tuple of str
        Seats that differ, chances, seats to look at again.
    rows : tuple of SeatRow
    spreads : tuple of (name, pitch, diameter)
        For the picture; seats without millimetres are left out.
    """

    name: str
    date: str
    answer: str
    remarks: tuple[str, ...]
    rows: tuple[SeatRow, ...]
    spreads: tuple[tuple[str, Spread | None, Spread | None], ...]


def set_of(seats: Sequence[Seat], *, name: str, date: str = "") -> SetContent:
    """Compare seats."""
    sized = [s for s in seats if s.choice is not None and s.choice.choice is not None]
    remarks: list[str] = []
    widths = sorted({s.choice.choice.width_mm for s in sized if s.choice and s.choice.choice})
    if not sized:
        answer = "No size could be chosen for any of them."
    elif len(widths) == 1:
        which = "all" if len(sized) == len(seats) else "all that could be sized"
        sure = all(s.measurement.verdict == "good" for s in sized)
        answer = f"{'The' if sure else 'As measured so far, the'} same cane for {which}: {size(widths[0])}."
    else:
        answer = f"Not the same cane for all: {_by_width(sized, widths).rstrip('.')}."
        remarks.append(
            f"One cane for the whole set can only be the thinnest of these, {size(widths[0])}: smaller than the chart "
            "is allowed, larger is not."
        )
    remarks += _chance_all(sized, widths)
    remarks += _odd_ones(seats, "pitch", lambda m: m.seat.pitch)
    remarks += _odd_ones(seats, "hole diameter", lambda m: m.seat.diameter)
    missing = [s.name for s in seats if s not in sized]
    if missing and sized:
        remarks.append(f"Without a size: {', '.join(missing).rstrip('.')}.")
    doubtful = [s.name for s in seats if s.measurement.verdict != "good"]
    if doubtful:
        remarks.append(f"Look again before you buy: {', '.join(doubtful).rstrip('.')}.")
    return SetContent(
        name=name,
        date=date,
        answer=answer,
        remarks=tuple(remarks),
        rows=tuple(_row(s) for s in seats),
        spreads=tuple(
            (s.name, s.measurement.seat.pitch, s.measurement.seat.diameter)
            for s in seats
            if s.measurement.scale is not None
        ),
    )


def _by_width(sized: Sequence[Seat], widths: Sequence[float]) -> str:
    parts = []
    for w in reversed(widths):
        names = [s.name for s in sized if s.choice and s.choice.choice and s.choice.choice.width_mm == w]
        parts.append(f"{size(w)} for {', '.join(names)}")
    return "; ".join(parts)


def _chance_all(sized: Sequence[Seat], widths: Sequence[float]) -> list[str]:
    """How sure it is that the thinnest chosen cane goes on all seats."""
    if len(sized) < 2:
        return []
    all_go = math.prod(_goes(s.choice, widths[0]) for s in sized if s.choice is not None)
    return [
        f"{size(widths[0])} goes on all {len(sized)} with a chance of {_about(percent(all_go))} "
        "(each seat's measurement taken as independent of the others')."
    ]


def _about(share: str) -> str:
    """``about 86 %``, but ``over 99 %``."""
    return share if share.startswith(("over", "under")) else f"about {share}"


def _goes(choice: SizeChoice, width_mm: float) -> float:
    """Chance that this or a wider cane is right for the seat."""
    return min(1.0, sum(c.chance for c in choice.candidates if c.width_mm >= width_mm - 1e-9))


def _odd_ones(seats: Sequence[Seat], what: str, which: Callable[[Measurement], Spread | None]) -> list[str]:
    """Seats whose mean lies off the set's median by more than their errors and by more than seats vary.

    Where more than half do there is no odd one: they are no set.
    """
    in_mm = [(s.name, which(s.measurement)) for s in seats if s.measurement.scale is not None]
    known = [(name, spread) for name, spread in in_mm if spread is not None]
    if len(known) < 3:
        return []
    means = [spread.mean_mm for _, spread in known]
    middle = median(means)
    out = []
    for k, (name, own) in enumerate(known):
        n_others = len(known) - 1
        u = math.hypot(own.u_mean_mm, *[sp.u_mean_mm / n_others for i, (_, sp) in enumerate(known) if i != k])
        if abs(own.mean_mm - middle) > max(ODD_OUT_U * u, ODD_OUT_FRAC * middle):
            out.append(
                f"{name} differs: its {what} is {mm_with_u(own.mean_mm, own.u_mean_mm)}, the middle of the set "
                f"{middle:.2f} mm. Another maker, or a photograph to look at again?"
            )
    if 2 * len(out) > len(known):
        return [f"The seats differ in {what}, from {min(means):.1f} to {max(means):.1f} mm: hardly of one set."]
    return out


def _row(s: Seat) -> SeatRow:
    m = s.measurement
    in_mm = m.scale is not None

    def cells(spread: Spread | None) -> tuple[str, str]:
        if spread is None:
            return "-", ""
        if not in_mm:
            return f"{spread.mean_mm:.1f} px", ""
        return mm_with_u(spread.mean_mm, spread.u_mean_mm), inches_32(spread.mean_mm)

    pitch, pitch_in = cells(m.seat.pitch)
    diameter, diameter_in = cells(m.seat.diameter)
    return SeatRow(
        name=s.name,
        sheet=s.sheet,
        count=rail_count(m.seat),
        shape=SHAPE_WORDS.get(m.shape, m.shape).removesuffix(" seat"),
        pitch=pitch,
        pitch_in=pitch_in,
        diameter=diameter,
        diameter_in=diameter_in,
        six_inches=six_inches_words(m.seat.six_inches) if in_mm else "-",
        size=seat_size_line(s.choice),
        good=m.verdict == "good",
        reasons=m.verdict_reasons,
    )
