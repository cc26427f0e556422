"""What the worker should know beside the size: conflicts, spread, sources that disagree."""

import math
from collections.abc import Sequence

from holecount.sizing.chart import GRADES, Chart, Row, also_named
from holecount.sizing.choice import SizeChoice, SizeRemark
from holecount.sizing.ladder import ROUND_SHAPES, RuleSettings, Rung, highest
from holecount.sizing.packing import StrandSettings, assumed_thickness_mm, bore_needed_mm, fit
from holecount.sizing.reasons import same_rows
from holecount.sizing.words import a_seat, length, percent, size, width

Said = list[tuple[str, str]]
"""Remarks as pairs of code and words."""


def remarks_for(
    made: SizeChoice,
    decider: Chart,
    charts: Sequence[Chart],
    rungs: tuple[Rung, ...],
    rules: RuleSettings,
    strands: StrandSettings,
) -> tuple[SizeRemark, ...]:
    """All remarks, weightiest first."""
    out: Said = [("measurement", w) for w in made.figures.warnings]
    out += _nothing_goes(made, rungs)
    if made.to_decide:
        out.append(("near-even", f"two sizes are near even: {made.to_decide}"))
    out += _conflict(made, rungs, strands)
    out += _outside(made, rungs, rules)
    out += _strands(made)
    out += _charts(made, decider, charts, rungs)
    out += _rails(made, rules)
    out += _spread(made, rungs, rules)
    out += _missing(made)
    out += _names(made, rules)
    return tuple(SizeRemark(code=code, words=words) for code, words in out)


def _pointed_to(made: SizeChoice, rungs: tuple[Rung, ...]) -> tuple[Rung | None, Rung | None]:
    """Widest rungs by the mean pitch alone, and by the small holes against the chart's holes alone."""
    pitch, hole = made.figures.pitch, made.figures.small_hole_mm
    by_spacing = highest(rungs, lambda r: r.spacing_mm <= pitch.mean_mm + 1e-9) if pitch else None
    by_hole = highest(rungs, lambda r: r.hole_chart_mm <= hole + 1e-9) if hole else None
    return by_spacing, by_hole


def _nothing_goes(made: SizeChoice, rungs: tuple[Rung, ...]) -> Said:
    hole = made.figures.small_hole_mm
    if made.chance_none < 0.02 or hole is None:
        return []
    thin = rungs[0]
    words = (
        f"{percent(made.chance_none)} that not even {size(thin.width_mm)} goes through the small holes: "
        f"{thin.n_strands} strands need {length(thin.hole_strands_mm)}, the holes have {length(hole)}"
    )
    return [("nothing-goes", words)]


def _conflict(made: SizeChoice, rungs: tuple[Rung, ...], strands: StrandSettings) -> Said:
    """Spacing and hole that point to different rows."""
    f = made.figures
    by_spacing, by_hole = _pointed_to(made, rungs)
    if by_spacing is None or by_hole is None or f.pitch is None or f.small_hole_mm is None:
        return []
    pitch, hole, wide = f.pitch.mean_mm, f.small_hole_mm, by_spacing.width_mm
    asks = f"spacing and hole point to different rows: a pitch of {length(pitch)} asks for {size(wide)}"
    if by_hole.width_mm < wide:
        measured = made.thickness_from == "measured" and made.thickness_mm is not None
        thickness = made.thickness_mm if measured else assumed_thickness_mm(wide, strands)
        n, thick = by_spacing.n_strands, thickness or assumed_thickness_mm(wide, strands)
        words = (
            f"{asks}, but holes of {length(hole)} allow no more than {size(by_hole.width_mm)} by the chart; "
            f"spacing decides, hole size limits. {n} strands of {width(wide)} would be: "
            f"{fit(n, wide, thick, hole, strands)} (they need {length(bore_needed_mm(n, wide, thick))})"
        )
        return [("conflict", words)]
    # Rows that share one hole are no conflict; a hole that is a wider row's is.
    mine, its = by_spacing.hole_row, by_hole.hole_row
    if mine is None or its is None or (its.hole_mm or 0.0) <= (mine.hole_mm or 0.0):
        return []
    words = (
        f"{asks}, holes of {length(hole)} would take {size(by_hole.width_mm)}; spacing decides "
        "(others let the hole decide: sources disagree)"
    )
    return [("conflict", words)]


def _outside(made: SizeChoice, rungs: tuple[Rung, ...], rules: RuleSettings) -> Said:
    """A pitch beyond the chart's first or last row."""
    f = made.figures
    spaced = [r.spacing_row.spacing_mm for r in rungs if r.spacing_row and r.spacing_row.spacing_mm is not None]
    if f.pitch is None or not spaced:
        return []
    pitch, first, last = f.pitch.mean_mm, min(spaced), max(spaced)
    apart = f"holes {length(pitch)} apart are"
    if pitch < first - rules.spacing_slack_mm:
        return [("outside-chart", f"{apart} closer than the chart's first row ({length(first)})")]
    if pitch > last * (1 + rules.rule_of_thumb_frac / 2):
        return [("outside-chart", f"{apart} wider than the chart's last row ({length(last)})")]
    return []


def _strands(made: SizeChoice) -> Said:
    """Holes whose strands will not go; not those with more couching than was asked about."""
    deciding = next((x.n_strands for x in made.fits if x.decides), 0)
    return [("will-not-go", x.words) for x in made.fits if x.verdict == "will not go" and x.n_strands <= deciding + 2]


