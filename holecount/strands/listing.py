"""The plan in words, for the terminal and the job sheet."""

import math
from collections.abc import Sequence

from holecount.strands.cane import MM_PER_FOOT, CaneNeed, CaneSettings
from holecount.strands.cautions import number_list
from holecount.strands.charge import Charge
from holecount.strands.layout import sides
from holecount.strands.plan import STEPS, StrandPlan


def metres_and_feet(length_mm: float) -> str:
    """``57.3 m (188 ft)``; below 10 m in feet with a decimal."""
    feet = length_mm / MM_PER_FOOT
    return f"{length_mm / 1000:.1f} m ({feet:.0f} ft)" if feet >= 30 else f"{length_mm / 1000:.2f} m ({feet:.1f} ft)"


def step_pieces(plan: StrandPlan, step: int) -> list[str]:
    """Each piece of a step hole to hole: ``10-44, 43-11`` runs over the seat, a comma links underneath."""
    pieces: list[list[str]] = [[]]
    for s in plan.step(step):
        pieces[-1].append(f"{s.start}-{s.end}")
        if s.link_to is None:
            pieces.append([])
    return [", ".join(p) for p in pieces if p]


def seat_lines(plan: StrandPlan) -> list[str]:
    """Holes of each side, the middle holes and the corners."""
    frame = plan.frame
    front, right, back, left = (len(s) for s in sides(frame, plan.layout.corners))
    corners = ", ".join("no hole" if c is None else str(c) for c in plan.corner_holes)
    chosen = " (chosen)" if frame.corners is None else ""
    return [
        f"{frame.n} holes, {frame.shape}: between the corners {front} front, {right} right, {back} back, {left} left",
        f"Middle of the front: {_either(plan.centre_front)}; middle of the back: {_either(plan.centre_back)}",
        f"Corner holes{chosen}: {corners}",
    ]


def _either(numbers: Sequence[int]) -> str:
    return f"hole {numbers[0]}" if len(numbers) == 1 else f"between holes {numbers[0]} and {numbers[1]}"


def strand_lines(plan: StrandPlan) -> list[str]:
    """Every strand of every step, hole to hole."""
    lines = [f"{plan.runs} strands, hole to hole over the seat; a comma links underneath, a new line is pegged anew."]
    again = sorted({s.end for s in plan.strands if s.link_to == s.end})
    if again:
        lines.append(
            f"Where a strand comes up through the hole it went down ({number_list(again)}), catch it under a loop "
            "beneath first."
        )
    for step, words in STEPS.items():
        lines.append(f"Step {step}: {words} ({len(plan.step(step))})")
        lines += [f"  {piece}" for piece in step_pieces(plan, step)]
    return lines


def hole_lines(plan: StrandPlan) -> list[str]:
    """How many strands the holes take; which are doubled and which passed over."""
    counts: dict[int, list[int]] = {}
    for number, count in plan.per_hole.items():
        counts.setdefault(count, []).append(number)
    lines = ["Strands through a hole, couching not counted (couching adds 2):"]
    usual = max(counts, key=lambda c: len(counts[c]))
    for count in sorted(counts, reverse=True):
        where = f"the other {len(counts[count])} holes" if count == usual else f"holes {number_list(counts[count])}"
        lines.append(f"  {count}: {where}")
    if plan.short:
        lines.append(f"Short verticals: strands {number_list(plan.short)}")
    for title, found in (("Doubled", plan.doubled), ("Passed over", plan.skipped)):
        for family, numbers in found.items():
            if numbers:
                lines.append(f"{title}, {family}: {number_list(numbers)}")
    return lines


def layout_lines(plan: StrandPlan) -> list[str]:
    """Why this layout: the objective's terms, against the next best."""
    lines = []
    for k, layout in enumerate(plan.tried[:3]):
        o = layout.objective
        lines.append(
            f"{'Also tried' if k else 'Chosen'} ({layout.words}): strands within {o.lean_deg:.1f} degrees of parallel, "
            f"{o.off_square_deg:.1f} out of square, spacing uneven by {100 * o.uneven_frac:.0f} %, "
            f"{100 * o.lopsided_frac:.0f} % without a mirror image, {o.n_doubled} doubled, {o.n_left_out} left out; "
            f"together {o.total:.2f}"
        )
    return lines


def cane_lines(need: CaneNeed, settings: CaneSettings, *, couch_every: int | None) -> list[str]:
    """Cane by step and what to buy."""
    lines = [
        "Cane, net:",
        "  step  strands      over   beneath  through     tails     together",
    ]
    for s in need.steps:
        lines.append(
            f"  {s.step:4d}  {s.n_strands:7d}  {s.spans_mm / 1000:6.2f} m  {s.links_mm / 1000:6.2f} m  "
            f"{s.passages_mm / 1000:5.2f} m  {s.tails_mm / 1000:6.2f} m  {metres_and_feet(s.net_mm)}"
        )
    lines.append(f"  steps 1 to 6: {metres_and_feet(need.net_mm)}")
    if couch_every:
        lines.append(f"  couching, {_couched(couch_every)}: {metres_and_feet(need.couching_mm)}")
    lines += [
        f"To buy: {metres_and_feet(need.buy_mm)}, {settings.allowance:g} times net, for joins, splits and practice",
        f"  published use of like seats: {settings.low_factor:g} to {settings.high_factor:g} times such a reckoning, "
        f"here {metres_and_feet(need.low_mm)} to {metres_and_feet(need.high_mm)}",
        f"  {need.hanks:.2f} hanks of {settings.hank_mm / MM_PER_FOOT:.0f} ft, so {math.ceil(need.hanks)}; or "
        f"{need.coils:.2f} coils of {settings.coil_mm / MM_PER_FOOT:.0f} ft, so {math.ceil(need.coils)}",
        f"  {need.n_lengths} lengths of {metres_and_feet(settings.length_mm)}; "
        f"{metres_and_feet(need.offcuts_mm)} of ends too short to go on",
        f"Binder: {metres_and_feet(need.binder_mm)}",
        f"  reckoned with a frame {settings.thickness_mm:.0f} mm thick and tails of {settings.tail_mm:.0f} mm",
    ]
    return lines


def _couched(every: int) -> str:
    return {1: "every hole", 2: "every second hole"}.get(every, f"every {every}th hole")


def charge_lines(charge: Charge) -> list[str]:
    """The reckoning, line by line."""
    rows = [(line.words, charge.printed(line.amount)) for line in charge.lines]
    rows.append(("together", charge.printed(charge.total)))
    wide, narrow = max(len(w) for w, _ in rows), max(len(a) for _, a in rows)
    return ["Charge:", *(f"  {w:<{wide}}  {a:>{narrow}}" for w, a in rows), *(f"  {note}" for note in charge.notes)]
