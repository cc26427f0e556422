"""Plans of all the shared photographs, from the true holes: complete, told, mirrored."""

import json

import numpy as np
import pytest
from sizing_seats import SHARED, true_seat
from woven_seats import counted_per_hole, crossings_and_stretches, mirror_images, pairs, positions, strands_across

from holecount.strands import StrandPlan, plan_of_measurement
from holecount.strands.frame import between

pytestmark = pytest.mark.skipif(not SHARED.is_dir(), reason="the shared photographs are not here")
NAMES = sorted(path.stem for path in SHARED.glob("*.json"))
_PLANS: dict[str, StrandPlan] = {}


def plan_of(name: str) -> StrandPlan:
    if name not in _PLANS:
        _PLANS[name] = plan_of_measurement(true_seat(name))
    return _PLANS[name]


@pytest.mark.parametrize("name", NAMES)
def test_corners_are_the_true_ones(name: str) -> None:
    truth = json.loads((SHARED / f"{name}.json").read_text())
    true_corners = [k + 1 for k, h in enumerate(truth["holes"]) if h["corner"]]
    plan = plan_of(name)
    assert (plan.frame.corners is None) == (not true_corners)
    if true_corners:
        assert sorted(c or 0 for c in plan.corner_holes) == true_corners


@pytest.mark.parametrize("name", NAMES)
def test_no_crossing_is_left_out(name: str) -> None:
    """Each stretch of a pair from crossing to crossing is crossed by one strand of each series; on rings, which double
    and skip freely, a strand may slip past one more stretch at the rim."""
    plan = plan_of(name)
    n_crossings, stretches = crossings_and_stretches(plan)
    assert n_crossings == plan.n_crossings > 0
    at_rim = np.isin(stretches.reshape(-1, 2), plan.frame.xy_mm).all(axis=1).reshape(-1, 2).any(axis=1)
    for step in (5, 6):
        count = strands_across(stretches, [s.way_mm for s in plan.step(step)])
        assert (count >= 1).all()
        assert (count[~at_rim] == 1).mean() > (0.995 if plan.frame.corners is None else 0.9999)
        assert (count == 1).mean() > (0.98 if plan.frame.corners is None else 0.9999)


@pytest.mark.parametrize("name", NAMES)
def test_every_side_hole_takes_its_straight_strands(name: str) -> None:
    plan = plan_of(name)
    assert plan.skipped["verticals"] == () or plan.frame.corners is None
    assert plan.skipped["horizontals"] == () or plan.frame.corners is None
    assert plan.layout.objective.n_left_out == 0
    assert pairs(plan, 1) == pairs(plan, 3)
    assert pairs(plan, 2) == pairs(plan, 4)
    assert counted_per_hole(plan) == plan.per_hole
    assert min(plan.per_hole.values()) >= 2
    assert max(plan.per_hole.values()) <= 8


@pytest.mark.parametrize("name", NAMES)
def test_strands_are_parallel_and_even(name: str) -> None:
    objective = plan_of(name).layout.objective
    assert objective.lean_deg < 0.5
    assert objective.off_square_deg < 2.5
    assert objective.uneven_frac < 0.2


@pytest.mark.parametrize("name", NAMES)
def test_short_verticals_are_the_difference_of_front_and_back(name: str) -> None:
    plan = plan_of(name)
    if plan.frame.corners is not None:
        a, b, c, d = plan.frame.corners
        front, back = len(between(a, b, plan.frame.n)), len(between(c, d, plan.frame.n))
        assert len(plan.short) == front - back


@pytest.mark.parametrize("name", NAMES)
def test_hidden_and_blocked_holes_are_told(name: str) -> None:
    m, plan = true_seat(name), plan_of(name)
    told = [w.split(":")[0] for w in plan.warnings]
    for status, words in (("hidden", "not seen"), ("blocked", "packed with old cane")):
        numbers = [h.number for h in m.holes if h.status == status]
        saying = [t for t in told if words in t]
        assert len(saying) == bool(numbers)
        if numbers:
            assert set(spelt_out(saying[0])) == set(numbers)
    hidden = {h.number for h in m.holes if h.status == "hidden"}
    through = {s.number for s in plan.strands if {s.start, s.end} & hidden}
    if hidden:
        (warning,) = [w for w in plan.warnings if "not seen" in w]
        assert set(spelt_out(warning.split("strands")[1].split("run")[0])) == through


def spelt_out(text: str) -> list[int]:
    """Numbers of ``Holes 3, 5 to 8 and 11 ...``."""
    found: list[int] = []
    words = text.replace(",", " ").split()
    for k, word in enumerate(words):
        if word.isdigit():
            low = int(word)
            if k >= 2 and words[k - 1] == "to":
                found += range(int(words[k - 2]) + 1, low + 1)
            else:
                found.append(low)
    return found


@pytest.mark.parametrize("name", NAMES)
def test_mirrored_where_the_seat_is(name: str) -> None:
    """All shared seats are alike left and right. With front and back both odd or both even the whole plan is its own
    mirror image; else the horizontals are, and the verticals cannot be (3 short ones do not halve)."""
    plan = plan_of(name)
    image = mirror_images(plan)
    for step in (1, 2) if plan.frame.n % 2 == 0 else (2,):
        laid = pairs(plan, step)
        assert {frozenset(image[h] for h in pair) for pair in laid} == set(laid)
    if plan.frame.n % 2 == 0:
        assert plan.layout.mirrored
        flipped = [frozenset(image[h] for h in (s.start, s.end)) for s in plan.step(5)]
        assert sorted(map(sorted, flipped)) == sorted(sorted((s.start, s.end)) for s in plan.step(6))
        assert {image[h]: count for h, count in plan.per_hole.items()} == plan.per_hole
    else:
        assert any("odd" in w for w in plan.warnings)


@pytest.mark.parametrize("name", NAMES)
def test_diagonals_take_the_straightest_course(name: str) -> None:
    """Drawn taut through their crossings they leave the straight line from hole to hole by about half a
    pitch at most, but for a few at the rails, and double few holes where the corners are real."""
    plan = plan_of(name)
    at = positions(plan)
    off = []
    for s in (*plan.step(5), *plan.step(6)):
        run = at[s.end] - at[s.start]
        run = run / np.hypot(*run)
        from_start = s.way_mm - at[s.start]
        off.append(float(np.abs(from_start[:, 0] * run[1] - from_start[:, 1] * run[0]).max()) / plan.frame.pitch_mm)
    assert np.quantile(off, 0.8) < 0.55
    assert max(off) < 0.8
    if plan.frame.corners is not None:
        for series in ("first diagonals", "second diagonals"):
            assert len(plan.doubled[series]) <= len(plan.doubled["straights"])
