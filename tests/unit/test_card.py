"""The parts of the card finder, each against something that can be worked out otherwise."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from holecount.photo import LINEAR_FROM_SRGB
from holecount.scale.corner_shape import corner_shapes
from holecount.scale.known_objects import known_objects, rectangle
from holecount.scale.plane import Camera
from holecount.scale.quads import BURNT_OUT_CODE, close_box
from holecount.scale.rectangle_pose import (
    LensPrior,
    anticlockwise,
    pose_of_rectangle,
    rectangle_mm,
    shape_of_quads,
    unit_square_homographies,
)
from holecount.scale.segments import direction_map, edge_share, find_segments, join_lines, reduce_picture
from holecount.scale.sides import OFFSETS_PX, SideStrip, corners_of, outward_normals, read_strips, rough_sides

CARD = known_objects()["card"]
CENTRE = np.array([999.5, 749.5])


def camera(tilt_deg: float = 25.0, towards_deg: float = 40.0, k1: float = 0.0, focal_px: float = 1500.0) -> Camera:
    tilt, towards = np.radians([tilt_deg, towards_deg])
    lean, _ = cv2.Rodrigues(tilt * np.array([np.cos(towards), np.sin(towards), 0.0]))
    return Camera(
        focal_px=focal_px,
        k1=k1,
        centre_px=CENTRE,
        half_diagonal_px=1250.0,
        rotation=np.diag([1.0, -1.0, -1.0]) @ lean,
        translation_mm=np.array([30.0, -20.0, 450.0]),
    )


def lens(focal_px: float = 1500.0, u_focal_rel: float = 0.03) -> LensPrior:
    return LensPrior(focal_px=focal_px, u_focal_rel=u_focal_rel, u_k1=0.015, centre_px=CENTRE, half_diagonal_px=1250.0)


def card_px(c: Camera) -> np.ndarray:
    return c.to_px(rectangle_mm(CARD.long_mm, CARD.short_mm))


# Known objects


def test_sizes_are_those_of_the_standards() -> None:
    # ISO/IEC 7810: 3.370 x 2.125 in. ISO 216: A4 is a sixteenth of a square metre, sides as the square root of 2 to 1,
    # to whole mm. Letter: 8 1/2 x 11 in.
    a4, letter = known_objects()["a4"], known_objects()["letter"]
    assert (CARD.long_mm, CARD.short_mm) == (85.60, 53.98)
    assert CARD.long_mm / 25.4 == pytest.approx(3.370, abs=5e-4)
    assert CARD.short_mm / 25.4 == pytest.approx(2.125, abs=5e-4)
    assert a4.long_mm == round(1000 * 2 ** (-7 / 4))
    assert a4.short_mm == round(1000 * 2 ** (-9 / 4))
    assert (letter.short_mm, letter.long_mm) == pytest.approx((8.5 * 25.4, 11 * 25.4))
    assert (a4.corner_radius_mm, letter.corner_radius_mm, CARD.corner_radius_mm) == (0.0, 0.0, 3.18)


def test_card_uncertainty_covers_the_tolerance_of_unused_cards() -> None:
    # 85.47-85.72 by 53.92-54.03 mm
    for low, high, nominal in ((85.47, 85.72, 85.60), (53.92, 54.03, 53.98)):
        assert (high - low) / 2 / np.sqrt(3) <= 1.05 * CARD.u_size_rel * nominal


@pytest.mark.parametrize("key", sorted(known_objects()))
def test_every_object_says_where_its_figures_come_from(key: str) -> None:
    known = known_objects()[key]
    assert known.key == key
    assert len(known.source) > 20
    assert known.long_mm >= known.short_mm > 0


def test_rectangle_of_two_lengths_has_the_long_one_first() -> None:
    made = rectangle(54.0, 85.6)
    assert (made.long_mm, made.short_mm) == (85.6, 54.0)
    assert made.corner_radius_mm is None
    for bad in ((0.0, 5.0), (5.0, -1.0), (float("nan"), 5.0), (float("inf"), 5.0)):
        with pytest.raises(ValueError, match="above zero"):
            rectangle(*bad)


# Geometry


def test_homographies_take_the_unit_square_to_the_corners() -> None:
    rng = np.random.default_rng(4)
    quads = np.array([[0, 0], [100, 0], [100, 60], [0, 60]]) + rng.normal(0, 8, (20, 4, 2))
    square = np.array([[0, 0, 1], [1, 0, 1], [1, 1, 1], [0, 1, 1.0]])
    got = square @ unit_square_homographies(quads).transpose(0, 2, 1)
    assert got[..., :2] / got[..., 2:] == pytest.approx(quads)
    reference = cv2.getPerspectiveTransform(square[:, :2].astype(np.float32), quads[0].astype(np.float32))
    assert unit_square_homographies(quads[:1])[0] == pytest.approx(reference, abs=1e-3)


@pytest.mark.parametrize("tilt_deg", [0.0, 10.0, 30.0, 50.0])
def test_shape_of_a_card_is_its_own_at_any_tilt(tilt_deg: float) -> None:
    ratio, cosine = shape_of_quads(card_px(camera(tilt_deg))[None], 1500.0, CENTRE)
    assert ratio[0] == pytest.approx(CARD.long_mm / CARD.short_mm, rel=1e-9)
    assert cosine[0] == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("tilt_deg", [0.0, 12.0, 35.0])
def test_three_sides_tell_where_the_fourth_is(tilt_deg: float) -> None:
    q = card_px(camera(tilt_deg))
    arms = [(q[k] - q[j]) / np.linalg.norm(q[k] - q[j]) for j, k in ((0, 3), (1, 2))]
    end1, end2, tilt = close_box(
        q[None, 0], q[None, 1], arms[0][None], arms[1][None], CARD.short_mm / CARD.long_mm, 1500.0, CENTRE
    )
    assert end1[0] == pytest.approx(q[3], abs=1e-6)
    assert end2[0] == pytest.approx(q[2], abs=1e-6)
    assert tilt[0] == pytest.approx(tilt_deg, abs=1e-6)


def test_anticlockwise_keeps_the_long_sides() -> None:
    q = card_px(camera())
    assert anticlockwise(q) == pytest.approx(q)
    assert anticlockwise(q[[1, 0, 3, 2]]) == pytest.approx(q)


def test_corners_are_where_the_sides_cross_and_parallels_do_not() -> None:
    q = card_px(camera())
    ends = np.stack([q, np.roll(q, -1, axis=0)], axis=1)
    stretched = np.stack([1.3 * ends[:, 0] - 0.3 * ends[:, 1], 0.6 * ends[:, 0] + 0.4 * ends[:, 1]], axis=1)
    assert corners_of(stretched) == pytest.approx(q)
    assert np.isnan(corners_of(np.broadcast_to(ends[:1], (4, 2, 2)))).all()
    middles = (q + np.roll(q, -1, axis=0)) / 2
    assert (((middles - q.mean(axis=0)) * outward_normals(q)).sum(axis=1) > 0).all()


def sides_of(c: Camera, noise_px: float = 0.0, seed: int = 0) -> np.ndarray:
    q, t = rectangle_mm(CARD.long_mm, CARD.short_mm), np.array([0.15, 0.85])[:, None]
    mm = np.stack([q[k] * (1 - t) + q[(k + 1) % 4] * t for k in range(4)])
    px = c.to_px(mm.reshape(-1, 2)).reshape(4, 2, 2)
    return px + np.random.default_rng(seed).normal(0, noise_px, px.shape) if noise_px else px


@pytest.mark.parametrize(("tilt_deg", "k1"), [(0.5, 0.0), (20.0, 0.01), (40.0, -0.02)])
def test_pose_is_found_again(tilt_deg: float, k1: float) -> None:
    true = camera(tilt_deg, k1=k1)
    start = card_px(true) + np.random.default_rng(1).normal(0, 2, (4, 2))
    believed = replace(lens(), u_k1=1e-6 if k1 == 0 else 0.2)
    pose = pose_of_rectangle(start, sides_of(true), np.full((4, 2), 0.01), CARD.long_mm, CARD.short_mm, believed)
    assert pose is not None
    assert pose.corners_px == pytest.approx(card_px(true), abs=0.05)
    assert pose.misfit < 1.0
    if k1 == 0:
        assert pose.camera.tilt_deg == pytest.approx(tilt_deg, abs=0.3)


def test_pose_from_three_sides_predicts_the_fourth() -> None:
    true = camera(20.0)
    u = np.full((4, 2), 0.02)
    u[2] = np.inf
    start = card_px(true).copy()
    start[2:] += 12.0
    pose = pose_of_rectangle(start, sides_of(true), u, CARD.long_mm, CARD.short_mm, lens())
    assert pose is not None
    assert np.abs(pose.corners_px - card_px(true)).max() < 0.5
    assert pose.u_corners_px[2:].min() > 3 * pose.u_corners_px[:2].max()


def test_stated_corner_uncertainty_of_the_pose_covers_its_errors() -> None:
    true = camera(22.0)
    z = []
    for seed in range(60):
        pose = pose_of_rectangle(
            card_px(true), sides_of(true, 0.3, seed), np.full((4, 2), 0.3), CARD.long_mm, CARD.short_mm, lens()
        )
        assert pose is not None
        z.append(np.linalg.norm(pose.corners_px - card_px(true), axis=1) / pose.u_corners_px)
    # u is that of the worse direction: the error's length is between 1 and sqrt 2 of it in the root mean square.
    assert 0.8 < np.sqrt(np.mean(np.square(z))) < 1.5


def test_wrong_shape_does_not_fit() -> None:
    true = camera(20.0)
    sides, corners = sides_of(true), card_px(true)
    u = np.full((4, 2), 0.3)
    right, wrong = (pose_of_rectangle(corners, sides, u, long, CARD.short_mm, lens()) for long in (85.6, 89.0))
    assert right is not None
    assert wrong is not None
    assert right.misfit < 0.01
    assert wrong.misfit > 10


def test_crossed_corners_have_no_pose() -> None:
    crossed = card_px(camera())[[0, 2, 1, 3]]
    pose = pose_of_rectangle(crossed, sides_of(camera()), np.full((4, 2), 0.3), CARD.long_mm, CARD.short_mm, lens())
    assert pose is None or pose.misfit > 100


# Edges


def test_reduced_picture_and_its_scale_belong_together() -> None:
    wide = np.zeros((1512, 2016, 3), np.uint8)
    wide[:, 1000:] = 200
    for size in (4032, 2048, 1300, 900):
        full = cv2.resize(wide, (size, size * 3 // 4), interpolation=cv2.INTER_NEAREST)
        small, scale = reduce_picture(full, 1050)
        edge, at = (float(np.flatnonzero(p[5, :, 0] > 100)[0]) - 0.5 for p in (full, small))
        assert abs(at - ((edge + 0.5) * scale - 0.5)) < 0.75
        assert max(small.shape[:2]) < 1.75 * 1050


def test_pieces_of_a_straight_edge_join_into_one_line() -> None:
    rng = np.random.default_rng(3)
    a, b = np.array([100.0, 80.0]), np.array([420.0, 210.0])
    t = np.array([[0.0, 0.3], [0.35, 0.55], [0.6, 1.0]])
    pieces = np.hstack([a + t[:, :1] * (b - a), a + t[:, 1:] * (b - a)]) + rng.normal(0, 0.1, (3, 4))
    lines = join_lines(np.vstack([pieces, [[100.0, 300.0, 300.0, 300.0]]]))
    assert len(lines.point) == 2
    u = (b - a) / np.linalg.norm(b - a)
    along = lines.direction[0]
    assert abs(along[0] * u[1] - along[1] * u[0]) < 0.005
    assert len(lines.pieces[0]) == 3


def test_edge_share_counts_edges_of_the_same_direction_only() -> None:
    segments = np.array([[50.0, 50.0, 150.0, 50.0], [100.0, 20.0, 100.0, 80.0]])
    maps = direction_map(segments, 300, 200)
    a = np.array([[50.0, 50.0], [150.0, 50.0], [100.0, 20.0]])
    b = np.array([[150.0, 50.0], [250.0, 50.0], [100.0, 80.0]])
    share, inside = edge_share(maps, a, b, start=0.1, stop=0.9, samples=20)
    assert share.tolist() == [1, 0, 1]
    assert (inside == 1).all()
    assert edge_share(maps, a[:1] - 500, b[:1] - 500, start=0, stop=1, samples=9)[1][0] == 0


def test_edges_of_colour_alone_are_found() -> None:
    picture = np.full((300, 400, 3), 128, np.uint8)
    red = np.array([128.0, 128.0, 168.0])
    red -= (red - 128) @ [0.114, 0.587, 0.299]  # the same luma
    picture[80:220, 100:300] = np.round(red)
    assert np.ptp(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)) <= 1
    maps = direction_map(find_segments(picture), 400, 300)
    a, b = np.array([[100.0, 80.0], [300.0, 80.0]]), np.array([[300.0, 80.0], [300.0, 220.0]])
    assert edge_share(maps, a, b, start=0.1, stop=0.9, samples=20)[0].min() > 0.7


def test_rough_sides_lie_on_the_edges_to_half_a_pixel() -> None:
    true = np.array([[120.3, 90.2], [330.7, 121.4], [309.1, 260.0], [98.9, 228.8]])
    fine = np.zeros((300 * 8, 420 * 8), np.uint8)
    cv2.fillPoly(fine, [np.round(((true + 0.5) * 8 - 0.5) * 16).astype(np.int32).reshape(-1, 1, 2)], 180, cv2.LINE_8, 4)
    grey = cv2.resize(fine, (420, 300), interpolation=cv2.INTER_AREA)
    bgr = cv2.cvtColor(cv2.GaussianBlur(grey, (0, 0), 0.9), cv2.COLOR_GRAY2BGR)
    start = true + np.array([[2.0, -1.5], [-1.0, 2.0], [1.5, 1.0], [-2.0, -2.0]])
    rough = rough_sides(bgr, start[None], 4.0)
    assert rough.share.min() > 0.95
    assert np.abs(corners_of(rough.ends_px)[0] - true).max() < 0.6
    nowhere = rough_sides(bgr, start[None] + 1000, 4.0)
    assert (nowhere.inside == 0).all()
    assert (nowhere.share == 0).all()


# Strips


def strip(
    at_px: float,
    *,
    wall_px: float = 0.0,
    blur: float = 1.0,
    face: float = 0.2,
    wall: float = 0.7,
    ground: float = 0.45,
    tilt_px: float = 0.0,
) -> SideStrip:
    x = np.arange(-6.0, 8.0)
    rows = []
    for t in np.linspace(-1, 1, 8):
        at = at_px + tilt_px * t
        begin, end = (0.5 * (1 + np.vectorize(math.erf)((x - at - d) / blur / np.sqrt(2))) for d in (0.0, wall_px))
        rows.append(np.clip(face * (1 - begin) + wall * (begin - end) + ground * end, 0, 1))
    tint = np.array([0.8, 1.0, 1.1])[None, :, None]
    noise = np.random.default_rng(7).normal(0, 0.004, (8, 3, len(x)))
    return SideStrip(
        light=np.clip(np.array(rows)[:, None] * tint + noise, 0, 1),
        across_px=x,
        middle_px=np.column_stack([20.0 * np.arange(8), np.zeros(8)]),
        normal=np.array([0.0, 1.0]),
        wall_px=wall_px,
        px_per_mm=4.0,
    )


@pytest.mark.parametrize("at_px", [-1.3, 0.0, 0.45, 1.8])
@pytest.mark.parametrize("blur", [0.7, 1.0, 1.6])
def test_plain_edge_is_read_to_a_small_part_of_a_pixel(at_px: float, blur: float) -> None:
    reading = read_strips([strip(at_px, blur=blur)])[0]
    assert reading is not None
    points, u = reading.points_near(float(reading.modes_px()[0][0]))
    assert np.median(points[:, 1]) == pytest.approx(at_px, abs=0.16)
    assert 0.02 < np.median(u) < 0.5
    assert reading.blur_px == pytest.approx(blur, rel=0.5)


def test_tilted_first_look_is_turned_right() -> None:
    reading = read_strips([strip(0.2, tilt_px=2.0)])[0]
    assert reading is not None
    points, _ = reading.points_near(float(reading.modes_px()[0][0]))
    # Its blur was judged from a smeared mean, so where it lies is for the next reading; the tilt is settled.
    rise = np.polyfit(np.linspace(-1, 1, 8), points[:, 1], 1)[0]
    assert rise == pytest.approx(2.0, abs=0.3)


@pytest.mark.parametrize("wall_px", [1.2, 2.0, 3.0])
def test_face_ends_where_the_light_wall_begins_not_at_its_foot(wall_px: float) -> None:
    # The greater step is at the wall's foot.
    reading = read_strips([strip(0.3, wall_px=wall_px, blur=0.8, face=0.5, wall=0.75, ground=0.05)])[0]
    assert reading is not None
    points, _ = reading.points_near(float(reading.modes_px()[0][0]))
    assert np.median(points[:, 1]) == pytest.approx(0.3, abs=0.3)


def test_burnt_out_face_is_not_taken_for_a_larger_one() -> None:
    burnt, plain = strip(0.2, face=1.8, ground=0.1), strip(0.2, face=0.6, ground=0.1)
    readings = [r for r in (read_strips([burnt])[0], read_strips([plain])[0]) if r is not None]
    at = [float(np.average(OFFSETS_PX, weights=np.exp(r.together()))) for r in readings]
    half_level = float(np.interp(-0.55, -burnt.light.mean(axis=0)[1], burnt.across_px))
    assert half_level > 0.7  # where a plain reading would put it
    assert abs(at[0] - 0.2) < half_level - 0.2
    assert abs(at[1] - 0.2) < 0.15


# Corners


@pytest.mark.parametrize("blur", [0.7, 1.5])
@pytest.mark.parametrize("px_per_mm", [2.0, 4.0])
@pytest.mark.parametrize("radius_mm", [0.0, 3.18, 5.5])
def test_corners_tell_a_card_from_a_box(radius_mm: float, px_per_mm: float, blur: float) -> None:
    w, h = CARD.long_mm, CARD.short_mm
    fine = 4 * px_per_mm
    y, x = np.mgrid[0 : round((h + 30) * fine), 0 : round((w + 30) * fine)] / fine
    q = np.abs(np.stack([x - 15 - w / 2, y - 15 - h / 2], axis=-1)) - np.array([w, h]) / 2 + radius_mm
    outside = np.hypot(*np.maximum(q, 0).transpose(2, 0, 1)) + np.minimum(q.max(axis=-1), 0) - radius_mm
    mask = np.where(outside < 0, 255.0, 0.0).astype(np.float32)
    small = cv2.GaussianBlur(cv2.resize(mask, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA), (0, 0), blur)
    noise = np.random.default_rng(2).normal(0, 3, (*small.shape, 3))
    bgr = np.clip(60 + 0.5 * small[..., None] + noise, 0, 255).astype(np.uint8)

    def to_px(mm: np.ndarray) -> np.ndarray:
        return (np.column_stack([mm[:, 0], h - mm[:, 1]]) + 15) * px_per_mm - 0.5

    shapes = corner_shapes(bgr, to_px, CARD, blur)
    each = shapes.points_each(CARD)
    mean, u = shapes.radius_mm()
    assert abs(mean - radius_mm) < max(0.5, 4 * u)
    assert shapes.agrees(CARD) == (radius_mm == 3.18)
    if radius_mm == 3.18:
        assert each.min() > (1.0 if px_per_mm > 3 else 0.2)
    elif radius_mm == 0:
        assert each.max() < -0.5
    else:
        assert each.max() <= 0.0


def test_burnt_out_code_is_what_its_note_says() -> None:
    assert LINEAR_FROM_SRGB[BURNT_OUT_CODE] == pytest.approx(0.91, abs=5e-3)
