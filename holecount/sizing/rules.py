"""The sizing rules: spacing decides, hole size limits, and of two sizes the smaller is taken."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from holecount.sizing.binder import choose_binder
from holecount.sizing.by_chart import says
from holecount.sizing.chance import Array, at_least
from holecount.sizing.chart import Chart, built_in_charts, chart_named, width_name
from holecount.sizing.choice import Candidate, Fit, SizeChoice
from holecount.sizing.deciding import to_decide, why
from holecount.sizing.figures import SHAPES, Figures
from holecount.sizing.ladder import ROUND_SHAPES, RuleSettings, Rung, ladder
from holecount.sizing.packing import (
    StrandSettings,
    assumed_thickness_mm,
    bore_needed_mm,
    fit,
    thickest_mm,
)
from holecount.sizing.reasons import reasons_for
from holecount.sizing.remarks import remarks_for
from holecount.sizing.words import length
from holecount.troubles import BadInput

ORDINARY = 4
"""Strands in an ordinary hole: two straight, one of each diagonal (Perry 1917; Sharp)."""

DOUBLED = 6
"""In a hole that takes a vertical and a horizontal pair, on round and tapered seats (Perry 1917; Sharp)."""

COUCHING = 2
"""What couching adds to a hole (Perry 1917; Sharp)."""

MOST_STRANDS = 16
"""More strands than that in one hole are a slip of the pen: eight is the most the trade names. Own choice."""

LEAST_CHANCE = 0.005
"""Widths below this chance are not listed. Own choice."""


def choose(
    figures: Figures,
    *,
    charts: Sequence[Chart] | None = None,
    deciding_chart: str = "usual",
    shape: str | None = None,
    couched: bool = False,
    strand_thickness_mm: float | None = None,
    fullest_hole: int | None = None,
    rules: RuleSettings | None = None,
    strands: StrandSettings | None = None,
) -> SizeChoice:
    """Choose cane.

    Parameters
    ----------
    figures : from `holecount.sizing.figures_from`.
    charts : charts to ask; those that come along when None.
    deciding_chart : name of the one that decides.
    shape : overrides that of the figures.
    couched : the binder's couching goes through the holes too.
    strand_thickness_mm : measured with a calliper; assumed from the width when None.
    fullest_hole : strands of the weave in the fullest hole, couching not counted, as a strand plan counts
        them; when None 6 on round and oval seats and 4 on others.
    rules, strands : settings.

    Raises
    ------
    BadInput
        When there is nothing to decide from, or a value is impossible.
    """
    rules, strands = rules or RuleSettings(), strands or StrandSettings()
    shape = shape or figures.shape
    _check(figures, shape, strand_thickness_mm, fullest_hole)
    asked = tuple(charts) if charts is not None else built_in_charts()
    decider = chart_named(deciding_chart, asked)
    weave = fullest_hole or (DOUBLED if shape in ROUND_SHAPES else ORDINARY)
    n_strands = weave + (COUCHING if couched else 0)
    hole_mm = figures.small_hole_mm

    def rungs_of(chart: Chart) -> tuple[Rung, ...]:
        return ladder(
            chart, n_strands=n_strands, thickness_mm=strand_thickness_mm, hole_mm=hole_mm, shape=shape, rules=rules,
            strands=strands,
        )  # fmt: skip

    rungs = rungs_of(decider)
    if not rungs:
        raise BadInput(f"The chart '{decider.name}' has no row with a hole or a spacing: it cannot decide.")
    reach = at_least(rungs, figures, rules)
    index = next((k for k in reversed(range(len(rungs))) if reach[k] >= rules.sure_enough), None)
    candidates = _candidates(rungs, reach, index, figures, rules, strands, decider)
    choice = candidates[0] if index is not None else None
    others = [c for c in asked if c is not decider]
    by_chart = tuple(says(c, rungs_of(c), figures) for c in [decider, *others])
    width = rungs[index].width_mm if index is not None else rungs[0].width_mm
    thickness = strand_thickness_mm if strand_thickness_mm is not None else assumed_thickness_mm(width, strands)
    fits = _fits(width, thickness, figures, shape, fullest_hole, n_strands, strands)
    ordinary_couched = next((f.verdict for f in fits if f.n_strands == ORDINARY + COUCHING), None)
    made = SizeChoice(
        choice=choice,
        candidates=candidates,
        chance_none=float(1 - reach[0]),
        deciding=decider.name,
        by_chart=by_chart,
        fits=fits,
        thickness_mm=thickness,
        thickness_from="measured" if strand_thickness_mm is not None else "assumed from the width (derived)",
        binder=choose_binder(figures, ordinary_couched),
        to_decide=to_decide(rungs, candidates, index, figures, rules, strands),
        reasons=(),
        remarks=(),
        low_confidence=figures.low_confidence,
        shape=shape,
        couched=couched,
        figures=figures,
    )
    reasons = reasons_for(made, decider, asked, rungs, rules, strands)
    remarks = remarks_for(made, decider, asked, rungs, rules, strands)
    return replace(made, reasons=reasons, remarks=remarks)


def _check(figures: Figures, shape: str | None, thickness_mm: float | None, fullest_hole: int | None) -> None:
    if figures.pitch is None and figures.small_hole_mm is None:
        raise BadInput("There is neither a pitch nor a hole diameter to choose by.", "Measure at least one of them.")
    if shape is not None and shape not in SHAPES:
        raise BadInput(f"'{shape}' is no shape of a seat.", f"Shapes are: {', '.join(SHAPES)}.")
    if thickness_mm is not None and not 0.3 <= thickness_mm <= 3.0:
        raise BadInput(
            f"A strand {thickness_mm:g} mm thick is no cane (0.3 to 3 mm).", "Measure one strand with a calliper."
        )
    if fullest_hole is not None and not 1 <= fullest_hole <= MOST_STRANDS:
        raise BadInput(f"{fullest_hole} strands in one hole cannot be.", f"Give 1 to {MOST_STRANDS}.")


def _candidates(
    rungs: tuple[Rung, ...],
    reach: Array,
    index: int | None,
    figures: Figures,
    rules: RuleSettings,
    strands: StrandSettings,
    chart: Chart,
) -> tuple[Candidate, ...]:
    """Widths with their chances, the chosen one first."""
    chances = reach - np.append(reach[1:], 0.0)
    order = [k for k in np.argsort(-chances, kind="stable") if chances[k] >= LEAST_CHANCE and k != index]
    listed = ([index] if index is not None else []) + [int(k) for k in order]
    return tuple(
        Candidate(
            width_mm=rungs[k].width_mm,
            name=width_name(rungs[k].width_mm, chart),
            chance=float(chances[k]),
            chance_at_least=float(reach[k]),
            why=why(rungs, k, index, figures, rules, strands) if k != index and index is not None else "",
        )
        for k in listed
    )


def _fits(
    width_mm: float,
    thickness_mm: float,
    figures: Figures,
    shape: str | None,
    fullest_hole: int | None,
    n_deciding: int,
    strands: StrandSettings,
) -> tuple[Fit, ...]:
    """How the strands of ordinary, couched, doubled and counted holes go through the small holes."""
    hole = figures.small_hole_mm
    if hole is None:
        return ()
    wanted: dict[int, str] = {ORDINARY: "ordinary hole", ORDINARY + COUCHING: "ordinary hole, couched"}
    if shape not in ("square", None) or fullest_hole is not None:
        wanted[DOUBLED] = "ordinary hole couched, or doubled hole"
        wanted[DOUBLED + COUCHING] = "doubled hole, couched"
    if fullest_hole is not None:
        wanted[fullest_hole] = "fullest hole of the plan"
        wanted[fullest_hole + COUCHING] = "fullest hole of the plan, couched"
    wanted.setdefault(n_deciding, "fullest hole")
    out = []
    for n, where in sorted(wanted.items()):
        needs = bore_needed_mm(n, width_mm, thickness_mm)
        verdict = fit(n, width_mm, thickness_mm, hole, strands)
        thickest = thickest_mm(n, width_mm, hole, strands)
        words = f"{where}, {n} strands: {verdict}; they need {length(needs)}, the small holes have {length(hole)}"
        if verdict == "will not go":
            words += (
                f"; they would if no thicker than {thickest:.2f} mm"
                if thickest is not None
                else "; not at any thickness of cane"
            )
        out.append(
            Fit(
                where=where, n_strands=n, width_mm=width_mm, thickness_mm=thickness_mm, needs_mm=needs, hole_mm=hole,
                verdict=verdict, thickest_mm=thickest, decides=n == n_deciding, words=words,
            )
        )  # fmt: skip
    return tuple(out)
