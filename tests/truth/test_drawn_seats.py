"""The drawn pictures themselves: is their truth true? Checked against formulas and the project's own camera."""

import json
from pathlib import Path

import numpy as np
import pytest
from drawn_bores import into_holes
from drawn_caster import Caster
from drawn_geometry import Lens, upright_box
from drawn_plan import plan_of
from drawn_scene import build
from drawn_seats import DrawnSeat, develop, draw_seat, truth_of
from PIL import Image, ImageOps
from true_camera import camera_of

SHARED = Path(__file__).parents[3] / "shared" / "photos"
SEEDS = [11, 12, 13, 14]


def small(seed: int, **overrides: object) -> DrawnSeat:
    return draw_seat(seed, **{"width_px": 400, **overrides})


def area(px: np.ndarray) -> float:
    x, y = px.T
    return abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))) / 2


def test_same_seed_same_picture_and_other_seed_another() -> None:
    first, again, other = small(3), small(3), small(4)
    assert np.array_equal(first.bgr, again.bgr)
    assert first.truth == again.truth
    assert first.truth["holes"] != other.truth["holes"]


def test_an_override_leaves_the_rest_of_the_scene_alone() -> None:
    plain, blurred = small(5), small(5, blur_px=2.0, noise=0.03, exposure=0.5)
    assert plain.truth["holes"] == blurred.truth["holes"]
    assert plain.truth["scales"] == blurred.truth["scales"]
    assert not np.array_equal(plain.bgr, blurred.bgr)
    with pytest.raises(TypeError, match="tilt"):
        draw_seat(5, tilt=3)


@pytest.mark.parametrize("seed", SEEDS)
def test_truth_agrees_with_the_projects_camera(seed: int) -> None:
    truth = truth_of(build(plan_of(seed), seed))
    camera = camera_of(truth)
    holes = truth["holes"]
    mm = np.array([[h["x_mm"], h["y_mm"]] for h in holes])
    px = np.array([[h["px"], h["py"]] for h in holes])
    assert np.abs(camera.to_px(mm) - px).max() < 1e-6
    assert np.abs(camera.to_mm(px) - mm).max() < 1e-3
    assert camera.tilt_deg == pytest.approx(truth["tilt_deg"], abs=1e-6)
    for scale in truth["scales"]:
        assert np.abs(camera.to_px(np.array(scale["corners_mm"])) - scale["corners_px"]).max() < 1e-6
    turn = np.linspace(0, 2 * np.pi, 721)[:-1]
    for h in holes[::7]:
        rim = np.array([h["x_mm"], h["y_mm"]]) + h["bore_mm"] / 2 * np.c_[np.cos(turn), np.sin(turn)]
        assert h["r_px"] == pytest.approx(np.sqrt(area(camera.to_px(rim)) / np.pi), rel=1e-3)


@pytest.mark.parametrize("k1", [-0.035, 0.0, 0.04])
def test_rays_undo_the_projection_to_a_hundredth_of_a_pixel(k1: float) -> None:
    lens = Lens.above(
        width_px=4032,
        height_px=3024,
        f_px=3000,
        k1=k1,
        target_mm=(5, -8),
        distance_mm=500,
        tilt_deg=33,
        towards_deg=70,
        roll_deg=12,
    )
    assert np.allclose(lens.axes @ lens.axes.T, np.eye(3))
    assert np.linalg.det(lens.axes) == pytest.approx(1)
    x, y = (
        v.ravel()
        for v in np.meshgrid(np.linspace(0, 4031, 40, dtype=np.float32), np.linspace(0, 3023, 30, dtype=np.float32))
    )
    mx, my = lens.runs(x, y)
    for z in (0.0, -400.0):
        fall = lens.origin_mm[2] - z
        back = lens.project(np.c_[lens.origin_mm[0] + mx * fall, lens.origin_mm[1] + my * fall, np.full(len(x), z)])
        assert np.hypot(*(back - np.c_[x, y]).T).max() < 0.01


