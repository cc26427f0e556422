"""A chart as a ladder of widths: the spacing and the bore that each width asks for."""

import math
from collections.abc import Callable
from dataclasses import dataclass

from holecount.lengths import MM_PER_INCH
from holecount.sizing.chart import Chart, Row, row_width_mm
from holecount.sizing.packing import StrandSettings, assumed_thickness_mm, least_bore_mm

ROUND_SHAPES = ("round", "oval")


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSettings:
    """How charts are read and sizes chosen.

    Attributes
    ----------
    spacing_slack_mm : float
        A pitch this much below a row's spacing still is that row: half of the 1/16 in that charts are printed to
        (derived). Below that it lies between two rows and takes the smaller. Sane 0 to 1.
    spacing_slack_round_mm : float
        The same on round and oval seats, where the smaller is taken always: half of 1/32 in, the finest a
        chart or tape is read to (derived). Sane 0 to the above.
    hole_slack_frac : float
        A bore smaller than a row's by no more than this share still is that row: strands come in quarter
        millimetres, about a tenth of their width, so such a bore is less than one step too small (derived);
        7/32 in, an eighth smaller than 1/4 in, is not 1/4 in. Sane 0 to 0.12.
    step_mm : float
        Strands come in quarter millimetres (common practice, no source).
    thinnest_mm : float
        Thinnest cane sold, carriage (from memory).
    sure_enough : float
        The largest size is chosen for which the chance that it or a larger one is right reaches this:
        a little over even, so that of two sizes near even the smaller is taken. Sane 0.5 to 0.9.
    near_even : float
        From this chance on of another size it is said what to measure to decide. Sane 0.2 to 0.4.
    mean_share : float
        Share of the chance that goes by the mean pitch of the whole seat; the rest goes by six inches taken
        anywhere round it. Sane 0 to 1. Both are looked at by the trade, neither is said to count more: half.
    differ_mm : float
        Rails, and holes, that differ by more than this are mentioned: 1/64 in, half of what a tape shows.
    rake_deg : float
        Rakes from here on are mentioned: at 5 degrees the pitch along the rail is 0.4 % longer (derived).
    rule_of_thumb, rule_of_thumb_frac : float
        The pitch is about six times the width, give or take a fifth (derived from the charts).
    """

    spacing_slack_mm: float = MM_PER_INCH / 32
    spacing_slack_round_mm: float = MM_PER_INCH / 64
    hole_slack_frac: float = 0.1
    step_mm: float = 0.25
    thinnest_mm: float = 1.5
    sure_enough: float = 0.6
    near_even: float = 0.3
    mean_share: float = 0.5
    differ_mm: float = MM_PER_INCH / 64
    rake_deg: float = 5.0
    rule_of_thumb: float = 6.0
    rule_of_thumb_frac: float = 0.2

    def slack_mm(self, shape: str | None) -> float:
        """The slack below a row's spacing on a seat of that shape."""
        return self.spacing_slack_round_mm if shape in ROUND_SHAPES else self.spacing_slack_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Rung:
    """One width and what it asks for.

    Attributes
    ----------
    width_mm : float
    spacing_mm : float
        Least pitch; minus infinity where no row is thinner (or the chart has no spacing).
    spacing_alike_mm : float
        The same, unless a thinner row has the same spacing in print: the chart then leaves open which of the
        two it is, the smaller is taken, and this is from where the wider may be meant.
    hole_chart_mm : float
        Least bore by the chart's rows; minus infinity as above.
    hole_strands_mm, u_hole_strands_mm : float
        Least bore that the strands of the fullest hole go through, and one standard uncertainty of it: that
        of the strand's thickness, the same way for all rungs.
    n_strands : int
        Strands of the fullest hole.
    spacing_row, hole_row : Row or None
        Rows these come from.
    """

    width_mm: float
    spacing_mm: float
    spacing_alike_mm: float
    hole_chart_mm: float
    hole_strands_mm: float
    u_hole_strands_mm: float
    n_strands: int
    spacing_row: Row | None
    hole_row: Row | None

    @property
    def hole_mm(self) -> float:
        """Least bore, by chart and strands."""
        return max(self.hole_chart_mm, self.hole_strands_mm)


def ladder(
    chart: Chart,
    *,
    n_strands: int,
    thickness_mm: float | None,
    hole_mm: float | None,
    shape: str | None,
    rules: RuleSettings,
    strands: StrandSettings,
) -> tuple[Rung, ...]:
    """Widths from the thinnest up, in quarter millimetres and the chart's own, with what each asks for.

    A smaller cane than the chart's is allowed, a larger never: what a width asks for is the least that any
    row of that width or more asks for, and of the strands the most that any thinner width asks for.
    """
    rows = [(w, r) for r in chart.rows if (w := row_width_mm(r)) is not None and (r.spacing_mm or r.hole_mm)]
    if not rows:
        return ()
    tops = sorted({w for w, _ in rows})
    low = min(rules.thinnest_mm, tops[0])
    n_steps = math.floor((tops[-1] - low) / rules.step_mm + 1e-6)
    steps = [low + k * rules.step_mm for k in range(n_steps + 1)]
    widths = sorted(tops + [s for s in steps if min(abs(s - t) for t in tops) > 1e-6 * rules.step_mm])

    def spacing_of(row: Row) -> float | None:
        return chart.spacing_centre_mm(row, hole_mm)

    slack = rules.slack_mm(shape)
    out: list[Rung] = []
    packed = u_packed = 0.0
    for width in widths:
        spacing, spacing_row = _least(rows, width, spacing_of)
        alike = any(w < width - 1e-9 and spacing_of(r) == spacing for w, r in rows)
        hole, hole_row = _least(rows, width, lambda r: r.hole_mm)
        thickness = thickness_mm if thickness_mm is not None else assumed_thickness_mm(width, strands)
        u = strands.u_measured_mm if thickness_mm is not None else strands.u_assumed_mm
        u = min(u, 0.9 * thickness)
        needs = [least_bore_mm(n_strands, width, t, strands) for t in (thickness - u, thickness, thickness + u)]
        packed = max(packed, needs[1])
        u_packed = max(u_packed, (needs[2] - needs[0]) / 2)
        out.append(
            Rung(
                width_mm=width,
                spacing_mm=spacing + rules.spacing_slack_mm if alike else spacing - slack,
                spacing_alike_mm=spacing - slack,
                hole_chart_mm=hole * (1 - rules.hole_slack_frac),
                hole_strands_mm=packed,
                u_hole_strands_mm=u_packed,
                n_strands=n_strands,
                spacing_row=spacing_row,
                hole_row=hole_row,
            )
        )
    return tuple(out)


def _least(
    rows: list[tuple[float, Row]], width_mm: float, asks: Callable[[Row], float | None]
) -> tuple[float, Row | None]:
    """Least that any row at least as wide asks for, and the widest row that asks for just that.

    The chart's thinnest such row asks for nothing: there is no thinner to go to.
    """
    have = [(v, w, r) for w, r in rows if (v := asks(r)) is not None]
    wide = [x for x in have if x[1] >= width_mm - 1e-9]
    if not wide:
        return (math.inf if have else -math.inf), None
    least = min(v for v, _, _ in wide)
    row = max((x for x in wide if x[0] == least), key=lambda x: x[1])[2]
    if width_mm <= min(w for _, w, _ in have) + 1e-9:
        return -math.inf, row
    return least, row


def highest(rungs: tuple[Rung, ...], fits: Callable[[Rung], bool]) -> Rung | None:
    """The widest rung that fits; None when not even the thinnest does."""
    return next((r for r in reversed(rungs) if fits(r)), None)
