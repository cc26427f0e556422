"""Two seats drawn and traced by hand, and what a plan says beside its strands."""

from collections import Counter

import pytest
from woven_seats import counted_per_hole, crossings_and_stretches, pairs, strands_across

from holecount.strands import from_counts, from_ring, make_plan
from holecount.strands.listing import hole_lines, seat_lines, step_pieces, strand_lines
from holecount.troubles import BadInput

TAPERED = """
            15   14   13   12   11
          16                      10
         17                         9
        18                           8
       1    2    3    4    5    6    7
"""


def runs(text: str) -> Counter[frozenset[int]]:
    return Counter(frozenset(int(n) for n in pair.split("-")) for pair in text.split())


def test_a_tapered_seat_traced_by_hand() -> None:
    """Drawn above; traced with a pencil on squared paper, holes 10 mm apart.

    5 holes between the corners in front, 3 behind: 3, 4, 5 go to 14, 13, 12; the outer ones, 2 and 6, stand
    straight below the back corners, whose neighbours on the sides, 16 and 10, lie nearest to their line.
    Rising diagonals: 6-8 cuts the corner off; from 5 the strand passes below the crossing of 6-10 with 18-8, so
    straight to 8 as well; from 4 below the next crossing, to 9; from 3 to 10; from 2 to the corner 11; from 1 both
    sides of the crossings, to 11 and to 12. On the left one hole has to be passed over: 17-13 runs beside the
    crossings where 18-13 would run into one; 16-14 cuts the corner off.
    """
    plan = make_plan(from_counts(7, 5, 5, 5, pitch_mm=10.0))
    upright, level = runs("2-16 3-14 4-13 5-12 6-10"), runs("18-8 17-9 16-10")
    rising = runs("6-8 5-8 4-9 3-10 2-11 1-11 1-12 17-13 16-14")
    falling = runs("2-18 3-18 4-17 5-16 6-15 7-15 7-14 9-13 10-12")
    for step, drawn in ((1, upright), (2, level), (3, upright), (4, level), (5, rising), (6, falling)):
        assert pairs(plan, step) == drawn, step
    assert plan.doubled == {"straights": (10, 16), "first diagonals": (8,), "second diagonals": (18,)}
    assert plan.skipped["first diagonals"] == (18,)
    assert plan.skipped["second diagonals"] == (8,)
    assert plan.skipped["verticals"] == plan.skipped["horizontals"] == ()
    assert {h for h, count in plan.per_hole.items() if count != 4} == {1, 7, 10, 11, 15, 16}


def test_a_ring_of_16_traced_by_hand() -> None:
    """A clock face with 16 hours, 1 at the front: four corners 3, 7, 11, 15 and three holes between each two.

    The three holes of a side face those of the other: 2-8, 1-9, 16-10 and 4-14, 5-13, 6-12. Chords whose
    numbers have one sum (less 16 where it is beyond) are parallel: all rising diagonals have 22 or 6, all falling
    ones 14 or 30, and the middle one runs twice, on both sides of the crossings.
    """
    plan = make_plan(from_ring(16, across_mm=160.0))
    upright, level = runs("16-10 1-9 2-8"), runs("14-4 13-5 12-6")
    rising = runs("1-5 16-6 15-7 15-7 14-8 13-9")
    falling = runs("1-13 2-12 3-11 3-11 4-10 5-9")
    for step, drawn in ((1, upright), (2, level), (3, upright), (4, level), (5, rising), (6, falling)):
        assert pairs(plan, step) == drawn, step
    assert all(sum(pair) % 16 == 22 % 16 for pair in rising)
    assert plan.corner_holes == (15, 3, 7, 11)
    assert plan.skipped["first diagonals"] == (2, 4, 10, 12)
    assert (plan.centre_front, plan.centre_back) == ((1,), (9,))


def test_strands_of_a_ring_stay_parallel_and_even() -> None:
    plan = make_plan(from_ring(64, across_mm=320.0))
    objective = plan.layout.objective
    assert objective.lean_deg < 0.01
    assert objective.off_square_deg < 0.01
    assert objective.uneven_frac < 0.2
    assert objective.n_left_out == 0
    assert plan.skipped["verticals"]  # Near the ends (Sharp; Perry's oval skips two in each straight step).
    assert plan.layout.mirrored


def test_a_long_oval_is_woven_too() -> None:
    plan = make_plan(from_ring(60, across_mm=420.0, deep_mm=260.0))
    assert plan.frame.shape == "oval"
    assert plan.layout.mirrored
    assert len(plan.step(1)) > len(plan.step(2))
    assert plan.layout.objective.lean_deg < 0.5


def test_order_of_work_links_underneath_to_the_next_hole() -> None:
    plan = make_plan(from_counts(8, 8, 8, 8, pitch_mm=12.7))
    assert step_pieces(plan, 1) == ["5-18, 17-6, 7-16", "4-19, 20-3, 2-21"]
    assert step_pieces(plan, 2) == ["28-9, 10-27, 26-11, 12-25, 24-13, 14-23"]
    assert step_pieces(plan, 3) == ["18-5, 6-17, 16-7", "19-4, 3-20, 21-2"]
    first = plan.strands[0]
    assert (first.number, first.start, first.end, first.link_to) == (1, 5, 18, 17)
    assert first.link_mm == pytest.approx(12.7)
    assert first.span_mm == pytest.approx(7 * 12.7)


