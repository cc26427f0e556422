"""What holds for every seat: turning, mirroring, rescaling and reordering change nothing that matters."""

from collections import Counter
from dataclasses import replace

import made_measurement as made
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from woven_seats import counted_per_hole, crossings_and_stretches, pairs, strands_across

from holecount.strands import (
    CaneSettings,
    Frame,
    StrandPlan,
    cane_need,
    from_counts,
    from_measurement,
    from_ring,
    make_plan,
    together,
)

pytestmark = pytest.mark.filterwarnings("error")
ask = settings(max_examples=15, deadline=None)


@st.composite
def tapered(draw: st.DrawFn) -> Frame:
    """Seats with straight rails, sides equal or not, sometimes bored unevenly."""
    back = draw(st.integers(5, 22))
    front = back + draw(st.integers(0, 8))
    left = draw(st.integers(max(6, front - back + 3), 24))
    right = left + draw(st.sampled_from([0, 0, 0, 1, -1]))
    frame = from_counts(front, back, left, max(5, right), pitch_mm=draw(st.floats(9.0, 22.0)))
    jitter = draw(st.sampled_from([0.0, 0.02, 0.05]))
    rng = np.random.default_rng(draw(st.integers(0, 2**16)))
    return replace(frame, xy_mm=frame.xy_mm + rng.normal(0, jitter * frame.pitch_mm, frame.xy_mm.shape))


@st.composite
def ring(draw: st.DrawFn) -> Frame:
    across = draw(st.floats(280.0, 420.0))
    return from_ring(draw(st.integers(24, 90)), across_mm=across, deep_mm=across * draw(st.floats(0.8, 1.2)))


def seats() -> st.SearchStrategy[Frame]:
    return st.one_of(tapered(), ring())


def complete(plan: StrandPlan) -> None:
    assert counted_per_hole(plan) == plan.per_hole
    assert sum(plan.per_hole.values()) == 2 * plan.runs
    assert pairs(plan, 1) == pairs(plan, 3)
    assert pairs(plan, 2) == pairs(plan, 4)
    assert all(times == 1 for step in (1, 2) for times in pairs(plan, step).values())
    assert max(plan.per_hole.values()) <= 8
    n_crossings, stretches = crossings_and_stretches(plan)
    assert n_crossings == plan.n_crossings
    for step in (5, 6):
        count = strands_across(stretches, [s.way_mm for s in plan.step(step)])
        assert (count >= 1).all()
        assert (count == 1).mean() > 0.97


@ask
@given(frame=seats())
def test_every_plan_is_complete(frame: Frame) -> None:
    complete(make_plan(frame))


@ask
@given(frame=tapered())
def test_corner_holes_hold_two_diagonals_and_nothing_else(frame: Frame) -> None:
    plan = make_plan(frame)
    for corner, own in zip(plan.corner_holes, (5, 6, 5, 6), strict=True):
        at = Counter(s.step for s in plan.strands for h in (s.start, s.end) if h == corner)
        assert set(at) <= {own}
        assert at[own] in (1, 2)


@ask
@given(frame=seats())
def test_strands_of_a_step_do_not_cross_each_other(frame: Frame) -> None:
    plan = make_plan(frame)
    place = {number: k for k, number in enumerate(plan.frame.numbers)}
    for step in range(1, 7):
        chords = [tuple(sorted((place[s.start], place[s.end]))) for s in plan.step(step)]
        for k, (a, b) in enumerate(chords):
            for c, d in chords[k + 1 :]:
                assert not a < c < b < d
                assert not c < a < d < b


@ask
@given(frame=tapered(), turn_deg=st.floats(-40, 40), shift=st.integers(0, 60), backwards=st.booleans())
def test_turn_origin_first_hole_and_direction_do_not_matter(
    frame: Frame, turn_deg: float, shift: int, backwards: bool
) -> None:
    assert frame.corners is not None
    a, b, c, d = frame.corners
    holes = []
    for k, (number, (x, y)) in enumerate(zip(frame.numbers, frame.xy_mm, strict=True)):
        rail = "front" if a <= k < b else "right" if b <= k < c else "back" if c <= k < d else "left"
        holes.append(made.hole(number, rail, float(x), float(y), corner=k in frame.corners))
    m = replace(made.measurement_of(holes), shape=frame.shape)
    co, si = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    turned = [replace(h, x_mm=co * h.x_mm - si * h.y_mm + 9, y_mm=si * h.x_mm + co * h.y_mm - 5) for h in m.holes]
    turned = turned[shift % len(turned) :] + turned[: shift % len(turned)]
    other = replace(m, holes=tuple(turned[::-1] if backwards else turned))
    one, two = make_plan(from_measurement(m)), make_plan(from_measurement(other))
    assert one.corner_holes == two.corner_holes
    for step in range(1, 7):
        assert pairs(one, step) == pairs(two, step)


@ask
@given(frame=seats(), scale=st.floats(0.3, 3.0))
def test_a_seat_twice_as_large_is_woven_alike(frame: Frame, scale: float) -> None:
    one, two = make_plan(frame), make_plan(replace(frame, xy_mm=frame.xy_mm * scale))
    for step in range(1, 7):
        assert pairs(one, step) == pairs(two, step)
    spans = [sum(s.span_mm for s in plan.strands) for plan in (one, two)]
    assert spans[1] == pytest.approx(scale * spans[0], rel=1e-9)


@ask
@given(front=st.integers(11, 26), less=st.integers(0, 3), sides=st.integers(10, 24))
def test_a_seat_alike_left_and_right_is_woven_alike(front: int, less: int, sides: int) -> None:
    frame = from_counts(front, front - 2 * less, sides, sides, pitch_mm=12.0)
    plan = make_plan(frame)
    assert plan.layout.mirrored
    place = {number: k for k, number in enumerate(frame.numbers)}
    assert frame.reflection is not None

    def image(hole: int) -> int:
        return frame.numbers[((frame.reflection or 0) - place[hole]) % frame.n]

    for step, other in ((1, 1), (2, 2), (5, 6)):
        flipped = Counter(frozenset(image(h) for h in pair) for pair in pairs(plan, step).elements())
        assert flipped == pairs(plan, other)


@ask
@given(frame=tapered(), thick=st.floats(12.0, 30.0), more=st.floats(0.5, 10.0), feet=st.floats(10.0, 20.0))
def test_a_thicker_frame_takes_more_cane(frame: Frame, thick: float, more: float, feet: float) -> None:
    plan = make_plan(frame)
    thin = cane_need(plan, CaneSettings(thickness_mm=thick, length_mm=feet * 304.8))
    fat = cane_need(plan, CaneSettings(thickness_mm=thick + more, length_mm=feet * 304.8))
    passages = [sum(s.passages_mm for s in need.steps) for need in (thin, fat)]
    assert passages[1] - passages[0] == pytest.approx(2 * more * plan.runs)
    assert thin.low_mm < thin.net_mm < thin.buy_mm < thin.high_mm
    assert together([thin, fat]).net_mm == pytest.approx(thin.net_mm + fat.net_mm)
