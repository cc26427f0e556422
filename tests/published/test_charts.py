"""The built-in charts against the printed ones, and what the rules make of published and practical examples."""

from typing import Any

import pytest

from holecount.lengths import SIX_INCHES_MM
from holecount.sizing import SizeChoice, StrandSettings, built_in_charts, choose, figures_from, names_table
from holecount.sizing.chart import built_in
from holecount.sizing.figures import Figures
from holecount.sizing.packing import assumed_thickness_mm, bore_needed_mm, fit
from holecount.stats import Spread, spread_of
from holecount.tape import Tape, read_list

INCH = 25.4

# L. Day Perry, Seat Weaving, 1917, table of cane sizes: hole diameter and spacing in inches; None is blank in print.
PERRY = {
    "carriage": (1 / 8, 3 / 8),
    "superfine": (1 / 8, 3 / 8),
    "fine-fine": (3 / 16, 1 / 2),
    "fine": (3 / 16, 5 / 8),
    "medium": (1 / 4, 3 / 4),
    "common": (None, None),
    "narrow binder": (None, None),
    "wide binder": (None, None),
}

# Cells that can be read on a damaged scan of a US furniture-repair handbook.
HANDBOOK = {
    "superfine": (1 / 8, 3 / 8),
    "fine-fine": (3 / 16, None),
    "narrow medium": (1 / 4, 3 / 4),
    "medium": (1 / 4, None),
    "common": (5 / 16, None),
}

# A usual complete chart, from memory.
USUAL = {
    "carriage": (1 / 8, 3 / 8),
    "superfine": (1 / 8, 3 / 8),
    "fine-fine": (3 / 16, 1 / 2),
    "fine": (3 / 16, 5 / 8),
    "narrow medium": (1 / 4, 11 / 16),
    "medium": (1 / 4, 3 / 4),
    "common": (5 / 16, 7 / 8),
}


def exact(value_mm: float | None) -> Spread | None:
    if value_mm is None:
        return None
    return spread_of([value_mm], [(1,)], u_own_mean_mm=0.0, u_shared_mean_mm=0.0)


def figures(pitch_mm: float | None, hole_mm: float | None, shape: str = "square") -> Figures:
    return Figures(
        origin="typed", shape=shape, pitch=exact(pitch_mm), hole=exact(hole_mm), small_hole_mm=hole_mm,
        wide_hole_mm=hole_mm, n_gauged=1,
    )  # fmt: skip


def size(pitch_in: float | None, hole_in: float | None, shape: str = "square", **more: Any) -> SizeChoice:
    pitch = None if pitch_in is None else pitch_in * INCH
    hole = None if hole_in is None else hole_in * INCH
    return choose(figures(pitch, hole, shape), **more)


def chosen(made: SizeChoice) -> tuple[float, str]:
    assert made.choice is not None
    return made.choice.width_mm, made.choice.name


@pytest.mark.parametrize(("name", "printed"), [("perry-1917", PERRY), ("repair-handbook", HANDBOOK), ("usual", USUAL)])
def test_rows_are_exactly_as_printed(name: str, printed: dict[str, tuple[float | None, float | None]]) -> None:
    chart = built_in(name)
    assert [r.cane for r in chart.rows] == list(printed)
    for row in chart.rows:
        hole, spacing = printed[row.cane or ""]
        assert row.hole_mm == (None if hole is None else pytest.approx(hole * INCH))
        assert row.spacing_mm == (None if spacing is None else pytest.approx(spacing * INCH))
        assert row.width_low_mm is None  # no chart of these prints a width beside a name
        assert (row.hole_printed == "") == (hole is None)
        assert (row.spacing_printed == "") == (spacing is None)


def test_metric_pairs_are_three_and_have_no_holes() -> None:
    rows = built_in("metric-pairs").rows
    assert [(r.spacing_mm, r.width_high_mm) for r in rows] == [(12, 2.0), (15, 2.5), (18, 3.0)]
    assert all(r.hole_mm is None and r.cane is None for r in rows)


