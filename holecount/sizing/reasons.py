"""The reasoning line by line, each with the chart row or source it rests on."""

from collections.abc import Sequence

from holecount.lengths import inches_32, mm_with_u
from holecount.sizing.chart import Chart, Row
from holecount.sizing.choice import Reason, SizeChoice
from holecount.sizing.ladder import ROUND_SHAPES, RuleSettings, Rung, highest
from holecount.sizing.packing import StrandSettings
from holecount.sizing.words import a_seat, length, percent, size, width


def row_cited(row: Row, chart: Chart) -> str:
    """``usual chart [M], row "fine: hole 3/16 in, spacing 5/8 in"``."""
    return f'{chart.cited}, row "{row.words()}"'


def same_rows(row: Row, chart: Chart, charts: Sequence[Chart]) -> list[Chart]:
    """Other charts that print the same hole and spacing for the same name."""
    return [
        c
        for c in charts
        if c is not chart
        and any(
            r.cane == row.cane and r.hole_mm == row.hole_mm and r.spacing_mm == row.spacing_mm and row.cane
            for r in c.rows
        )
    ]


def reasons_for(
    made: SizeChoice,
    decider: Chart,
    charts: Sequence[Chart],
    rungs: tuple[Rung, ...],
    rules: RuleSettings,
    strands: StrandSettings,
) -> tuple[Reason, ...]:
    """All steps from the figures to the size."""
    out = _figures_read(made)
    out += _by_spacing(made, decider, charts, rungs, rules)
    out += _by_hole(made, decider, charts, rungs, rules)
    out += _by_strands(made, strands)
    out += _decided(made, rules)
    out += [
        Reason(words=f"{says.cited} by itself: {_said(says.width_mm, says.name)}; {says.words}", source=says.source)
        for says in made.by_chart
    ]
    out += [Reason(words=w, source="; ".join(made.binder.sources)) for w in made.binder.words[:1]]
    out += [Reason(words=w, source=made.binder.sources[-1]) for w in made.binder.words[2:]]
    return tuple(out)


def _said(width_mm: float | None, name: str) -> str:
    return size(width_mm, name) if width_mm is not None else "no size"


def _figures_read(made: SizeChoice) -> list[Reason]:
    f = made.figures
    source = {"photo": "the measurement", "tape": "the readings", "typed": "typed"}.get(f.origin, f.origin)
    out = []
    if f.pitch is not None:
        p = f.pitch
        out.append(
            Reason(
                words=f"pitch, centre to centre, {mm_with_u(p.mean_mm, p.u_mean_mm)} ({inches_32(p.mean_mm)}), "
                f"mean of {p.n}, from {p.min_mm:.1f} to {p.max_mm:.1f} mm",
                source=source,
            )
        )
    tight = f.tightest
    if tight is not None:
        out.append(Reason(words=f"tightest six inches: {length(tight.pitch_mm)}, {tight.words}", source=source))
    if f.hole is not None and f.small_hole_mm is not None:
        h = f.hole
        out.append(
            Reason(
                words=f"holes {mm_with_u(h.mean_mm, h.u_mean_mm)} ({inches_32(h.mean_mm)}), mean of {h.n}; "
                f"the small ones {length(f.small_hole_mm)}",
                source=source,
            )
        )
        out.append(
            Reason(
                words="holes that differ are judged by the small ones",
                source="larger cane never: common practice, no source",
            )
        )
    return out


