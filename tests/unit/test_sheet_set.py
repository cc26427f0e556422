"""Several seats side by side: same cane or not, and which one is odd."""

from dataclasses import replace

import made_measurement as made
import numpy as np
import pytest

from holecount.decide import decide
from holecount.measurement import Measurement
from holecount.sheet import Seat, render_set, set_of


def seat(name: str, pitch_mm: float = 12.7, hole_mm: float = 4.76, *, verdict: str = "good") -> Seat:
    holes = [replace(h, diameter_mm=hole_mm) for h in made.square_seat(12, pitch_mm)]
    m = replace(made.measurement_of(holes), verdict=verdict, verdict_reasons=(), low_confidence=())
    return Seat(name=name, measurement=m, choice=decide(m).choice)


def test_like_seats_take_the_same_cane() -> None:
    made_set = set_of([seat(f"chair {k}") for k in range(6)], name="six")
    assert made_set.answer == "The same cane for all: 2.25 mm (fine-fine)."
    assert not any("differs" in r for r in made_set.remarks)
    assert len(made_set.rows) == 6


def test_a_seat_to_look_at_again_takes_the_certainty_away() -> None:
    made_set = set_of([seat("a"), seat("b", verdict="check")], name="two")
    assert made_set.answer.startswith("As measured so far")
    assert "Look again before you buy: b." in made_set.remarks


def test_seats_that_differ_are_told_apart_and_the_thinnest_goes_on_all() -> None:
    made_set = set_of([seat("a"), seat("b"), seat("c"), seat("wide", 19.05, 6.35)], name="four")
    assert made_set.answer.startswith("Not the same cane for all")
    assert "3.0 mm (medium) for wide" in made_set.answer
    assert any("thinnest of these, 2.25 mm" in r for r in made_set.remarks)
    assert any(r.startswith("wide differs: its pitch") for r in made_set.remarks)
    assert not any(r.startswith("a differs") for r in made_set.remarks)


def test_of_three_the_odd_one_is_named_alone() -> None:
    made_set = set_of([seat("a"), seat("b"), seat("wide", 19.05)], name="three")
    assert [r.split(":")[0] for r in made_set.remarks if "differs" in r] == ["wide differs"]


def test_seats_of_no_set_are_said_to_be_none() -> None:
    made_set = set_of([seat("a", 11.0), seat("b", 12.7), seat("c", 15.0), seat("d", 19.05)], name="four")
    assert not any("differs" in r for r in made_set.remarks)
    assert "The seats differ in pitch, from 11.0 to 19.1 mm: hardly of one set." in made_set.remarks


def test_chance_for_all_is_that_of_all_together() -> None:
    rng = np.random.default_rng(4)
    seats = [seat(f"{k}", 12.0 + 0.02 * rng.standard_normal()) for k in range(3)]
    alone = [sum(c.chance for c in s.choice.candidates if c.width_mm >= 2.0) for s in seats if s.choice]
    text = " ".join(set_of(seats, name="x").remarks)
    assert "goes on all 3" in text
    assert f"{round(100 * float(np.prod(alone)))} %" in text or "over 99 %" in text


@pytest.mark.parametrize("n", [1, 2])
def test_one_or_two_seats_have_no_odd_one(n: int) -> None:
    made_set = set_of([seat("a"), seat("b", 15.875)][:n], name="x")
    assert not any("differs" in r for r in made_set.remarks)


def test_pixels_have_no_size_and_no_place_in_the_picture() -> None:
    s = seat("a")
    pixels: Measurement = replace(s.measurement, scale=None)
    made_set = set_of([s, Seat(name="px", measurement=pixels, choice=None)], name="x")
    assert [name for name, _, _ in made_set.spreads] == ["a"]
    assert "Without a size: px." in made_set.remarks
    assert "px" in render_set(made_set)


def test_names_stay_text_and_sheets_are_linked() -> None:
    evil = replace(seat("a"), name="<script>alert(1)</script>", sheet="a/sheet.html")
    html = render_set(set_of([evil, seat("b")], name="<b>set</b>"))
    assert "<script>" not in html
    assert "<b>set</b>" not in html
    assert 'href="a/sheet.html"' in html
