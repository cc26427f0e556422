"""Circles, windows of linear light, and the gauge's own arithmetic."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from scipy.optimize import least_squares

from holecount.edges import local_map, read_linear
from holecount.holes.circles import fit_circles
from holecount.holes.gauge import RimReading, gauge_holes, regauge
from holecount.photo import LINEAR_FROM_SRGB, Photo
from holecount.scale.plane import Camera


def camera(tilt_deg: float = 25.0, k1: float = 0.02, distance_mm: float = 450.0) -> Camera:
    t = np.radians(tilt_deg)
    flip = np.diag([1.0, -1.0, -1.0])
    turn = np.array([[1, 0, 0], [0, np.cos(t), -np.sin(t)], [0, np.sin(t), np.cos(t)]])
    return Camera(
        focal_px=1500.0,
        k1=k1,
        centre_px=np.array([799.5, 599.5]),
        half_diagonal_px=1000.0,
        rotation=turn @ flip,
        translation_mm=np.array([0.0, 0.0, distance_mm]),
    )


def photo(bgr: np.ndarray) -> Photo:
    return Photo(path=Path("x.jpg"), sha256="", bgr=bgr)


def test_circle_fit_recovers_arcs_and_ignores_outliers() -> None:
    rng = np.random.default_rng(3)
    n = 40
    centre, radius = rng.uniform(-50, 50, (n, 2)), rng.uniform(2, 4, n)
    a = np.linspace(0, np.pi, 24)
    r = radius[:, None] + rng.normal(0, 0.02, (n, 24))
    r[:, 3] += 0.8
    p = centre[:, None] + r[..., None] * np.stack([np.cos(a), np.sin(a)], axis=1)
    fit = fit_circles(p, np.ones((n, 24)))
    assert np.abs(fit.radius - radius).max() < 0.08
    assert np.abs(fit.centre - centre).max() < 0.08


def test_circle_fit_is_the_geometric_one_of_scipy() -> None:
    rng = np.random.default_rng(4)
    a = np.linspace(0, np.pi / 2, 60)
    p = 20 * np.stack([np.cos(a), np.sin(a)], axis=1) + rng.normal(0, 0.5, (60, 2))
    w = rng.uniform(0.5, 2, 60)
    fit = fit_circles(p[None], w[None], huber=1e9, rounds=30)

    def away(q: np.ndarray) -> np.ndarray:
        return np.sqrt(w) * (np.hypot(p[:, 0] - q[0], p[:, 1] - q[1]) - q[2])

    other = least_squares(away, [1.0, 1.0, 18.0], xtol=1e-14, ftol=1e-14)
    assert np.allclose([*fit.centre[0], fit.radius[0]], other.x, atol=1e-4)
    # Covariance for unit weights meaning unit variance.
    assert np.allclose(fit.covariance[0], np.linalg.inv(other.jac.T @ other.jac), rtol=1e-3)


def test_circle_fit_without_points_does_not_fall_over() -> None:
    p = np.full((2, 8, 2), np.nan)
    fit = fit_circles(p, np.zeros((2, 8)))
    assert np.isfinite(fit.radius).all()
    assert np.isnan(fit.residual).all()


@pytest.mark.parametrize("tilt_deg", [0.0, 20.0, 40.0])
def test_local_map_follows_the_camera_to_a_hundredth_of_a_pixel(tilt_deg: float) -> None:
    cam = camera(tilt_deg, k1=0.035)
    at = np.array([[0.0, 0.0], [120.0, 90.0], [-150.0, -100.0]])
    turn = np.array([0.3, -2.0, 1.1])
    places = local_map(cam, at, turn, 4.0)
    rng = np.random.default_rng(0)
    local = rng.uniform(-5, 5, (3, 200, 2)).astype(np.float32)
    got = np.moveaxis(places.to_px(local), 0, -1) + places.origin_px[:, None]
    c, s = np.cos(turn)[:, None], np.sin(turn)[:, None]
    x, y = local[..., 0].astype(float), local[..., 1].astype(float)
    plane = at[:, None] + np.stack([c * x - s * y, s * x + c * y], axis=-1)
    want = cam.to_px(plane.reshape(-1, 2)).reshape(plane.shape)
    assert np.abs(got - want).max() < 0.01
    side = cam.to_px(at + np.array([0.01, 0.0])) - cam.to_px(at)
    up = cam.to_px(at + np.array([0.0, 0.01])) - cam.to_px(at)
    area = np.abs(side[:, 0] * up[:, 1] - side[:, 1] * up[:, 0]) / 1e-4
    assert np.allclose(places.px_per_mm, np.sqrt(area), rtol=1e-3)


def test_light_is_read_as_scipy_reads_it_and_outside_is_told() -> None:
    rng = np.random.default_rng(1)
    bgr = rng.integers(0, 256, (1200, 1600, 3), dtype=np.uint8)
    cam = camera(15.0)
    at = cam.to_mm(np.array([[800.0, 600.0], [3.0, 590.0]]))
    places = local_map(cam, at, np.zeros(2), 4.0)
    local = rng.uniform(-4, 4, (2, 12, 10, 2)).astype(np.float32)
    light, inside = read_linear(photo(bgr), places, local, np.array([1, 1]))
    px = np.moveaxis(places.to_px(local.reshape(2, -1, 2)), 0, -1) + places.origin_px[:, None]
    for i in range(2):
        within = (px[i] >= 0).all(axis=1)
        assert (inside[i].ravel() == within).all()
        for c in range(3):
            plane = LINEAR_FROM_SRGB[bgr[..., 2 - c]]
            want = map_coordinates(plane, [px[i][:, 1], px[i][:, 0]], order=1, mode="nearest")
            # OpenCV places samples to 1/32 px.
            assert np.abs(light[i, ..., c].ravel() - want)[within].max() < 0.06
    assert inside[0].all()
    assert not inside[1].all()


def test_blocks_keep_place_and_level() -> None:
    x = np.tile(np.linspace(40, 200, 1600), (1200, 1))
    bgr = np.repeat(np.round(x)[..., None], 3, axis=2).astype(np.uint8)
    cam = camera(0.0, k1=0.0)
    places = local_map(cam, np.array([[0.0, 0.0]]), np.zeros(1), 4.0)
    local = np.stack(np.meshgrid(np.linspace(-5, 5, 24), np.linspace(-5, 5, 24)), axis=-1)[None].astype(np.float32)
    one, _ = read_linear(photo(bgr), places, local, np.array([1]))
    three, _ = read_linear(photo(bgr), places, local, np.array([3]))
    assert np.abs(one - three).max() < 0.006
    assert abs(float((one - three).mean())) < 0.0005


def made_reading(cam: Camera, centre: tuple[float, float], diameter_mm: float, hidden: int = 0) -> RimReading:
    a = np.arange(32) * 2 * np.pi / 32
    rim_mm = np.array(centre) + diameter_mm / 2 * np.stack([np.cos(a), np.sin(a)], axis=1)
    rim_px = cam.to_px(rim_mm)
    weight = np.full(32, 100.0)
    rim_px[:hidden], weight[:hidden] = np.nan, 0.0
    px = cam.to_px(np.array([centre]))[0]
    return RimReading(
        x_px=float(px[0]),
        y_px=float(px[1]),
        x_mm=centre[0],
        y_mm=centre[1],
        rim_px=rim_px,
        rim_weight=weight,
        diameter_mm=diameter_mm,
        u_own_diameter_mm=0.05,
        u_shared_diameter_mm=0.04,
        u_own_centre_mm=0.02,
        rounding_mm=0.3,
        arc_seen_frac=1 - hidden / 32,
        out_of_round_mm=0.0,
        blur_px=0.8,
        saturated_frac=0.0,
        blocked_score=0.0,
        hole_score=1.0,
    )


def test_regauging_by_the_same_camera_changes_nothing() -> None:
    cam = camera()
    old = [made_reading(cam, (20.0 * k, 15.0), 4.5 + 0.1 * k, hidden=3 * k) for k in range(6)]
    for a, b in zip(old, regauge(old, cam), strict=True):
        assert b.diameter_mm == pytest.approx(a.diameter_mm, abs=1e-6)
        assert (b.x_mm, b.y_mm) == pytest.approx((a.x_mm, a.y_mm), abs=1e-6)
        assert (b.x_px, b.y_px) == pytest.approx((a.x_px, a.y_px), abs=1e-6)


def test_regauging_by_a_camera_further_off_scales_every_length() -> None:
    near = camera()
    far = replace(near, translation_mm=near.translation_mm * 1.01)
    old = [made_reading(near, (20.0, 15.0), 4.5), made_reading(near, (20.0, 15.0), 4.5, hidden=30)]
    new = regauge(old, far)
    assert new[0].diameter_mm == pytest.approx(4.5 * 1.01, rel=1e-6)
    assert new[0].u_shared_diameter_mm == pytest.approx(0.04 * 1.01, rel=1e-6)
    assert new[0].rounding_mm == pytest.approx(0.3 * 1.01, rel=1e-6)
    # Too little rim for a circle: the diameter stays, the place is mapped.
    assert new[1].diameter_mm == 4.5
    assert new[1].x_mm == pytest.approx(20.2, rel=1e-6)


def test_nothing_to_gauge_is_nothing() -> None:
    cam = camera()
    assert gauge_holes(photo(np.full((1200, 1600, 3), 90, np.uint8)), cam, np.zeros((0, 2)), 5.0) == []
    assert regauge([], cam) == []


@pytest.mark.parametrize("level", [0, 90, 255])
def test_a_place_without_a_hole_is_no_hole_and_never_nan(level: int) -> None:
    cam = camera()
    centres = np.array([[800.0, 600.0], [0.0, 0.0], [1599.0, 30.0], [400.0, 1190.0]])
    got = gauge_holes(photo(np.full((1200, 1600, 3), level, np.uint8)), cam, centres, 5.0)
    assert len(got) == 4
    for r in got:
        # Black shows nothing either way; on plain wood a hole would be seen.
        assert r.hole_score < (0.3 if level else 1.1)
        for name in ("diameter_mm", "u_own_diameter_mm", "u_shared_diameter_mm", "x_mm", "y_mm", "blur_px"):
            assert np.isfinite(getattr(r, name))


def test_readings_do_not_depend_on_the_order_of_the_holes() -> None:
    rng = np.random.default_rng(2)
    bgr = np.full((1200, 1600, 3), 150, np.uint8)
    cam = camera(10.0, k1=0.0)
    at = np.array([[-60.0, 0.0], [0.0, 10.0], [70.0, -30.0]])
    px = cam.to_px(at)
    yy, xx = np.mgrid[0:1200, 0:1600]
    for p in px:
        bgr[np.hypot(xx - p[0], yy - p[1]) < 9] = 20
    start = px + rng.uniform(-2, 2, px.shape)
    one = gauge_holes(photo(bgr), cam, start, 5.4)
    back = gauge_holes(photo(bgr), cam, start[::-1], 5.4)[::-1]
    for a, b in zip(one, back, strict=True):
        assert a.diameter_mm == pytest.approx(b.diameter_mm, abs=1e-3)
        assert a.x_px == pytest.approx(b.x_px, abs=1e-3)
