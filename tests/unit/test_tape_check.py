"""Tape readings against a photograph: agreement, doubt, and the likely slip; and statistics of readings."""

import math
from dataclasses import replace

import numpy as np
import pytest
from made_measurement import measurement_of, plain, ring, special, square_seat

from holecount.tape import Basis, Check, Quantity, Tape, check, check_alone, read_list, tape_stats
from holecount.troubles import BadInput


def checked(
    text: str, quantity: Quantity, *, basis: Basis = "centre", side: int = 14, pitch: float = 12.7
) -> list[Check]:
    tape = Tape(readings=tuple(read_list(text, quantity, basis=basis)))
    return list(check(tape, measurement_of(square_seat(side=side, pitch_mm=pitch))))


def slips(c: Check) -> str:
    return "; ".join(c.slips)


@pytest.mark.parametrize("text", ["1/2", "front: 1/2", "13 mm", "12.7 mm", "1/2+", "127 mm over 10", "1/2-"])
def test_right_distances_agree(text: str) -> None:
    (c,) = checked(text, "pitch")
    assert c.verdict == "agrees"
    assert c.slips == ()
    assert "12.7" in c.expected


@pytest.mark.parametrize(
    ("text", "pitch", "slip"),
    [
        ("1 1/2", 12.7, "1-inch mark"),
        ("22.7 mm", 12.7, "1-cm mark"),
        ("112.7 mm", 12.7, "10-cm mark"),
        ("13 in", 12.7, "millimetres written as inches"),
        ("0.5 mm", 12.7, "inches written as millimetres"),
        ("1 in", 12.7, "over two spaces"),
        ("38 mm", 12.7, "over three spaces"),
        ("8 mm", 12.7, "the wood between the holes"),
        ("17.5 mm", 12.7, "outside to outside"),
        ("15.1 mm", 12.7, "from the side of one hole to the centre"),
        ("3/4", 16.9, "rounded to the quarter"),
        ("1/2", 14.2, "rounded to the quarter"),
        ("15 mm", 16.9, "rounded to 5 mm"),
        ("127 mm", 12.7, "centimetres and millimetres mixed up"),
    ],
)
def test_slips_with_a_distance_are_named(text: str, pitch: float, slip: str) -> None:
    (c,) = checked(text, "pitch", pitch=pitch)
    assert c.verdict in ("doubtful", "wrong")
    assert slip in slips(c)
    assert slip in c.words


@pytest.mark.parametrize(
    ("text", "slip"),
    [
        ("1 3/16", "1-inch mark"),
        ("2.4 mm", "the radius"),
        ("9.5 mm", "twice the diameter"),
        ("5.8 mm", "rounded or worn rim"),
    ],
)
def test_slips_with_a_hole_are_named(text: str, slip: str) -> None:
    (c,) = checked(text, "hole")
    assert c.verdict != "agrees"
    assert slip in slips(c)


def test_a_grossly_wrong_reading_without_a_known_slip_is_wrong() -> None:
    (c,) = checked("35 mm", "pitch")
    assert c.verdict == "wrong"
    assert c.slips == ()


@pytest.mark.parametrize(
    ("count", "verdict", "slip"),
    [
        ("12", "agrees", ""),
        ("11", "agrees", ""),  # whole holes in six inches slid along the rail: 11 or 12
        ("11 1/2", "agrees", ""),
        ("10", "doubtful", "counted spaces instead of holes (fence-post)"),
        ("13", "doubtful", "fence-post"),
        ("14", "wrong", "7-inch mark"),
        ("9", "wrong", "1-inch mark"),
        ("20", "wrong", ""),
    ],
)
def test_six_inch_counts(count: str, verdict: str, slip: str) -> None:
    (c,) = checked(count, "six-inches")
    assert c.verdict == verdict
    assert slip in slips(c)


def test_one_inch_short_is_named_for_close_holes() -> None:
    """At 9.5 mm six inches hold 15 or 16 holes, five inches 13."""
    (c,) = checked("13", "six-inches", pitch=9.525, side=20)
    assert "1-inch mark" in slips(c)


def test_fence_post_along_a_rail() -> None:
    """A rail of 14 spaces has 15 holes, corner holes counted."""
    verdicts = {n: checked(f"front: {n}", "along")[0] for n in (15, 14, 13, 20)}
    assert verdicts[15].verdict == "agrees"
    assert verdicts[14].verdict == "doubtful"
    assert "fence-post" in slips(verdicts[14])
    assert "both corner holes left out" in slips(verdicts[13])
    assert verdicts[20].verdict == "wrong"


def test_all_round() -> None:
    n = len(plain().holes)
    (c,) = check(Tape(readings=tuple(read_list(f"{n}", "along"))), plain())
    assert c.verdict == "agrees"
    (c,) = check(Tape(readings=tuple(read_list(f"{n + 4}", "along"))), plain())
    assert "corner holes counted once for each" in slips(c)
    rings = ring()
    (c,) = check(Tape(readings=tuple(read_list(f"{len(rings.holes) + 1}", "along"))), rings)
    assert "counted twice" in slips(c)


def test_a_hidden_hole_may_be_counted_or_not() -> None:
    m = special()
    seen = m.seat.n_holes
    for n in (seen, seen + 1):
        (c,) = check(Tape(readings=tuple(read_list(f"{n}", "along"))), m)
        assert c.verdict == "agrees"