def test_drawn_holes_lie_where_the_truth_says() -> None:
    """Area and centre of what the caster calls a hole, against the projected circle."""
    plan_seed, fine = 21, 8
    overrides = {
        "width_px": 800,
        "chamfer_mm": 1e-4,
        "tilt_deg": 28.0,
        "k1": 0.03,
        "posts": False,
        "scale_kind": "none",
        "n_marks": 0,
    }
    scene = build(plan_of(plan_seed, **overrides), plan_seed)
    caster, truth = Caster(scene, plan_seed), truth_of(scene)
    step = (np.arange(fine) + 0.5) / fine - 0.5
    for i in range(0, len(truth["holes"]), 9):
        h = truth["holes"][i]
        reach = int(h["r_px"] * 1.5) + 3
        at = np.arange(-reach, reach + 1)
        across = (at[:, None] + step).ravel()
        gx, gy = np.meshgrid(round(h["px"]) + across, round(h["py"]) + across)
        x, y = gx.ravel().astype(np.float32), gy.ravel().astype(np.float32)
        _, kind = caster.shade(x, y, np.full(len(x), i))
        inside = kind == 4
        rim = scene.lens.project(_rim(truth, i))
        true_area = area(rim)
        weight = np.roll(rim, -1, axis=0)
        cross = rim[:, 0] * weight[:, 1] - weight[:, 0] * rim[:, 1]
        centroid = ((rim + weight) * cross[:, None]).sum(axis=0) / (3 * cross.sum())
        assert inside.sum() / fine**2 == pytest.approx(true_area, rel=0.01)
        assert np.hypot(x[inside].mean() - centroid[0], y[inside].mean() - centroid[1]) < 0.05


def _rim(truth: dict, i: int) -> np.ndarray:
    h = truth["holes"][i]
    turn = np.arange(720) * np.pi / 360
    return np.c_[
        h["x_mm"] + h["bore_mm"] / 2 * np.cos(turn), h["y_mm"] + h["bore_mm"] / 2 * np.sin(turn), np.zeros(720)
    ]


def _into(seed: int, i: int, run: tuple[float, float], **overrides: object):
    """Parallel rays into one hole; the struck record, where rays met the plane (from the axis), the scene."""
    plan = plan_of(seed, blocked_share=0.0, **overrides)
    scene = build(plan, seed)
    holes = scene.holes
    r = holes.bore_mm[i] / 2 + holes.chamfer_mm[i]
    dx, dy = (v.ravel() for v in np.meshgrid(np.linspace(-r, r, 301), np.linspace(-r, r, 301)))
    inside = np.hypot(dx, dy) < r
    dx, dy = dx[inside], dy[inside]
    mx, my = np.full(len(dx), run[0], np.float32), np.full(len(dx), run[1], np.float32)
    x, y = (holes.x_mm[i] + dx).astype(np.float32), (holes.y_mm[i] + dy).astype(np.float32)
    struck = into_holes(scene, holes, np.full(len(dx), i), x, y, mx, my, np.full((len(dx), 3), 0.5, np.float32))
    return struck, dx, dy, scene


def test_what_is_seen_through_a_bore_is_the_lens_of_two_circles() -> None:
    for run in ((0.0, 0.0), (0.07, 0.0), (0.05, -0.06), (0.3, 0.2)):
        struck, dx, dy, scene = _into(31, 4, run, chamfer_mm=1e-4, lean_deg=0.0)
        r = float(scene.holes.bore_mm[4] / 2)
        apart = float(np.hypot(*run)) * scene.plan.thickness_mm
        lens = 0.0
        if apart < 2 * r:
            lens = 2 * r * r * np.arccos(apart / 2 / r) - apart / 2 * np.sqrt(4 * r * r - apart * apart)
        assert struck.through.mean() == pytest.approx(lens / (np.pi * r * r), abs=0.01)
        wall = ~struck.through & ~struck.on_rim
        met = np.hypot(dx[wall] + run[0] * struck.depth_mm[wall], dy[wall] + run[1] * struck.depth_mm[wall])
        assert np.abs(met - r).max(initial=0) < 0.01
        if run[0] and struck.through.any():  # against the run of the rays: the far wall is where they run to
            assert dx[struck.through].mean() * run[0] < 0


def test_a_leaning_bore_seen_along_its_axis_is_open() -> None:
    plan = plan_of(32, lean_deg=3.5)
    lean = build(plan, 32).holes.lean[6]
    struck, dx, dy, scene = _into(32, 6, (float(lean[0]), float(lean[1])), lean_deg=3.5)
    r = scene.holes.bore_mm[6] / 2
    assert np.hypot(*lean) > 0.002
    assert struck.through[np.hypot(dx, dy) < 0.99 * r].all()
    assert not struck.through[np.hypot(dx, dy) > 1.01 * r].any()


