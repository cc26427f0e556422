"""Drawings as SVG: every hole numbered, every strand there, numbers apart from each other."""

import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from numpy.typing import NDArray

from holecount.strands import StrandPlan, all_steps_svg, drawings, from_counts, from_ring, make_plan, step_svg
from holecount.strands.drawing import LABEL_WIDTH

SVG = "{http://www.w3.org/2000/svg}"
SEATS = {
    "tapered": from_counts(20, 15, 17, 17, pitch_mm=15.0),
    "close": from_counts(39, 31, 37, 37, pitch_mm=9.8),
    "ring": from_ring(65, across_mm=330.0),
    "without millimetres": from_counts(8, 8, 8, 8, pitch_mm=None),
}


@pytest.fixture(scope="module", params=SEATS, ids=str)
def plan(request: pytest.FixtureRequest) -> StrandPlan:
    return make_plan(SEATS[request.param])


def test_seven_drawings_that_stand_alone(plan: StrandPlan) -> None:
    made = drawings(plan)
    assert list(made) == [*(f"step-{k}" for k in range(1, 7)), "all-steps"]
    for svg in made.values():
        root = ElementTree.fromstring(svg)
        assert root.tag == f"{SVG}svg"
        assert root.get("aria-label")
        assert "href" not in svg
        assert "NaN" not in svg
        assert "nan" not in svg


def test_every_hole_has_its_number_and_lies_in_the_picture(plan: StrandPlan) -> None:
    root = ElementTree.fromstring(step_svg(plan, 1))
    _, _, width, height = (float(v) for v in root.attrib["viewBox"].split())
    holes = [c for c in root.iter(f"{SVG}circle") if c.get("fill") == "#fff"]
    labels = [t for t in root.iter(f"{SVG}text") if (t.text or "").isdigit()]
    assert len(holes) == len(labels) == plan.frame.n
    assert sorted(int(t.text or 0) for t in labels) == sorted(plan.frame.numbers)
    for item in (*holes, *labels):
        assert 0 < float(item.get("cx") or item.get("x") or 0) < width
        assert 0 < float(item.get("cy") or item.get("y") or 0) < height


def test_numbers_do_not_touch(plan: StrandPlan) -> None:
    root = ElementTree.fromstring(all_steps_svg(plan))
    (group,) = [g for g in root.iter(f"{SVG}g") if g.get("font-size")]
    height = float(group.attrib["font-size"])
    assert height >= 9
    boxes = []
    for t in group.iter(f"{SVG}text"):
        half = LABEL_WIDTH * height * len(t.text or "") / 2 - 0.05 * height
        x, y = float(t.attrib["x"]), float(t.attrib["y"])
        boxes.append((x - half, x + half, y - 0.72 * height, y))
    for k, a in enumerate(boxes):
        for b in boxes[k + 1 :]:
            assert a[1] <= b[0] or b[1] <= a[0] or a[3] <= b[2] or b[3] <= a[2]


def test_every_strand_of_a_step_is_drawn_between_its_holes(plan: StrandPlan) -> None:
    for step in range(1, 7):
        svg = step_svg(plan, step)
        root = ElementTree.fromstring(svg)
        dark = [p for p in root.iter(f"{SVG}path") if p.get("stroke") == "#4a4a4a"]
        lines = [line for p in dark for line in re.findall(r"M[^M]+", p.attrib["d"])]
        assert len(lines) >= len(plan.step(step))
        at = {
            (round(float(c.attrib["cx"]), 1), round(float(c.attrib["cy"]), 1))
            for c in root.iter(f"{SVG}circle")
            if c.get("fill") == "#fff"
        }
        whole = [line for line in lines if {corner(line, 0), corner(line, -1)} <= at]
        assert len(whole) >= len(plan.step(step))


def corner(line: str, k: int) -> tuple[float, float]:
    x, y = line[1:].split("L")[k].split(",")
    return round(float(x), 1), round(float(y), 1)


def test_front_is_at_the_bottom() -> None:
    plan = make_plan(SEATS["tapered"])
    root = ElementTree.fromstring(step_svg(plan, 1))
    y = {int(t.text or 0): float(t.attrib["y"]) for t in root.iter(f"{SVG}text") if (t.text or "").isdigit()}
    x = {int(t.text or 0): float(t.attrib["x"]) for t in root.iter(f"{SVG}text") if (t.text or "").isdigit()}
    assert y[10] > y[42]
    assert x[2] < x[19]


def test_blocked_and_hidden_holes_look_different() -> None:
    frame = SEATS["tapered"]
    status = ("open", "blocked", "hidden", *frame.status[3:])
    svg = step_svg(make_plan(replace(frame, status=status)), 1)
    assert svg.count('fill="#fff" stroke="#111" stroke-dasharray') == 1
    assert svg.count('stroke-width="1.6"/>') == 1


def middle_of(way: NDArray[np.float64]) -> NDArray[np.float64]:
    run = np.hypot(*np.diff(way, axis=0).T)
    return np.asarray(((way[1:] + way[:-1]) / 2 * run[:, None]).sum(axis=0) / run.sum())


def test_a_mirrored_seat_is_drawn_mirrored() -> None:
    plan = make_plan(from_counts(20, 16, 17, 17, pitch_mm=15.0))
    rising = [middle_of(strand.way_mm) * [-1, 1] for strand in plan.step(5)]
    falling = np.array([middle_of(strand.way_mm) for strand in plan.step(6)])
    assert len(rising) == len(falling)
    for middle in rising:
        assert np.hypot(*(falling - middle).T).min() < 1e-3