def test_centre_against_side_where_diameters_differ() -> None:
    """Side to side is off by half the difference of the holes: (d2 - d1)/2."""
    holes = [replace(h, diameter_mm=7.5 if k % 7 == 0 else 4.0) for k, h in enumerate(square_seat(side=14))]
    m = measurement_of(holes)
    (c,) = check(Tape(readings=tuple(read_list("14.4 mm", "pitch"))), m)
    assert c.verdict != "agrees"
    assert "centre against side" in slips(c)
    (c,) = check(Tape(readings=tuple(read_list("14.4 mm", "pitch", basis="side"))), m)
    assert c.verdict == "agrees"


def test_between_is_held_against_the_wood_between() -> None:
    (c,) = checked("8 mm", "pitch", basis="between")
    assert c.verdict == "agrees"
    (c,) = checked("12.7 mm", "pitch", basis="between")
    assert "centre to centre, not the wood between" in slips(c)


def test_right_readings_are_seldom_called_wrong() -> None:
    """Honest readings in sixteenths of unevenly bored seats: at most one in twenty doubtful, none wrong."""
    rng = np.random.default_rng(2)
    verdicts = []
    for _ in range(20):
        pitch = rng.uniform(10, 22)
        holes = square_seat(side=12, pitch_mm=pitch)
        holes = [replace(h, x_mm=h.x_mm + 0.3 * rng.normal(), y_mm=h.y_mm + 0.3 * rng.normal()) for h in holes]
        m = measurement_of(holes)
        for k in rng.integers(0, 47, 10):
            a, b = holes[k], holes[k + 1]
            gap = math.hypot(b.x_mm - a.x_mm, b.y_mm - a.y_mm)
            text = f"{round(gap / 25.4 * 16)}/16"
            (c,) = check(Tape(readings=tuple(read_list(text, "pitch"))), m)
            verdicts.append(c.verdict)
    assert verdicts.count("wrong") == 0
    assert verdicts.count("doubtful") <= len(verdicts) / 20


def test_tape_alone_finds_the_odd_one_out() -> None:
    readings = (*read_list("1/2, 1/2, 1/2+, 1 1/2", "pitch"), *read_list("3/16, 3/16, 3/16", "hole"))
    made = check_alone(Tape(readings=readings))
    assert [c.verdict for c in made] == ["agrees", "agrees", "agrees", "wrong", "agrees", "agrees", "agrees"]
    assert "1-inch mark" in slips(made[3])


def test_tape_alone_holds_counts_against_distances() -> None:
    readings = (*read_list("1/2, 1/2, 1/2", "pitch"), *read_list("3/16", "hole"), *read_list("12, 9, 18", "six-inches"))
    made = check_alone(Tape(readings=readings))
    assert [c.verdict for c in made[4:]] == ["agrees", "wrong", "wrong"]


def test_tape_alone_and_units_mixed_up() -> None:
    made = check_alone(Tape(readings=tuple(read_list("13 in, 13 mm, 12.5 mm, 13 mm", "pitch"))))
    assert made[0].verdict == "wrong"
    assert "millimetres written as inches" in slips(made[0])
    (only,) = check_alone(Tape(readings=tuple(read_list("13 in", "pitch"))))
    assert "millimetres written as inches" in slips(only)


def test_statistics_of_readings() -> None:
    tape = Tape(readings=(*read_list("front: 1/2, 9/16; left: 13 mm", "pitch"), *read_list("11, 12", "six-inches")))
    seat, front = tape_stats(tape), tape_stats(tape, "front")
    assert seat.pitch is not None
    assert front.pitch is not None
    assert seat.pitch.n == 3
    assert front.pitch.mean_mm == pytest.approx((12.7 + 14.2875) / 2)
    assert (seat.six_inches.least, seat.six_inches.most, seat.six_inches.mean) == (11, 12, 11.5)
    assert front.six_inches.mean is None


def test_equal_readings_do_not_sharpen_each_other() -> None:
    """Rounding of like holes is the same each time: twenty readings of 1/2 are as good as one."""
    (one,) = read_list("1/2", "pitch")
    stats = tape_stats(Tape(readings=(one,) * 20)).pitch
    assert stats is not None
    assert stats.u_mean_mm == pytest.approx(one.u_mm, rel=0.01)


def test_scattered_readings_do() -> None:
    """Uneven holes dither the rounding: the error of the mean of n readings is near that of a simulation."""
    rng = np.random.default_rng(3)
    errors, stated = [], []
    for _ in range(300):
        true = rng.uniform(12, 14)
        read = np.round((true + 1.2 * rng.normal(size=12)) / 25.4 * 16) / 16
        text = ", ".join(f"{round(v * 16)}/16" for v in read)
        stats = tape_stats(Tape(readings=tuple(read_list(text, "pitch")))).pitch
        assert stats is not None
        errors.append(stats.mean_mm - true)
        stated.append(stats.u_mean_mm)
    assert np.std(errors) == pytest.approx(float(np.mean(stated)), rel=0.2)


def test_wood_between_needs_a_hole() -> None:
    tape = Tape(readings=tuple(read_list("8 mm", "pitch", basis="between")))
    with pytest.raises(BadInput, match="no hole diameter to add"):
        tape_stats(tape)
    both = Tape(readings=(*tape.readings, *read_list("4.7 mm", "hole")))
    stats = tape_stats(both).pitch
    assert stats is not None
    assert stats.mean_mm == pytest.approx(12.7)
