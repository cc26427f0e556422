"""The seven-step pattern against Perry, Seat Weaving, 1917, and against the rectangle's arithmetic."""

from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from woven_seats import counted_per_hole, pairs

from holecount.strands import from_counts, from_ring, make_plan, strands_per_hole


def number(i: int, j: int, m: int, n: int) -> int:
    """Hole number at grid place (i, j) of the rim of m x n spaces, counted anticlockwise from the front left."""
    if j == 0:
        return i + 1
    if i == m:
        return m + j + 1
    if j == n:
        return m + n + (m - i) + 1
    return 2 * m + n + (n - j) + 1


def printed_pattern(m: int, n: int) -> dict[int, Counter[frozenset[int]]]:
    """Every run of steps 1 to 6 on m x n spaces, by derived formulas (Perry's Fig. 4 for squares)."""

    def run(a: tuple[int, int], b: tuple[int, int]) -> frozenset[int]:
        return frozenset((number(*a, m, n), number(*b, m, n)))

    upright = Counter(run((i, 0), (i, n)) for i in range(1, m))
    level = Counter(run((0, j), (m, j)) for j in range(1, n))
    rising = [((k, 0), (m, m - k) if m - k <= n else (n + k + 1, n)) for k in range(m)]
    rising += [((0, k), (n - k, n) if n - k <= m else (m, m + k + 1)) for k in range(n)]
    falling = [((m - a, b), (m - c, d)) for (a, b), (c, d) in rising]
    return {
        1: upright,
        2: level,
        3: upright,
        4: level,
        5: Counter(run(a, b) for a, b in rising),
        6: Counter(run(a, b) for a, b in falling),
    }


def test_perrys_panel_of_28_holes_has_52_runs() -> None:
    plan = make_plan(from_counts(8, 8, 8, 8, pitch_mm=12.7))
    assert plan.frame.n == 28
    assert [len(plan.step(s)) for s in range(1, 7)] == [6, 6, 6, 6, 14, 14]
    assert plan.runs == 52


def test_perrys_panel_hole_by_hole() -> None:
    """Fig. 4 traced by hand: holes 1 to 8 in front, 8 to 15 on the right, 15 to 22 behind, 22 to 28 on the left."""
    plan = make_plan(from_counts(8, 8, 8, 8, pitch_mm=12.7))
    verticals = [(2, 21), (3, 20), (4, 19), (5, 18), (6, 17), (7, 16)]
    horizontals = [(28, 9), (27, 10), (26, 11), (25, 12), (24, 13), (23, 14)]
    first = [(7, 9), (6, 10), (5, 11), (4, 12), (3, 13), (2, 14), (1, 15)]
    first += [(1, 15), (28, 16), (27, 17), (26, 18), (25, 19), (24, 20), (23, 21)]
    second = [(2, 28), (3, 27), (4, 26), (5, 25), (6, 24), (7, 23), (8, 22)]
    second += [(8, 22), (9, 21), (10, 20), (11, 19), (12, 18), (13, 17), (14, 16)]
    for step, runs in ((1, verticals), (3, verticals), (2, horizontals), (4, horizontals), (5, first), (6, second)):
        assert pairs(plan, step) == Counter(frozenset(r) for r in runs), step


@settings(max_examples=40, deadline=None)
@given(m=st.integers(3, 30), n=st.integers(3, 30))
def test_every_oblong_is_the_printed_pattern(m: int, n: int) -> None:
    plan = make_plan(from_counts(m + 1, m + 1, n + 1, n + 1, pitch_mm=12.7))
    assert plan.runs == 4 * (m + n) - 4
    pattern = printed_pattern(m, n)
    for step in range(1, 7):
        assert pairs(plan, step) == pattern[step]
    corners = {1, m + 1, m + n + 1, 2 * m + n + 1}
    assert strands_per_hole(plan) == {k: 2 if k in corners else 4 for k in range(1, 2 * (m + n) + 1)}
    assert strands_per_hole(plan, couched=True) == {k: 4 if k in corners else 6 for k in range(1, 2 * (m + n) + 1)}
    assert counted_per_hole(plan) == strands_per_hole(plan)
    assert plan.warnings == ()


@pytest.mark.parametrize("wing", [None, "left", "right"])
@pytest.mark.parametrize("sides", [7, 9, 14])
def test_perrys_tapered_wing_has_three_short_verticals(wing: str | None, sides: int) -> None:
    """Holes of 3/16 in at 1/2 in, 5 between the corners on one end against 8 on the other."""
    plan = make_plan(from_counts(10, 7, sides, sides, pitch_mm=12.7, wing=wing))
    assert len(plan.short) == 3
    back = set(range(plan.corner_holes[2] + 1, plan.corner_holes[3]))  # type: ignore[operator]
    upright = [{s.start, s.end} for s in plan.step(1)]
    assert len(upright) == 8
    assert sum(bool(ends & back) for ends in upright) == 5
    if wing:
        slanting = set(range(plan.corner_holes[1] + 1, plan.corner_holes[2]))  # type: ignore[operator]
        if wing == "right":
            slanting = set(range(plan.corner_holes[3] + 1, plan.frame.n + 1))  # type: ignore[operator]
        assert sum(bool(ends & slanting) for ends in upright) == 3


@pytest.mark.parametrize(("front", "back"), [(12, 8), (17, 13), (24, 22), (10, 12)])
def test_short_verticals_are_the_difference_of_front_and_back(front: int, back: int) -> None:
    plan = make_plan(from_counts(front, back, 14, 14, pitch_mm=12.7))
    assert len(plan.short) == abs(front - back)
    assert plan.layout.mirrored


@pytest.mark.parametrize(("front", "back"), [(12, 8), (17, 13), (24, 20), (16, 13)])
def test_no_hole_takes_more_than_the_sources_say(front: int, back: int) -> None:
    """6 or more on tapered seats, at most 5 without both straight families (Perry; Sharp); never over 8 (trade)."""
    plan = make_plan(from_counts(front, back, 16, 16, pitch_mm=12.7))
    both = set(plan.doubled["straights"])
    for hole, count in strands_per_hole(plan).items():
        assert count <= (8 if hole in both else 5)


@pytest.mark.parametrize("holes", [65, 75, 80])
def test_bentwood_rings_put_six_or_more_where_both_families_meet(holes: int) -> None:
    plan = make_plan(from_ring(holes, across_mm=330.0))
    counts = strands_per_hole(plan)
    assert max(counts.values()) in (6, 7, 8)
    assert all(counts[k] >= 4 for k in plan.doubled["straights"])
    assert min(counts.values()) >= 2