def test_the_rim_is_a_quarter_round() -> None:
    struck, dx, dy, scene = _into(33, 2, (0.2, 0.1), chamfer_mm=1.0, lean_deg=0.0)
    r, c = scene.holes.bore_mm[2] / 2, scene.holes.chamfer_mm[2]
    on = struck.on_rim
    assert 0.1 < on.mean() < 0.9
    depth = struck.depth_mm[on]
    far = np.hypot(dx[on] + 0.2 * depth, dy[on] + 0.1 * depth)
    assert np.abs(np.hypot(far - (r + c), depth - c) - c).max() < 0.01
    assert np.abs(np.hypot(*np.c_[np.hypot(*struck.normal[on, :2].T), struck.normal[on, 2]].T) - 1).max() < 0.02
    assert np.abs(struck.normal[on, 2] - (c - depth) / c).max() < 0.03


def test_a_box_is_entered_where_geometry_says() -> None:
    box = upright_box(10, 20, 40, 30, 0, -400, -350, np.ones(3))
    origin = np.array([0.0, 0.0, 500.0])
    targets = np.array([[10, 20, -350], [29, 34, -350], [31, 20, -350]], float)  # two on its lid, one beside it
    run = (targets[:, :2] / 850).astype(np.float32)
    t, face = box.enter(run[:, 0], run[:, 1], origin)
    assert t[:2] == pytest.approx([850, 850], abs=1e-2)
    assert (face[:2] == 1).all()
    assert np.isinf(t[2])


def test_share_in_sight_counts_what_card_and_posts_hide() -> None:
    hidden = part = 0
    for seed in range(40, 52):
        plan = plan_of(seed, width_px=640, scale_kind="card", cover_holes=9, posts=True)
        scene = build(plan, seed)
        truth = truth_of(scene)
        shares = np.array([h["visible"] for h in truth["holes"]])
        assert ((shares >= 0) & (shares <= 1)).all()
        assert truth["count_visible"] == (shares >= 0.7).sum()
        assert truth["count"] == len(shares)
        hidden += (shares == 0).sum()
        part += ((shares > 0) & (shares < 1)).sum()
    assert hidden > 5
    assert part > 5


def test_share_in_sight_is_what_the_rays_see() -> None:
    """Rays cast at the rims of part-hidden holes, beside a thick rule and posts, against ``visible``."""
    checked = 0
    for seed in range(40, 60):
        plan = plan_of(seed, width_px=480, scale_kind="card+ruler", cover_holes=9, posts=True, tilt_deg=25.0)
        scene = build(plan, seed)
        truth = truth_of(scene)
        some = [i for i, h in enumerate(truth["holes"]) if 0 < h["visible"] < 1]
        if not some:
            continue
        caster = Caster(scene, seed)
        for i in some:
            rim = scene.lens.project(_rim(truth, i))
            rim = rim[((rim > -0.4) & (rim < [479.4, 359.4])).all(axis=1)].astype(np.float32)
            _, kind = caster.shade(rim[:, 0], rim[:, 1], np.full(len(rim), i))
            assert (kind < 10).sum() / 720 == pytest.approx(truth["holes"][i]["visible"], abs=0.03)
            checked += 1
        if checked > 5:
            break
    assert checked > 5


def test_hole_line_is_closed_with_even_gaps_and_corners_begin_rails() -> None:
    for seed in range(60, 70):
        scene = build(plan_of(seed), seed)
        at = np.c_[scene.holes.x_mm, scene.holes.y_mm]
        gaps = np.hypot(*(np.roll(at, -1, axis=0) - at).T)
        assert gaps.mean() == pytest.approx(scene.plan.pitch_mm, rel=0.04)
        assert gaps.min() > 0.5 * scene.plan.pitch_mm
        assert gaps.max() < 1.5 * scene.plan.pitch_mm
        starts = [i for i, c in enumerate(scene.corner) if c]
        assert [scene.rail[i] for i in starts] == (
            [] if scene.plan.seat in ("round", "oval") else ["front", "right", "back", "left"]
        )
        x, y = at.T.astype(np.float32)
        clear = scene.holes.bore_mm / 2
        assert (scene.outline.distance_mm(x, y) < -clear).all()
        assert (scene.opening.distance_mm(x, y) > clear).all()