def _by_spacing(
    made: SizeChoice, decider: Chart, charts: Sequence[Chart], rungs: tuple[Rung, ...], rules: RuleSettings
) -> list[Reason]:
    f = made.figures
    if f.pitch is None or not any(r.spacing_row for r in rungs):
        return [
            Reason(
                words=f"{'no pitch' if f.pitch is None else 'no spacing in the chart'} to go by: the hole decides",
                source="others let the hole decide: sources disagree",
            )
        ]
    pitch = f.pitch.mean_mm
    slack = rules.slack_mm(made.shape)
    at = highest(rungs, lambda r: r.spacing_mm <= pitch + 1e-9)
    out = [Reason(words="spacing decides, hole size limits", source="Sharp, teaching pages 2001-08")]
    if at is not None and at.spacing_row is not None:
        out.append(
            Reason(
                words=f"by spacing: {size(at.width_mm)}: the widest row whose spacing, less {length(slack)}, "
                f"is not more than {length(pitch)}",
                source=row_cited(at.spacing_row, decider),
            )
        )
        out += _also_printed(at.spacing_row, decider, charts)
        above = next((r for r in rungs if r.width_mm > at.width_mm and r.spacing_mm > pitch), None)
        if above is not None and above.spacing_row is not None:
            out.append(
                Reason(
                    words=f"the next row up is not reached: it begins at {length(above.spacing_mm)}",
                    source=row_cited(above.spacing_row, decider),
                )
            )
    tight = f.tightest
    if tight is not None:
        tight_at = highest(rungs, lambda r: r.spacing_mm <= tight.pitch_mm + 1e-9)
        if tight_at is not None:
            out.append(
                Reason(words=f"by the tightest stretch: {size(tight_at.width_mm)}", source="common practice, no source")
            )
    if made.shape in ROUND_SHAPES:
        out.append(
            Reason(
                words=f"on {a_seat(made.shape)} the smaller of two sizes is taken always: only {length(slack)} "
                "below a row counts as that row",
                source="smaller on round seats: common practice, no source; the figure: derived",
            )
        )
    else:
        out.append(
            Reason(
                words="between two rows the smaller is taken",
                source="common practice, no source; that half of the 1/16 in which charts are printed to still "
                "counts as the row: derived",
            )
        )
    return out


def _by_hole(
    made: SizeChoice, decider: Chart, charts: Sequence[Chart], rungs: tuple[Rung, ...], rules: RuleSettings
) -> list[Reason]:
    hole = made.figures.small_hole_mm
    if hole is None:
        return [Reason(words="no hole diameter: the hole does not limit here", source="the readings")]
    at = highest(rungs, lambda r: r.hole_chart_mm <= hole + 1e-9)
    if at is None or at.hole_row is None:
        return []
    out = [
        Reason(
            words=f"by hole: no wider than {size(at.width_mm)}: the widest row whose hole, less "
            f"{percent(rules.hole_slack_frac)}, is not more than {length(hole)}",
            source=row_cited(at.hole_row, decider),
        )
    ]
    return out + _also_printed(at.hole_row, decider, charts)


def _also_printed(row: Row, decider: Chart, charts: Sequence[Chart]) -> list[Reason]:
    same = same_rows(row, decider, charts)
    return [Reason(words="the same row is printed there too", source=row_cited(row, c)) for c in same]


def _by_strands(made: SizeChoice, strands: StrandSettings) -> list[Reason]:
    out = [
        Reason(
            words=f"{f.words} (strand {width(f.width_mm)} by {f.thickness_mm:.2f} mm, thickness {made.thickness_from})",
            source="strands in a hole: Perry 1917, Sharp; bore needed: packing of flat bars with rounded edges, derived"
            + (
                f"; up to {percent(strands.squeeze_frac)} give of soaked cane counts as tight: assumption"
                if f.verdict == "tight"
                else ""
            ),
        )
        for f in made.fits
    ]
    return out


def _decided(made: SizeChoice, rules: RuleSettings) -> list[Reason]:
    if made.choice is None:
        return [
            Reason(
                words=f"not even the thinnest is likely to go: {percent(made.chance_none)} that it does not",
                source="larger cane never: common practice, no source",
            )
        ]
    c = made.choice
    return [
        Reason(
            words=f"taken: {size(c.width_mm, c.name)}, chance {percent(c.chance)}; that it or a wider one is "
            f"right {percent(c.chance_at_least)} (at least {percent(rules.sure_enough)} is asked, so of two near "
            "even the smaller is taken)",
            source="chance: measurement error and spread carried through, derived; widths by name from memory",
        )
    ]
