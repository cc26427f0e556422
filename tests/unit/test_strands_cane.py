"""Cane and charge: sums that can be done by hand."""

from dataclasses import replace
from decimal import Decimal

import pytest

from holecount.strands import CaneSettings, cane_need, from_counts, make_plan, reckon, together
from holecount.strands.cane import read_long_mm
from holecount.strands.charge import read_amount
from holecount.strands.listing import cane_lines, charge_lines, metres_and_feet
from holecount.troubles import BadInput

PLAN = make_plan(from_counts(8, 8, 8, 8, pitch_mm=10.0))


def test_net_length_of_perrys_panel_by_hand() -> None:
    """7 x 7 spaces of 10 mm, frame 20 mm: spans, links and passages added up by hand."""
    need = cane_need(PLAN, CaneSettings(thickness_mm=20.0, tail_mm=100.0))
    straight, slanted = need.steps[0], need.steps[4]
    assert straight.spans_mm == pytest.approx(6 * 70)
    assert straight.links_mm == pytest.approx(2 * 20)  # Two pieces of three strands, two links each.
    assert straight.passages_mm == 6 * 40
    assert straight.tails_mm == 2 * 2 * 100
    assert slanted.spans_mm == pytest.approx(2 * 10 * 2**0.5 * (1 + 2 + 3 + 4 + 5 + 6 + 7))
    assert slanted.passages_mm == 14 * 40
    assert need.net_mm == pytest.approx(sum(s.net_mm for s in need.steps))
    assert need.binder_mm == pytest.approx(280 + 75)
    assert need.couching_mm == 0


def test_couching_goes_through_every_hole_or_every_second() -> None:
    given = CaneSettings(thickness_mm=20.0, binder_width_mm=5.0)
    every = cane_need(PLAN, given, couch_every=1)
    second = cane_need(PLAN, given, couch_every=2)
    assert every.couching_mm == pytest.approx(280 + 28 * (2 * 20 + 2 * 5))
    assert second.couching_mm == pytest.approx(280 + 14 * (2 * 20 + 2 * 5))
    assert every.net_mm == second.net_mm
    assert every.buy_mm == pytest.approx(1.5 * (every.net_mm + every.couching_mm))


def test_lengths_of_cane_cover_the_net_length() -> None:
    plan = make_plan(from_counts(24, 20, 22, 22, pitch_mm=12.7))
    for feet in (10, 15, 20):
        given = CaneSettings(length_mm=feet * 304.8)
        need = cane_need(plan, given)
        taken = need.n_lengths * given.length_mm
        assert taken == pytest.approx(need.net_mm + need.offcuts_mm, rel=0.02)
        assert need.offcuts_mm < 0.2 * taken
    shorter = cane_need(plan, CaneSettings(length_mm=10 * 304.8))
    longer = cane_need(plan, CaneSettings(length_mm=20 * 304.8))
    assert shorter.n_lengths > longer.n_lengths
    assert shorter.net_mm > longer.net_mm  # More tails.


def test_interval_holds_the_length_to_buy_and_the_net_length() -> None:
    need = cane_need(PLAN)
    assert need.low_mm < need.net_mm < need.buy_mm < need.high_mm


def test_several_seats_are_added_up() -> None:
    one = cane_need(PLAN)
    other = cane_need(make_plan(from_counts(20, 16, 18, 18, pitch_mm=12.7)))
    both = together([one, other, other])
    assert both.n_seats == 3
    assert both.net_mm == pytest.approx(one.net_mm + 2 * other.net_mm)
    assert both.binder_mm == pytest.approx(one.binder_mm + 2 * other.binder_mm)
    assert both.steps[3].n_strands == one.steps[3].n_strands + 2 * other.steps[3].n_strands


def test_no_lengths_without_millimetres_or_with_lengths_that_are_all_tail() -> None:
    with pytest.raises(BadInput, match="Without millimetres"):
        cane_need(make_plan(from_counts(8, 8, 8, 8, pitch_mm=None)))
    with pytest.raises(BadInput, match="all tail"):
        cane_need(PLAN, CaneSettings(length_mm=300.0))


def test_words_give_metres_and_feet_hanks_and_coils() -> None:
    told = "\n".join(cane_lines(cane_need(PLAN, couch_every=2), CaneSettings(), couch_every=2))
    assert "couching, every second hole" in told
    assert "hanks of 1000 ft, so 1" in told
    assert "coils of 250 ft, so 1" in told
    assert metres_and_feet(57300) == "57.3 m (188 ft)"
    assert metres_and_feet(1234) == "1.23 m (4.0 ft)"


@pytest.mark.parametrize(
    ("text", "mm"), [("15ft", 4572.0), ("4.5 m", 4500.0), ("1000 feet", 304800.0), ("2,5m", 2500.0)]
)
def test_long_lengths_are_read(text: str, mm: float) -> None:
    assert read_long_mm(text) == pytest.approx(mm)


@pytest.mark.parametrize("text", ["15", "0ft", "-3m", "15 in", "ft", ""])
def test_other_texts_are_no_lengths_of_cane(text: str) -> None:
    with pytest.raises(ValueError, match="length"):
        read_long_mm(text)


def test_a_charge_by_the_hole() -> None:
    charge = reckon(
        n_holes=72,
        n_hidden=0,
        rate=Decimal("1.25"),
        material=Decimal(18),
        extras=[("new peg", Decimal("2.5"))],
        currency="EUR",
    )
    assert charge.total == Decimal("110.50")
    assert charge.printed(charge.total) == "110.50 EUR"
    assert charge.notes == ()
    assert charge_lines(charge)[1].split() == ["72", "holes", "at", "1.25", "90.00", "EUR"]


def test_hidden_holes_are_not_charged_but_told() -> None:
    charge = reckon(n_holes=68, n_hidden=4, rate=Decimal("1.5"), material=None, extras=[])
    assert charge.total == Decimal("102.00")
    assert charge.notes == ("4 hidden holes are not charged; with them the holes come to 108.00.",)


def test_a_charge_rounds_half_up_and_assumes_nothing() -> None:
    assert reckon(n_holes=3, n_hidden=0, rate=Decimal("0.335"), material=None, extras=[]).total == Decimal("1.01")
    assert reckon(n_holes=3, n_hidden=0, rate=None, material=None, extras=[]).total == Decimal(0)


def test_amounts_are_read() -> None:
    assert read_amount(" 1,25 ") == Decimal("1.25")
    for text in ("a", "-1", "nan", "inf", "1e12", ""):
        with pytest.raises(ValueError, match="amount"):
            read_amount(text)


def test_settings_can_be_changed_one_by_one() -> None:
    thin = cane_need(PLAN, CaneSettings(thickness_mm=15.0))
    thick = cane_need(PLAN, replace(CaneSettings(), thickness_mm=25.0))
    assert thick.net_mm - thin.net_mm == pytest.approx(52 * 2 * 10)