def test_grades_and_sources_stand_beside_every_chart() -> None:
    grades = {c.name: c.grade for c in built_in_charts()}
    assert grades == {"usual": "M", "perry-1917": "A", "repair-handbook": "P", "metric-pairs": "P"}
    assert names_table().grade == "M"
    assert "Perry" in built_in("perry-1917").source
    assert "memory" in built_in("usual").source
    assert all(c.source for c in built_in_charts())


def test_widths_rise_in_the_order_perry_prints() -> None:
    names = [r.cane for r in names_table().rows if r.cane in PERRY]
    assert names == list(PERRY)
    widths = [r.width_high_mm for r in names_table().rows]
    assert widths == sorted(widths)  # type: ignore[type-var]


CASES = [
    (chart.name, row.cane or row.width_printed)
    for chart in built_in_charts()
    for row in chart.rows
    if row.hole_mm or row.spacing_mm
]


@pytest.mark.parametrize(("chart_name", "which"), CASES)
def test_every_printed_row_reproduces_itself(chart_name: str, which: str) -> None:
    """Its own hole and spacing give the row's size; of rows printed alike the thinner is taken, the wider named."""
    chart = built_in(chart_name)
    row = next(r for r in chart.rows if (r.cane or r.width_printed) == which)
    made = choose(figures(row.spacing_mm, row.hole_mm), deciding_chart=chart_name)
    width, name = chosen(made)
    same = [r for r in chart.rows if (r.hole_mm, r.spacing_mm) == (row.hole_mm, row.spacing_mm)]
    if len(same) > 1 and row.spacing_mm is not None:
        assert name == same[0].cane
        assert which in {c.name for c in made.candidates}
        assert made.to_decide
    elif row.spacing_mm is None:
        # Where no spacing is printed the hole decides; a thinner row may have the same hole.
        widest = [r.cane for r in chart.rows if r.hole_mm == row.hole_mm][-1]
        assert name == widest
    else:
        assert name == row.cane or row.cane is None
        assert sum(c.chance for c in made.candidates if c.name == name) == pytest.approx(1, abs=0.01)
    if row.width_high_mm is not None:
        assert width == row.width_high_mm


def test_perrys_leg_rest() -> None:
    """Holes of 3/16 in, 1/2 in centre to centre: fine-fine."""
    for chart in ("usual", "perry-1917"):
        assert chosen(size(1 / 2, 3 / 16, deciding_chart=chart)) == (2.25, "fine-fine")
    typed = Tape(readings=(*read_list("1/2", "pitch"), *read_list("3/16", "hole")), typed=True)
    made = choose(figures_from(typed))
    assert chosen(made) == (2.25, "fine-fine")


def test_canoe_seat_conflict_is_reported() -> None:
    """Holes of 7/32 in at 3/4 in: the spacing says medium, the hole thinner; called tight."""
    made = size(3 / 4, 7 / 32)
    width, _ = chosen(made)
    assert width < 3.0
    says = made.by_chart[0]
    assert (says.by_spacing_mm, says.by_hole_mm) == (3.0, 2.5)
    words = next(r.words for r in made.remarks if r.code == "conflict")
    assert "3.0 mm (medium)" in words
    assert "2.5 mm (fine)" in words
    assert "tight" in words


def test_canoe_seat_of_three_millimetre_cane_is_possible_but_tight() -> None:
    """3.0 mm cane, 5.5 mm holes, 19 mm spacing were woven: four strands go, though not easily."""
    settings = StrandSettings()
    assert fit(4, 3.0, assumed_thickness_mm(3.0), 5.5, settings) == "tight"


@pytest.mark.parametrize("shape", ["square", "tapered", "bowed", "round", "oval"])
def test_between_two_rows_the_smaller_is_taken(shape: str) -> None:
    assert chosen(size(9 / 16, 3 / 16, shape)) == (2.25, "fine-fine")  # between 1/2 and 5/8
    assert chosen(size(13 / 16, 5 / 16, shape)) == (3.0, "medium")  # between 3/4 and 7/8


