"""The strand plan for the sheet and the bench page: a drawing a step, and what to buy."""

from dataclasses import dataclass, replace

from holecount.measurement import Measurement
from holecount.sheet.render import Drawing
from holecount.strands import STEPS, CaneSettings, StrandPlan, cane_need, drawings, plan_of_measurement
from holecount.strands.listing import metres_and_feet, seat_lines, step_pieces


@dataclass(frozen=True, slots=True, kw_only=True)
class StrandPages:
    """Steps 1 to 6 drawn, all together last.

    Attributes
    ----------
    drawings : tuple of Drawing
        Each with its strands hole to hole.
    lines : tuple of str
        Holes of each side, what to buy; empty of lengths when the measurement is in pixels.
    warnings : tuple of str
        What to mind before the first strand is laid.
    """

    drawings: tuple[Drawing, ...]
    lines: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def pages(self) -> tuple[Drawing, ...]:
        """The drawings for the sheet: what to buy and to mind stands with the first."""
        return (replace(self.drawings[0], notes=(*self.lines, *self.warnings)), *self.drawings[1:])


def strand_pages_of(m: Measurement, *, couched: bool = False) -> StrandPages:
    """Plan, draw and reckon.

    Raises
    ------
    BadInput
        When the holes make no seat: too few, a rail missing.
    """
    plan = plan_of_measurement(m)
    drawn = drawings(plan)
    steps = [
        Drawing(title=f"Step {step}: {words}", svg=drawn[f"step-{step}"], words=tuple(step_pieces(plan, step)))
        for step, words in STEPS.items()
        if f"step-{step}" in drawn
    ]
    steps.append(Drawing(title="All steps together", svg=drawn["all-steps"]))
    return StrandPages(
        drawings=tuple(steps),
        lines=(*seat_lines(plan), *_buying(plan, m, couched=couched)),
        warnings=tuple(plan.warnings),
    )


def _buying(plan: StrandPlan, m: Measurement, *, couched: bool) -> list[str]:
    """What to buy in a few lines; the whole reckoning is that of ``holecount plan``."""
    if m.scale is None:
        return []
    settings = CaneSettings()
    need = cane_need(plan, settings, couch_every=1 if couched else None)
    return [
        f"Cane: {metres_and_feet(need.net_mm)} net; buy {metres_and_feet(need.buy_mm)} ({settings.allowance:g} times), "
        f"by published use of like seats {metres_and_feet(need.low_mm)} to {metres_and_feet(need.high_mm)}",
        f"Binder: {metres_and_feet(need.binder_mm)}",
        f"Reckoned with a frame {settings.thickness_mm:.0f} mm thick and tails of {settings.tail_mm:.0f} mm; "
        "say otherwise with: holecount plan",
    ]
