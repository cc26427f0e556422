"""What makes another width than the chosen one right, and what to measure to know."""

import numpy as np

from holecount.sizing.chance import hole_at_least, spacing_at_least, u_small_hole_mm
from holecount.sizing.choice import Candidate
from holecount.sizing.figures import Figures
from holecount.sizing.ladder import RuleSettings, Rung
from holecount.sizing.packing import StrandSettings, thickest_mm
from holecount.sizing.words import bit, length, size

N_SPACES = 10
"""Spaces to lay a tape over: a reading error counts a tenth then (derived)."""


def _limit(rungs: tuple[Rung, ...], k: int, figures: Figures, rules: RuleSettings) -> str:
    """What is likelier to keep one from reaching rung ``k``: ``spacing`` or ``hole``."""
    one = np.ones(1)
    by_spacing = float(spacing_at_least(rungs, figures, rules, one)[k, 0])
    by_hole = float(hole_at_least(rungs, figures, one)[k, 0])
    return "spacing" if by_spacing <= by_hole else "hole"


def why(
    rungs: tuple[Rung, ...], k: int, index: int | None, figures: Figures, rules: RuleSettings, strands: StrandSettings
) -> str:
    """Why another width than the chosen one may be right."""
    if index is None:
        return ""
    smaller = k < index
    # The step between the two: the rung that must (not) be reached.
    step = k + 1 if smaller else index + 1
    if _limit(rungs, step, figures, rules) == "hole":
        thick = _thickness_decides(rungs[step], figures, strands)
        if thick is not None:
            return (
                f"if the strands are thicker than {thick:.2f} mm"
                if smaller
                else f"if the strands are no thicker than {thick:.2f} mm"
            )
        who = "the small holes are" if figures.n_gauged > 1 else "the hole is"
        need = bit(rungs[step].hole_mm)
        return f"if {who} under {need}" if smaller else f"if {who} {need} or more"
    if rungs[step].spacing_alike_mm < rungs[step].spacing_mm:
        return "printed with the same spacing in the chart"
    need_mm = rungs[step].spacing_mm
    return _odd_rail(figures, need_mm, smaller) or (
        f"if the pitch is under {length(need_mm)}" if smaller else f"if the pitch is {length(need_mm)} or more"
    )


def _thickness_decides(rung: Rung, figures: Figures, strands: StrandSettings) -> float | None:
    """Thickest strand that still goes, where not knowing the thickness matters more than not knowing the bore."""
    if rung.hole_strands_mm <= rung.hole_chart_mm or rung.u_hole_strands_mm <= u_small_hole_mm(figures):
        return None
    return thickest_mm(rung.n_strands, rung.width_mm, figures.small_hole_mm or 0.0, strands)


def _odd_rail(figures: Figures, need_mm: float, closer: bool) -> str:
    """The rail that stands on the other side of a step while the rest does not."""
    places = dict.fromkeys(s.place for s in figures.stretches)
    if len(places) < 2:
        far = [s for s in figures.stretches if (s.pitch_mm < need_mm) == closer]
        if far and 2 * len(far) < len(figures.stretches):
            worst = (min if closer else max)(far, key=lambda s: s.pitch_mm)
            return (
                f"{worst.words} {'stand closer' if closer else 'stand wider'} than the rest ({length(worst.pitch_mm)})"
            )
        return ""
    means = {p: float(np.mean([s.pitch_mm for s in figures.stretches if s.place == p])) for p in places}
    beyond = [p for p, v in means.items() if (v < need_mm) == closer]
    if not beyond or len(beyond) == len(means):
        return ""
    worst_place = (min if closer else max)(beyond, key=lambda p: means[p])
    rest = float(np.mean([v for p, v in means.items() if p not in beyond]))
    names = " and ".join(beyond)
    many = len(beyond) > 1
    return (
        f"the {names} {'rails are' if many else 'rail is'} {'closer' if closer else 'wider'} than the rest "
        f"({length(means[worst_place])} against {length(rest)})"
    )


def to_decide(
    rungs: tuple[Rung, ...],
    candidates: tuple[Candidate, ...],
    index: int | None,
    figures: Figures,
    rules: RuleSettings,
    strands: StrandSettings,
) -> str:
    """What to measure when another width is nearly as likely."""
    rival = next((c for c in candidates[1:] if c.chance >= rules.near_even), None)
    if index is None or rival is None:
        return ""
    k = next(i for i, r in enumerate(rungs) if r.width_mm == rival.width_mm)
    step = max(k, index) if abs(k - index) == 1 else min(k, index) + 1
    wide, thin = size(rungs[max(k, index)].width_mm), size(rungs[min(k, index)].width_mm)
    if _limit(rungs, step, figures, rules) == "hole":
        thick = _thickness_decides(rungs[step], figures, strands)
        if thick is not None:
            return f"measure a strand with a calliper: up to {thick:.2f} mm thick {wide} will do, thicker {thin}"
        need = rungs[step].hole_mm
        where = f" (numbers {', '.join(map(str, figures.small_holes))})" if figures.small_holes else ""
        return (
            f"try a drill bit of {bit(need)} in the smallest holes{where}: where it goes in, {wide} will do; "
            f"where it does not, {thin}"
        )
    if rungs[step].spacing_alike_mm < rungs[step].spacing_mm:
        return (
            f"{thin} and {wide} have one spacing in the chart, so no measuring tells them apart: "
            "the smaller is always allowed"
        )
    need = rungs[step].spacing_mm
    return (
        f"lay a tape from the middle of one hole to the middle of the {N_SPACES}th after it, on each rail: "
        f"{length(N_SPACES * need)} or more means {wide}, less means {thin}"
    )