def test_a_round_seat_takes_the_smaller_where_a_square_one_does_not() -> None:
    """15.3 mm reads as 5/8 in on a tape in sixteenths, but is below it."""
    assert choose(figures(15.3, 4.76, "square")).choice.name == "fine"  # type: ignore[union-attr]
    for shape in ("round", "oval"):
        assert choose(figures(15.3, 4.76, shape)).choice.name == "fine-fine"  # type: ignore[union-attr]


def test_no_shape_ever_gets_a_larger_cane_for_being_round() -> None:
    for k in range(90, 240, 3):
        straight, ring = choose(figures(k / 10, 6.0, "square")), choose(figures(k / 10, 6.0, "round"))
        assert ring.choice.width_mm <= straight.choice.width_mm  # type: ignore[union-attr]


def test_charts_that_disagree_are_named() -> None:
    made = size(7 / 8, 5 / 16)
    assert chosen(made) == (3.5, "common")
    words = next(r.words for r in made.remarks if r.code == "charts-disagree")
    assert "Perry 1917 [A]" in words
    assert any(r.code == "memory-row" for r in made.remarks)
    assert chosen(size(7 / 8, 5 / 16, deciding_chart="perry-1917")) == (3.0, "medium")


def test_explanation_cites_rows_and_grades() -> None:
    sources = " ".join(r.source for r in size(5 / 8, 3 / 16).reasons)
    assert 'usual chart [M], row "fine: hole 3/16 in, spacing 5/8 in"' in sources
    assert 'Perry 1917 [A], row "fine: hole 3/16 in, spacing 5/8 in"' in sources
    assert "Sharp" in sources
    assert all(r.source for r in size(5 / 8, 3 / 16).reasons)


@pytest.mark.parametrize(
    ("pitch_in", "count"), [(3 / 8, 16.0), (1 / 2, 12.0), (5 / 8, 9.6), (3 / 4, 8.0), (7 / 8, 6.9)]
)
def test_holes_in_six_inches(pitch_in: float, count: float) -> None:
    """Mean counts by geometry; a count alone gives the pitch to about one hole in N."""
    assert pytest.approx(count, abs=0.06) == SIX_INCHES_MM / (pitch_in * INCH)
    made = figures_from(Tape(readings=tuple(read_list(f"{count:g}", "six-inches"))))
    assert made.pitch is not None
    assert abs(made.pitch.mean_mm - pitch_in * INCH) <= made.pitch.mean_mm / count
    assert made.pitch.u_mean_mm == pytest.approx(made.pitch.mean_mm / count / 3**0.5)


@pytest.mark.parametrize(
    ("width", "hole_in", "n", "fill"),
    [(2.25, 3 / 16, 6, 0.83), (2.5, 3 / 16, 6, 0.93), (3.0, 1 / 4, 6, 0.66)],
)
def test_fill_of_the_hole_and_what_the_packing_makes_of_it(width: float, hole_in: float, n: int, fill: float) -> None:
    """Shares of the bore that square-edged strands 1.1 mm thick fill (derived): all go."""
    bore = hole_in * INCH
    assert n * width * 1.1 / (3.14159265 * bore**2 / 4) == pytest.approx(fill, abs=0.04)
    assert bore_needed_mm(n, width, 1.1) <= 1.05 * bore


def test_superfine_couched_does_not_go_through_an_eighth() -> None:
    assert fit(6, 2.0, assumed_thickness_mm(2.0), INCH / 8, StrandSettings()) == "will not go"


def test_binder_covers_the_holes() -> None:
    made = size(1 / 2, 3 / 16)
    assert made.binder.width_mm == 5.0  # 4 mm does not cover a hole of 4.76 mm
    assert made.binder.covers
    wide = size(7 / 8, 5 / 16).binder
    assert not wide.covers
    assert any("no usual binder" in w for w in wide.words)
    assert size(3 / 8, 1 / 8).binder.width_mm == 4.0
    assert made.binder.couch == "every second hole"
    assert size(3 / 4, 1 / 4).binder.couch == "every hole"
    assert any("Perry" in s for s in made.binder.sources)
    assert any("White" in s for s in made.binder.sources)
