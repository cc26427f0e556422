"""The hole line found in drawn seats whose truth is exact, with the true camera given."""

import cv2
import numpy as np
import pytest
from drawn_seats import draw_seat

from holecount.holes.find import find_line
from holecount.holes.line import field_marks, fill_slots, trace_ring
from holecount.holes.rows import trace_rows
from holecount.photo import Photo
from holecount.scale.plane import Camera, straight_above


def truth_camera(t):
    rotation, origin = np.array(t["camera"]["R"]), np.array(t["camera"]["origin"])
    w, h = t["width"], t["height"]
    return Camera(
        focal_px=t["f_px"], k1=t["k1"], centre_px=np.array([(w - 1) / 2, (h - 1) / 2]),
        half_diagonal_px=float(np.hypot(w, h) / 2), rotation=rotation, translation_mm=-rotation @ origin,
    )  # fmt: skip


def count_errors(seed):
    drawn = draw_seat(seed, width_px=1400, height_px=1050)
    t = drawn.truth
    photo = Photo(path=None, sha256="", bgr=drawn.bgr)
    found = find_line(photo, truth_camera(t), [np.array(s["corners_px"]) for s in t["scales"]])
    true = np.array([[h["px"], h["py"]] for h in t["holes"]])
    radius = np.array([h["r_px"] for h in t["holes"]])
    visible = np.array([h["visible"] for h in t["holes"]])
    if found is None:
        return len(true), 0
    away = np.hypot(*(true[:, None] - found.xy_px[None, ~found.hidden]).transpose(2, 0, 1))
    missed = ~(away < radius[:, None]).any(axis=1) & (visible >= 0.7)
    false = ~(away < radius[:, None]).any(axis=0)
    return int(missed.sum()), int(false.sum())


def test_nearly_every_drawn_seat_is_counted_exactly():
    errors = [count_errors(seed) for seed in range(100, 108)]
    assert sum(e == (0, 0) for e in errors) >= 7, errors


def ring(n, rx, ry, rng, sd):
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return np.column_stack([rx * np.cos(t), ry * np.sin(t)]) + rng.normal(0, sd, (n, 2))


def test_ring_survives_clutter_and_gaps():
    rng = np.random.default_rng(7)
    holes = ring(72, 170, 155, rng, 0.7)
    step = float(np.median(np.hypot(*np.diff(holes, axis=0).T)))
    keep = np.ones(72, bool)
    keep[[5, 20, 21, 40, 41, 42]] = False
    clutter = rng.uniform(-230, 230, (80, 2))
    xy = np.vstack([holes[keep], clutter])
    weight = np.concatenate([np.full(keep.sum(), 3.0), np.full(80, 0.9)])
    line = trace_ring(xy, weight, step)
    assert line is not None
    assert len(line.index) == 72
    on = line.index[line.index >= 0]
    assert set(on) == set(range(keep.sum()))
    # empty slots are put where the holes were taken away
    gone = holes[~keep]
    empty = line.xy_mm[line.index < 0]
    assert np.hypot(*(gone[:, None] - empty[None]).transpose(2, 0, 1)).min(axis=1).max() < 0.35 * step


def test_slots_round_a_hidden_corner_follow_the_corner():
    side = np.arange(0, 200.1, 10.0)
    n = len(side)
    square = np.concatenate(
        [
            np.column_stack([side, np.zeros(n)]),
            np.column_stack([np.full(n - 1, 200.0), side[1:]]),
            np.column_stack([side[:-1][::-1], np.full(n - 1, 200.0)]),
            np.column_stack([np.zeros(n - 2), side[1:-1][::-1]]),
        ]
    )
    given = square.copy()
    corner = n - 1
    given[corner - 2 : corner + 3] = np.nan
    places, source = fill_slots(given, 10.0)
    assert len(places) == len(square)
    np.testing.assert_allclose(places, square, atol=1e-6)
    assert (source < 0).sum() == 5


def test_rows_and_fields():
    rng = np.random.default_rng(1)
    row = np.column_stack([np.arange(13) * 8.0, np.zeros(13)]) + rng.normal(0, 0.1, (13, 2))
    other = row + np.array([2.0, 40.0])
    board = np.array([(x, y) for x in range(12) for y in range(10)], float) * 8.0 + [150.0, 0.0]
    xy = np.vstack([row, other, board])
    in_field = field_marks(xy, [8.0, 16.0])
    assert not in_field[:26].any()
    assert in_field[26:].all()
    rows = trace_rows(xy[~in_field], np.ones(26), 8.0)
    assert [len(r.index) for r in rows] == [13, 13]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_line_in_texture(seed):
    rng = np.random.default_rng(seed)
    grain = cv2.GaussianBlur(rng.normal(0, 1, (900, 1200)).astype(np.float32), (0, 0), sigmaX=9, sigmaY=2)
    bgr = np.clip(140 + 60 * grain[..., None] / grain.std() * [0.6, 0.8, 1.0], 0, 255).astype(np.uint8)
    photo = Photo(path=None, sha256="", bgr=bgr)
    assert find_line(photo, straight_above(1200, 900)) is None