def test_second_verticals_link_where_the_first_left_gaps() -> None:
    plan = make_plan(from_counts(14, 10, 14, 14, pitch_mm=12.7))

    def links(step: int) -> set[frozenset[int]]:
        return {frozenset((s.end, s.link_to)) for s in plan.step(step) if s.link_to is not None}

    assert not links(1) & links(3)
    assert not links(2) & links(4)


def test_numbers_of_strands_follow_the_order_of_work() -> None:
    plan = make_plan(from_counts(14, 10, 14, 14, pitch_mm=12.7))
    assert [s.number for s in plan.strands] == list(range(1, plan.runs + 1))
    assert [s.step for s in plan.strands] == sorted(s.step for s in plan.strands)
    assert counted_per_hole(plan) == plan.per_hole


def test_odd_against_even_is_said_with_its_remedy() -> None:
    plan = make_plan(from_counts(10, 7, 9, 9, pitch_mm=12.7))
    (warning,) = plan.warnings
    assert "one odd, one even" in warning
    assert f"hole {plan.strands[0].start} to hole {plan.strands[0].end}" in warning
    assert "parallel" in warning


def test_unequal_sides_are_said_with_the_remedy() -> None:
    plan = make_plan(from_counts(12, 12, 12, 11, pitch_mm=12.7))
    (warning,) = plan.warnings
    assert "Left 10 and right 9" in warning
    (skipped,) = plan.skipped["horizontals"]
    assert f"hole {skipped} takes no horizontal" in warning
    assert skipped > plan.corner_holes[3]  # type: ignore[operator]  # On the longer side, the left one.


def test_an_odd_ring_is_said_so() -> None:
    plan = make_plan(from_ring(65, across_mm=330.0))
    assert any("odd number of holes (65)" in w for w in plan.warnings)
    assert plan.layout.objective.off_square_deg < 180 / 65
    assert plan.layout.objective.lean_deg < 0.1


def test_every_stretch_is_crossed_once_by_each_series() -> None:
    for frame in (
        from_counts(20, 20, 15, 15, pitch_mm=12.7),
        from_counts(20, 14, 17, 17, pitch_mm=12.7),
        from_counts(20, 15, 17, 17, pitch_mm=12.7),
        from_counts(14, 10, 12, 12, pitch_mm=12.7, wing="left"),
    ):
        plan = make_plan(frame)
        n_crossings, stretches = crossings_and_stretches(plan)
        assert n_crossings == plan.n_crossings
        for step in (5, 6):
            assert (strands_across(stretches, [s.way_mm for s in plan.step(step)]) == 1).all()


def test_the_layouts_tried_are_kept_best_first() -> None:
    plan = make_plan(from_counts(10, 7, 9, 9, pitch_mm=12.7))
    totals = [layout.objective.total for layout in plan.tried]
    assert len(totals) == 4  # None, one, two or three of the extra holes on the left.
    assert totals == sorted(totals)
    assert plan.layout is plan.tried[0]


def test_a_wing_puts_all_short_verticals_on_its_slanting_side() -> None:
    plan = make_plan(from_counts(10, 7, 9, 9, pitch_mm=12.7, wing="left"))
    lean = plan.layout.objective
    assert lean.off_square_deg < 1
    assert lean.lean_deg < 1.5
    right = set(range(11, 18))
    short = [s for s in plan.strands if s.number in plan.short]
    assert [len({s.start, s.end} & right) for s in short] == [1, 1, 1]


@pytest.mark.parametrize(
    ("sides", "words"),
    [((3, 8, 8, 8), "The front has 3 holes"), ((40, 8, 8, 8), "more than the sides are long")],
)
def test_frames_that_cannot_be_are_refused(sides: tuple[int, int, int, int], words: str) -> None:
    with pytest.raises(BadInput, match=words):
        from_counts(*sides, pitch_mm=12.7)


def test_a_tiny_ring_is_refused() -> None:
    with pytest.raises(BadInput, match="too small"):
        from_ring(11, across_mm=100.0)


def test_the_smallest_seats_are_woven() -> None:
    assert make_plan(from_counts(4, 4, 4, 4, pitch_mm=12.7)).runs == 20
    assert make_plan(from_ring(12, across_mm=100.0)).runs >= 12


def test_words_tell_the_seat_and_the_holes() -> None:
    plan = make_plan(from_counts(7, 5, 5, 5, pitch_mm=10.0))
    assert seat_lines(plan) == [
        "18 holes, tapered: between the corners 5 front, 3 right, 3 back, 3 left",
        "Middle of the front: hole 4; middle of the back: hole 13",
        "Corner holes: 1, 7, 11, 15",
    ]
    told = "\n".join(hole_lines(plan))
    assert "6: holes 10 and 16" in told
    assert "4: the other 12 holes" in told
    assert "Passed over, first diagonals: 18" in told
    assert "catch it under a loop" in strand_lines(plan)[1]
