"""One decision from everything known of a seat: the photograph's figures, the tape's readings, what the worker said."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from holecount.measurement import Measurement
from holecount.sizing import Chart, Figures, SizeChoice, choose, figures_from, joined
from holecount.strands import plan_of_measurement, strands_per_hole
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