def test_blur_and_noise_are_what_the_plan_says() -> None:
    plan = plan_of(1, blur_px=1.5, noise=0.0)
    step = np.zeros((60, 200, 3), np.float32)
    step[:, 100:] = 0.8
    coded = develop(step, plan, 1)[30, :, 1] / 255
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    slope = np.gradient(linear)
    at = np.arange(200)
    sigma = np.sqrt((slope * (at - 99.5) ** 2).sum() / slope.sum())
    assert (slope * at).sum() / slope.sum() == pytest.approx(99.5, abs=0.02)
    assert sigma == pytest.approx(np.sqrt(1.5**2 + 1 / 2), rel=0.05)  # np.gradient adds half a pixel squared
    plan = plan_of(1, blur_px=0.0, noise=0.01)
    grey = develop(np.full((200, 200, 3), 0.25, np.float32), plan, 1)[..., 0] / 255
    assert np.std(((grey + 0.055) / 1.055) ** 2.4) == pytest.approx(0.01 * 0.75, rel=0.05)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_written_picture_reads_back_upright_with_its_focal_length(tmp_path: Path, orientation: int) -> None:
    drawn = small(7, exif_orientation=orientation, exif_focal=True, focal_35mm=26.0, jpeg_quality=94, noise=0.0)
    path = drawn.write(tmp_path, "a")
    with Image.open(path) as stored:
        upright = ImageOps.exif_transpose(stored)
        assert stored.getexif().get_ifd(0x8769)[0xA405] == 26
        back = np.asarray(upright)[..., ::-1]
    assert back.shape == drawn.bgr.shape
    assert np.abs(back.astype(int) - drawn.bgr).mean() < 6
    truth = json.loads((tmp_path / "a.json").read_text())
    assert truth["id"] == "a"
    assert truth["width"] == back.shape[1]


@pytest.mark.skipif(not SHARED.is_dir(), reason="the shared photographs are not here")
def test_truth_has_the_form_of_the_shared_photographs() -> None:
    def keys(truth: dict) -> dict[str, set[str]]:
        return {"": set(truth) - {"id"}} | {k: set(truth[k][0]) for k in ("holes", "marks", "scales") if truth[k]}

    shared: dict[str, set[str]] = {}
    for path in sorted(SHARED.glob("*.json")):
        for scale, found in keys(json.loads(path.read_text())).items():
            shared[scale] = shared.get(scale, found) if scale == "scales" else found
    for seed in SEEDS:
        drawn = truth_of(build(plan_of(seed), seed))
        for part in ("", "holes", "marks"):
            if part in keys(drawn):
                assert keys(drawn)[part] == shared[part]
        for scale in drawn["scales"]:
            wanted = {"kind", "corners_mm", "corners_px"} | (
                {"system", "length_mm", "width_mm", "thickness_mm", "zero_mm"} if scale["kind"] == "ruler" else set()
            )
            assert set(scale) == wanted
            # as on the sample set: a card's face lies 0.78 mm, a ruler's its thickness and 0.05 mm above the holes
            height = 0.78 if scale["kind"] == "card" else scale["thickness_mm"] + 0.05
            assert [c[2] for c in scale["corners_mm"]] == pytest.approx([height] * 4)
            sides = np.hypot(*np.diff(np.array(scale["corners_mm"])[:3, :2], axis=0).T)
            body = (85.60, 53.98) if scale["kind"] == "card" else (scale["length_mm"] + 8, scale["width_mm"])
            assert sides == pytest.approx(body)


def test_card_in_the_picture_fills_its_corners() -> None:
    """The card's drawn area against its projected corners less the four roundings (ISO/IEC 7810: 3.18 mm)."""
    scene = build(plan_of(81, width_px=800, scale_kind="card", posts=False), 81)
    caster = Caster(scene, 81)
    x, y = (
        v.ravel().astype(np.float32) for v in np.meshgrid(np.arange(0, 800, 0.5) - 0.25, np.arange(0, 600, 0.5) - 0.25)
    )
    _, kind = caster.shade(x, y, np.full(len(x), -1))
    corners = scene.lens.project(scene.overlays[0].corners_mm())
    whole = area(corners)
    assert (kind == 40).sum() / 4 == pytest.approx(whole * (1 - (4 - np.pi) * 3.18**2 / (85.60 * 53.98)), rel=0.01)
    middle = np.c_[x, y][kind == 40].mean(axis=0)
    assert np.hypot(*(middle - _centroid(corners))) < 0.3


def _centroid(p: np.ndarray) -> np.ndarray:
    q = np.roll(p, -1, axis=0)
    cross = p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]
    return ((p + q) * cross[:, None]).sum(axis=0) / (3 * cross.sum())
