"""The terminal table says what was measured, in a caner's words, without a line too many."""

from dataclasses import replace

import made_measurement as made
import pytest

from holecount.report import summary_table, table


def test_a_good_seat() -> None:
    text = table(made.plain())
    lines = text.splitlines()
    assert lines[0] == "seat.jpg: 40 holes, square seat"
    assert lines[1] == "Verdict: good"
    seat = next(line for line in lines if line.startswith("seat  "))
    assert "12.700 ± 0.025 mm" in seat
    assert "1/2 in" in seat
    assert "3/16 in" in seat
    assert "11 to 12, mean" in seat
    assert seat.endswith("12.0")
    for rail in ("front", "right", "back", "left"):
        assert any(line.startswith(rail) for line in lines)
    assert "Look again" not in text
    assert "bank card (ISO/IEC 7810 ID-1) (70 % of what is known)" in text
    assert "the holes, bored round and with one bit (30 % of what is known)" in text


def test_doubts_are_told_once_with_their_remedy() -> None:
    text = table(made.special())
    assert text.startswith("seat.jpg: 39 holes, 1 of them blocked, 1 more hidden (not counted), square seat\n")
    assert "Verdict: check" in text
    assert text.count("- holes 21 to 23 are washed out by glare") == 1
    assert "holes 21 to 23: washed out by glare; turn the frame" in text
    assert "hole 5: packed with old cane; clear the hole" in text
    assert "hole 31: size differs from its neighbours" in text
    assert "6.10 mm (hole 31)" in text


def test_every_line_fits_a_terminal() -> None:
    m = made.special()
    long = replace(m, verdict_reasons=("a reason " * 40,))
    assert max(map(len, table(long).splitlines())) <= 96


def test_in_pixels_nothing_pretends_to_be_millimetres() -> None:
    m = made.measurement_of(made.square_seat(), scale=False)
    text = table(m)
    assert "12.70 px" in text
    assert "Scale: none" in text
    assert " mm" not in text
    assert " in" not in text.replace("in pixels", "").replace("Scale: none, so lengths are pixels", "")


def test_round_seat_has_one_line_of_figures() -> None:
    lines = table(made.ring()).splitlines()
    assert sum(line.startswith(("ring", "seat ")) for line in lines) == 1


def test_a_rail_with_nothing_to_gauge() -> None:
    holes = made.square_seat()
    holes[20:31] = [made.without_gauge(h, "blocked", "blocked") for h in holes[20:31]]
    text = table(made.measurement_of(holes))
    back = next(line for line in text.splitlines() if line.startswith("back"))
    assert " ".join(back.split()) == "back 11 12.700 ± 0.026 mm 1/2 in - - 12.0"


def test_short_rails_have_no_window_of_six_inches() -> None:
    text = table(made.measurement_of(made.square_seat(side=4)))
    front = next(line for line in text.splitlines() if line.startswith("front"))
    assert front.split()[-2:] == ["-", "12.0"]


def test_summary() -> None:
    text = summary_table(
        [("a.jpg", made.plain(), ""), ("b.jpg", made.special(), ""), ("c.jpg", None, "Nothing of known size.")]
    )
    lines = text.splitlines()
    assert len(lines) == 4
    assert lines[1].endswith("good")
    assert "check: holes 21 to 23" in lines[2]
    assert lines[3].split() == ["c.jpg", "-", "Nothing", "of", "known", "size."]
    assert summary_table([]) == "No photographs.\n"


@pytest.mark.parametrize("n_reasons", [1, 3])
def test_summary_stays_short(n_reasons: int) -> None:
    m = replace(made.special(), verdict_reasons=("first reason",) + ("another",) * (n_reasons - 1))
    line = summary_table([("a.jpg", m, "")]).splitlines()[1]
    assert "first reason" in line
    assert ("more" in line) == (n_reasons > 1)
    assert "another" not in line
