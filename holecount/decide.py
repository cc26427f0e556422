"""What to decide from everything known of a seat: its size, and whether a cane goes through the holes as planned.

Known are the photograph's figures, the tape's readings and what the worker said.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from holecount.lengths import parse_length_mm
from holecount.measurement import Measurement
from holecount.sizing import Chart, Figures, SizeChoice, StrandSettings, choose, figures_from, joined
from holecount.sizing.packing import assumed_thickness_mm, fit
from holecount.strands import StrandPlan, plan_of_measurement, strands_per_hole
from holecount.strands.cautions import number_list
from holecount.tape import Check, Reading, Tape, check, check_alone
from holecount.troubles import BadInput


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What the worker said beside the measurement.

    Attributes
    ----------
    shape : str or None
        Overrules the measured shape.
    couched : bool
        The binder is couched through the holes.
    strand_thickness_mm : float or None
        Measured with a calliper; None assumes it.
    fullest_hole : int or None
        Strands of the weave in the fullest hole, couching not counted; None counts them from the strand plan.
    charts : tuple of Chart or None
        Charts to ask; those that come along when None.
    deciding_chart : str
        Name of the one that decides.
    """

    shape: str | None = None
    couched: bool = False
    strand_thickness_mm: float | None = None
    fullest_hole: int | None = None
    charts: tuple[Chart, ...] | None = None
    deciding_chart: str = "usual"


def thickness_mm_of(text: str) -> float:
    """A strand's thickness as typed, mm unless told.

    Raises
    ------
    BadInput
        When it is no length.
    """
    try:
        return parse_length_mm(text, default_unit="mm")
    except ValueError as e:
        raise BadInput(f"The strand's thickness cannot be read: {e}.") from e


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """The size, and how the tape compares with the photograph.

    Attributes
    ----------
    checks : tuple of Check
        One a reading; empty without a tape.
    tape : Tape or None
        The readings that went into the size: wrong ones are left out.
    choice : SizeChoice or None
        None when there is nothing to choose from; ``no_choice`` then says why.
    """

    checks: tuple[Check, ...]
    tape: Tape | None
    choice: SizeChoice | None
    no_choice: str = ""


def fullest_hole_of(m: Measurement) -> int | None:
    """Strands of the weave in the fullest hole of a measured seat, counted from its strand plan.

    None where no plan can be made; then the rules fall back on the trade's rule of thumb.
    """
    try:
        return max(strands_per_hole(plan_of_measurement(m)).values())
    except (BadInput, ValueError):
        return None


def overfull(plan: StrandPlan, m: Measurement | None, width_mm: float, *, couched: bool) -> list[str]:
    """Holes that their strands of the plan will not go through at this width, in a sentence; none when all do.

    Parameters
    ----------
    m : the measurement that was planned; a hole without a diameter is taken as the seat's mean.

    Raises
    ------
    BadInput
        When no hole has a diameter.
    """
    if m is None or m.seat.diameter is None:
        raise BadInput("No hole has a diameter to hold the cane against.", "Leave out --cane, or give a measurement.")
    bores_mm = {h.number: h.diameter_mm or m.seat.diameter.mean_mm for h in m.holes}
    thick_mm, strands = assumed_thickness_mm(width_mm), StrandSettings()
    told: dict[str, list[int]] = {}
    for number, count in strands_per_hole(plan, couched=couched).items():
        if count:
            told.setdefault(fit(count, width_mm, thick_mm, bores_mm[number], strands), []).append(number)
    over, close = told.get("will not go", []), len(told.get("tight", []))
    if not over:
        return []
    holes = f"{'Hole' if len(over) == 1 else 'Holes'} {number_list(over)}"
    also = f"; they are tight in {close} more" if close else ""
    cane = f"{width_mm:g} mm cane, taken as {thick_mm:.1f} mm thick,"
    return [f"{holes}: the strands of {cane} will not go through{also}."]


def decide(
    m: Measurement | None,
    readings: Sequence[Reading] = (),
    wishes: Wishes | None = None,
    *,
    typed: Sequence[Reading] = (),
) -> Decision:
    """Hold the tape against the photograph, leave out wrong readings, and choose cane from both together.

    Parameters
    ----------
    m : the measurement; None for a tape alone. One in pixels gives no size but a tape beside it may.
    readings : of a tape; may be empty.
    typed : figures taken as known: not held against anything, and weighed as they stand.

    Raises
    ------
    BadInput
        When a wish cannot be meant (an unknown chart or shape, an impossible thickness).
    """
    said = wishes or Wishes()
    in_mm = m if m is not None and m.scale is not None else None
    tape = Tape(readings=tuple(readings)) if readings else None
    checks: tuple[Check, ...] = ()
    if tape is not None:
        checks = check(tape, in_mm) if in_mm is not None else check_alone(tape)
        tape = replace(tape, readings=tuple(c.reading for c in checks if c.verdict != "wrong"))
    figures: Figures | None = None
    why_not = "There is neither a measurement nor a reading."
    if m is not None:
        try:
            figures = figures_from(m, shape=said.shape)
        except BadInput as e:
            why_not = str(e)
    for more in (tape, Tape(readings=tuple(typed), typed=True) if typed else None):
        if more is not None and any(r.quantity != "along" for r in more.readings):
            own = figures_from(more, shape=said.shape)
            figures = joined(figures, own) if figures is not None else own
    if figures is None or (figures.pitch is None and figures.small_hole_mm is None):
        return Decision(checks=checks, tape=tape, choice=None, no_choice=why_not)
    choice = choose(
        figures,
        charts=said.charts,
        deciding_chart=said.deciding_chart,
        couched=said.couched,
        strand_thickness_mm=said.strand_thickness_mm,
        fullest_hole=said.fullest_hole or (fullest_hole_of(m) if m is not None else None),
    )
    return Decision(checks=checks, tape=tape, choice=choice)