def _charts(made: SizeChoice, decider: Chart, charts: Sequence[Chart], rungs: tuple[Rung, ...]) -> Said:
    """Charts that disagree, and how far the row that decides can be trusted."""
    out: Said = []
    mine, *rest = made.by_chart
    by_mine = mine.width_mm
    if by_mine is not None:
        # A chart between two of whose rows the seat lies does not contradict a size between them.
        others = [
            f"{size(s.width_mm)} by {s.cited}"
            for s in rest
            if s.width_mm is not None and s.up_to_mm is not None and not s.width_mm <= by_mine <= s.up_to_mm
        ]
        if others:
            words = f"the charts disagree: {size(by_mine)} by {mine.cited}; {'; '.join(others)}"
            out.append(("charts-disagree", words))
    by_spacing, by_hole = _pointed_to(made, rungs)
    row: Row | None = None
    if by_spacing is not None and (by_hole is None or by_spacing.width_mm <= by_hole.width_mm):
        row = by_spacing.spacing_row
    elif by_hole is not None:
        row = by_hole.hole_row
    if row is not None and decider.grade == "M" and not same_rows(row, decider, charts):
        words = f"the row that decides ({row.words()}) is {GRADES['M']}: no printed chart at hand has it"
        out.append(("memory-row", words))
    pitch = made.figures.pitch
    if row is not None and pitch is not None and not any("same spacing" in c.why for c in made.candidates):
        wider = [r.spacing_row for r in rungs if r.spacing_alike_mm <= pitch.mean_mm < r.spacing_mm]
        names = ", ".join(dict.fromkeys(r.cane for r in wider if r is not None and r.cane and r.cane != row.cane))
        if names:
            words = f"{row.cane} and {names} are printed with the same spacing: the smaller is taken"
            out.append(("rows-alike", words))
    return out


def _rails(made: SizeChoice, rules: RuleSettings) -> Said:
    out: Said = []
    means = {r.name: r.pitch for r in made.figures.rails if r.pitch is not None}
    if len(means) > 1:
        low, high = min(means, key=lambda n: means[n].mean_mm), max(means, key=lambda n: means[n].mean_mm)
        a, b = means[low], means[high]
        # Between two rails of one photo only their own errors count; the scale is shared.
        if b.mean_mm - a.mean_mm > max(rules.differ_mm, 2 * math.hypot(a.u_own_mean_mm, b.u_own_mean_mm)):
            words = f"the rails differ: {low} {length(a.mean_mm)}, {high} {length(b.mean_mm)} from hole to hole"
            out.append(("rails-differ", words))
    raked = {n: t for n, t in made.figures.rakes_deg if t >= rules.rake_deg and n in means}
    if raked:
        angle = sum(raked.values()) / len(raked)
        along = sum(means[n].mean_mm for n in raked) / len(raked)
        across = along * math.cos(math.radians(angle))
        front = f", against {length(means['front'].mean_mm)} on the front rail" if "front" in means else ""
        names = " and ".join(raked)
        are, them = ("rails are", "them") if len(raked) > 1 else ("rail is", "it")
        words = (
            f"the {names} {are} raked by {angle:.0f}°, which lengthens the pitch along {them}: "
            f"{along:.2f} mm is {across:.2f} mm straight across{front}"
        )
        out.append(("raked", words))
    return out


def _spread(made: SizeChoice, rungs: tuple[Rung, ...], rules: RuleSettings) -> Said:
    f = made.figures
    out: Said = []
    tight = f.tightest
    by_mean, _ = _pointed_to(made, rungs)
    if tight is not None and by_mean is not None:
        by_tight = highest(rungs, lambda r: r.spacing_mm <= tight.pitch_mm + 1e-9)
        if by_tight and by_tight.width_mm < by_mean.width_mm:
            words = (
                f"the tightest six inches ({tight.words}: {length(tight.pitch_mm)}) ask for "
                f"{size(by_tight.width_mm)}, the mean for {size(by_mean.width_mm)}"
            )
            out.append(("tightest", words))
    small, wide = f.small_hole_mm, f.wide_hole_mm
    if small is not None and wide is not None and wide - small > rules.differ_mm:
        words = f"the holes differ, from {length(small)} to {length(wide)}: judged by the small ones"
        out.append(("holes-differ", words))
    return out


def _missing(made: SizeChoice) -> Said:
    f = made.figures
    out: Said = []
    if f.pitch is None:
        words = "no pitch was given: only what the holes allow is known; count holes in six inches"
        out.append(("no-spacing", words))
    if f.small_hole_mm is None:
        out.append(("no-hole", "no hole diameter is known: gauge the smallest holes with a drill bit before buying"))
    elif f.n_holes and f.n_gauged < f.n_holes / 2:
        words = f"only {f.n_gauged} of {f.n_holes} holes have a diameter: gauge some of the others with a drill bit"
        out.append(("few-gauged", words))
    if made.shape is None:
        out.append(("no-shape", "the shape was not given: on a round or oval seat take the smaller size"))
    return out


def _names(made: SizeChoice, rules: RuleSettings) -> Said:
    out: Said = []
    c = made.choice
    if c is None:
        return out
    others = [n for n in also_named(c.width_mm) if n != c.name]
    if others:
        words = f"buy by the millimetre: {width(c.width_mm)} is also sold as {' or '.join(others)} (from memory)"
        out.append(("names", words))
    pitch = made.figures.pitch
    if pitch is not None:
        thumb = pitch.mean_mm / rules.rule_of_thumb
        if abs(thumb / c.width_mm - 1) > rules.rule_of_thumb_frac + 1e-9:
            words = (
                "by the rule of thumb (the pitch is six widths, give or take a fifth; derived) "
                f"{length(pitch.mean_mm)} would want about {width(round(thumb * 4) / 4)}"
            )
            out.append(("rule-of-thumb", words))
    if made.shape in ROUND_SHAPES and len(made.candidates) > 1:
        out.append(("round", f"on {a_seat(made.shape)}, of two sizes take the smaller"))
    return out
