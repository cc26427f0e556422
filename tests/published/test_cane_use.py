"""Cane reckoned against geometry and against what teachers have published."""

import pytest

from holecount.strands import CaneNeed, CaneSettings, cane_need, from_counts, make_plan, together

INCH, FOOT = 25.4, 304.8


def seat(front: int, back: int, side: int, pitch_in: float, settings: CaneSettings | None = None) -> CaneNeed:
    return cane_need(make_plan(from_counts(front, back, side, side, pitch_mm=pitch_in * INCH)), settings)


def square_12_in(pitch_in: float, line_in: float) -> CaneNeed:
    """An opening of 12 x 12 in; the hole line is 12 in, or 13 in when it lies 1/2 in outside (Perry)."""
    holes = round(line_in / pitch_in) + 1
    return seat(holes, holes, holes, pitch_in)


@pytest.mark.parametrize(("pitch_in", "feet"), [(3 / 8, 300), (1 / 2, 225), (5 / 8, 183), (3 / 4, 149)])
def test_net_length_is_that_of_the_trade_notes(pitch_in: float, feet: float) -> None:
    """Derived figures for a 12 x 12 in opening and a 3/4 in frame, without tails; they round the number of holes."""
    need = square_12_in(pitch_in, 13)
    bare = sum(s.spans_mm + s.links_mm + s.passages_mm for s in need.steps) / FOOT
    assert bare == pytest.approx(feet, rel=0.025)


@pytest.mark.parametrize("pitch_in", [1 / 2, 9 / 16, 5 / 8, 11 / 16, 3 / 4])
@pytest.mark.parametrize("line_in", [12, 13])
@pytest.mark.parametrize("feet", [167, 250])
def test_published_use_of_a_12_inch_seat_lies_inside_the_interval(pitch_in: float, line_in: float, feet: float) -> None:
    """Perry: six seats of about 12 x 12 in a hank of 1000 ft; Warner: a coil of 250 ft."""
    need = square_12_in(pitch_in, line_in)
    assert need.low_mm / FOOT <= feet <= need.high_mm / FOOT


@pytest.mark.parametrize("pitch_in", [1 / 2, 9 / 16, 5 / 8, 3 / 4])
@pytest.mark.parametrize(("front", "back", "side"), [(21, 21, 21), (23, 19, 21), (22, 16, 23)])
@pytest.mark.parametrize("feet", [250, 300])
def test_published_use_of_an_80_hole_seat_lies_inside_the_interval(
    pitch_in: float, front: int, back: int, side: int, feet: float
) -> None:
    """Sharp: about 80 holes, 250 to 300 ft."""
    need = seat(front, back, side, pitch_in)
    assert need.low_mm / FOOT <= feet <= need.high_mm / FOOT


@pytest.mark.parametrize("pitch_in", [1 / 2, 5 / 8, 3 / 4])
def test_published_use_of_a_trapezoid_lies_inside_the_interval(pitch_in: float) -> None:
    """Peters: a trapezoid under 72 holes, 270 ft and 6 ft of binder."""
    plan = make_plan(from_counts(21, 15, 19, 19, pitch_mm=pitch_in * INCH))
    assert 66 <= plan.frame.n <= 72
    need = cane_need(plan)
    assert need.low_mm / FOOT <= 270 <= need.high_mm / FOOT
    assert 2 < need.binder_mm / FOOT <= 6


def test_the_factors_of_the_interval_are_those_of_the_sources() -> None:
    """As told in docs/buying-and-charging.md: the lowest use is Perry's, the highest Peters's."""
    perry = 167 * FOOT / square_12_in(1 / 2, 13).net_mm
    peters = 270 * FOOT / seat(21, 15, 19, 1 / 2).net_mm
    assert CaneSettings().low_factor <= perry == pytest.approx(0.70, abs=0.01)
    assert CaneSettings().high_factor >= peters == pytest.approx(2.25, abs=0.02)


def test_six_seats_a_hank_is_what_perry_bought() -> None:
    """Six seats of 12 in at 5/8 in: his hank is between the net length and the length to buy."""
    six = together([square_12_in(5 / 8, 12)] * 6)
    assert six.net_mm / FOOT < 1000 < six.buy_mm / FOOT
    assert six.hanks == pytest.approx(six.buy_mm / (1000 * FOOT))
    assert six.n_seats == 6
