"""The joint plane fit on simulated references and rims: errors small, and as large as stated.

Everything is simulated here with the camera model as written in `holecount.scale.plane`; the picture is
not involved. Coverage is held against binomial limits.
"""

from dataclasses import replace

import numpy as np
import pytest

from holecount.scale.first_camera import starting_camera
from holecount.scale.fit import fit_plane, with_rims
from holecount.scale.plane import Camera, mm_per_px
from holecount.scale.plane_model import PlaneSettings, RimShapes
from holecount.scale.reference import Reference
from holecount.troubles import NoScale

W, H = 3264, 2448
FOCAL = 26.0 * float(np.hypot(W, H)) / 43.2666


def camera(rng, tilt_deg):
    way = rng.uniform(0, 2 * np.pi)
    tilt = np.radians(tilt_deg)
    axis = np.array([np.cos(way), np.sin(way), 0.0])
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    lean = np.eye(3) + np.sin(tilt) * k + (1 - np.cos(tilt)) * (k @ k)
    turn = rng.uniform(0, 2 * np.pi)
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    rotation = lean @ np.diag([1.0, -1.0, -1.0]) @ spin
    return Camera(
        focal_px=FOCAL * float(np.exp(rng.normal(0, 0.008))),
        k1=float(rng.normal(0, 0.012)),
        centre_px=np.array([(W - 1) / 2, (H - 1) / 2]) + rng.normal(0, 6, 2),
        half_diagonal_px=float(np.hypot(W, H) / 2),
        rotation=rotation,
        translation_mm=np.array([*rng.normal(0, 20, 2), rng.uniform(430, 560)]),
    )


def card(rng, cam, at=(150.0, 60.0), u_px=0.25):
    angle = rng.uniform(0, 2 * np.pi)
    mm = np.array([[0.0, 0.0], [85.6, 0.0], [85.6, 53.98], [0.0, 53.98]])
    c, s = np.cos(angle), np.sin(angle)
    xy = mm @ np.array([[c, s], [-s, c]]) + np.array(at)
    height = 0.76 + rng.normal(0, 0.05)
    px = cam.to_px(np.column_stack([xy, np.full(4, height)])) + rng.normal(0, u_px, (4, 2))
    return Reference(
        kind="card", words="card", points_px=px, points_mm=mm, u_px=np.full(4, u_px), height_mm=0.76,
        u_height_mm=0.05, outline_px=px, u_size_rel=0.0005,
    )  # fmt: skip


def ruler(rng, cam, at=(-170.0, -150.0), length=280.0, u_px=0.15):
    angle = rng.uniform(-0.3, 1.8)
    s = np.arange(0.0, length, 5.0)
    width = rng.uniform(15, 35)
    along = np.concatenate([s, s])
    mm = np.column_stack([along, np.zeros(len(along))])
    true = mm.copy()
    true[len(s) :, 1] = width
    c, sn = np.cos(angle), np.sin(angle)
    xy = true @ np.array([[c, sn], [-sn, c]]) + np.array(at)
    height = 0.8 + rng.normal(0, 0.2)
    px = cam.to_px(np.column_stack([xy, np.full(len(xy), height)])) + rng.normal(0, u_px, (len(xy), 2))
    return Reference(
        kind="ruler", words="ruler", points_px=px, points_mm=mm, u_px=np.full(len(xy), u_px), height_mm=0.8,
        u_height_mm=0.2, outline_px=px[[0, len(s) - 1, -1, len(s)]], u_size_rel=0.0003,
        row=np.repeat([0, 1], len(s)), row_offset_mm=(25.0,), u_row_offset_mm=(8.0,),
    )  # fmt: skip


def seat_px(cam):
    t = np.linspace(0, 2 * np.pi, 64, endpoint=False)
    return cam.to_px(np.column_stack([165 * np.cos(t), 150 * np.sin(t)]))


def rims(rng, cam, u_bore=0.02, u_shape=0.02):
    px = seat_px(cam)
    n = len(px)
    e = rng.normal(0, u_shape, (n, 2))
    out = np.stack([np.stack([1 + e[:, 0], e[:, 1]], 1), np.stack([e[:, 1], 1 - e[:, 0]], 1)], 1)
    size = 2.5 * (1 + rng.normal(0, u_bore, n))
    size[rng.integers(0, n, 4)] *= 1.1  # worn wide
    shape = np.linalg.inv(mm_per_px(cam, px)) @ out * size[:, None, None]
    return RimShapes(centre_px=px, shape_px=shape, u_size_rel=np.full(n, 0.01), u_shape=np.full(n, 0.01))


def scale_error(fit, cam):
    px = seat_px(cam)
    found, true = (0.5 * np.log(np.abs(np.linalg.det(mm_per_px(c, px)))) for c in (fit.camera, cam))
    return found - true, fit.u_log_scale(px)


def run(rng, kinds, with_holes=True, tilt=None, focal_px=FOCAL):
    cam = camera(rng, rng.uniform(0, 30) if tilt is None else tilt)
    refs = [card(rng, cam) if kind == "card" else ruler(rng, cam) for kind in kinds]
    fit = fit_plane(refs, width_px=W, height_px=H, focal_px=focal_px)
    if with_holes:
        fit = with_rims(fit, refs, rims(rng, cam), focal_px=focal_px)
    error, (u_mean, u_local) = scale_error(fit, cam)
    return fit, float(error.mean()), u_mean, error, u_local


@pytest.mark.parametrize("kinds", [("card",), ("ruler",), ("card", "ruler")])
def test_scale_error_is_small_and_as_stated(kinds):
    rng = np.random.default_rng(5)
    n_runs = 16
    z, worst, local = [], [], []
    for _ in range(n_runs):
        _, error, u, all_errors, u_local = run(rng, kinds)
        z.append(error / u)
        worst.append(np.abs(all_errors).max())
        local.append(np.abs(all_errors / u_local) < 2)
    # 16 runs: with true coverage 95.4 % at two sigma more than three outside has a chance of 1 in 200
    assert (np.abs(z) > 2).sum() <= 3
    assert np.median(np.abs(z)) < 1.3
    assert np.mean(local) > 0.85
    assert np.median(worst) < 0.006


def test_holes_hold_the_far_side_of_a_lone_card():
    """One card alone, without EXIF, leaves the far side open; the common bore fixes it."""
    alone, helped = [], []
    for seed in range(12):
        ask = {"kinds": ("card",), "tilt": 5.0, "focal_px": None}
        alone.append(np.abs(run(np.random.default_rng(seed), with_holes=False, **ask)[3]).max())
        helped.append(np.abs(run(np.random.default_rng(seed), **ask)[3]).max())
    assert np.median(helped) < 0.7 * np.median(alone), (np.median(helped), np.median(alone))


def test_report_says_what_the_holes_contributed():
    fit, *_ = run(np.random.default_rng(3), ("card",), tilt=5.0, focal_px=None)
    assert 0.002 < fit.holes_share < 0.95
    assert sum(fit.share) == pytest.approx(1.0)
    lone, *_ = run(np.random.default_rng(3), ("card",), with_holes=False)
    assert lone.holes_share == 0.0


def test_starting_camera_sees_the_reference_at_its_size():
    rng = np.random.default_rng(2)
    cam = camera(rng, 0.0)
    ref = card(rng, cam, u_px=0.0)
    start = starting_camera(ref, W, H, FOCAL)
    seen = start.to_mm(ref.points_px, ref.height_mm)
    sides = np.hypot(*(np.roll(seen, -1, axis=0) - seen).T)
    np.testing.assert_allclose(sides, [85.6, 53.98, 85.6, 53.98], rtol=0.03)
    # not mirrored: the card's corners run the same way round in millimetres as given
    first, second = seen[1:3] - seen[:2]
    assert first[0] * second[1] - first[1] * second[0] > 0


def test_a_card_too_thick_by_a_wrong_height_shifts_scale_as_geometry_says():
    """Scale is off by h / (H - h), H the height of the camera (derived)."""
    rng = np.random.default_rng(9)
    cam = camera(rng, 2.0)
    flat = card(rng, cam, u_px=0.02)
    fit = fit_plane([flat], width_px=W, height_px=H, focal_px=cam.focal_px, settings=PlaneSettings(u_k1=1e-4))
    high = Reference(**{f: getattr(flat, f) for f in flat.__slots__} | {"height_mm": 4.76, "u_height_mm": 0.01})
    raised = fit_plane([high], width_px=W, height_px=H, focal_px=cam.focal_px, settings=PlaneSettings(u_k1=1e-4))
    at = flat.points_px.mean(axis=0)[None]
    ratio = np.sqrt(np.abs(np.linalg.det(mm_per_px(raised.camera, at)) / np.linalg.det(mm_per_px(fit.camera, at))))
    assert float(ratio[0]) - 1 == pytest.approx(4.0 / fit.camera.position_mm[2], rel=0.1)


def test_no_reference_is_no_scale():
    with pytest.raises(NoScale, match="Nothing of known size"):
        fit_plane([], width_px=W, height_px=H, focal_px=None)


def test_picture_cut_from_one_side_is_not_taken_for_a_whole_one():
    """A fifth cut off one side: axis and focal length are elsewhere, which the fit has to allow for and state."""
    z, whole = [], []
    for seed in range(24):
        rng = np.random.default_rng(900 + seed)
        cam = camera(rng, rng.uniform(5, 25))
        ref, seen = card(rng, cam), rims(rng, cam)
        cut = int(0.2 * W)
        for shift, width, into in ((0, W, whole), (cut, W - cut, z)):
            moved = replace(ref, points_px=ref.points_px - [shift, 0], outline_px=ref.outline_px - [shift, 0])
            moved_rims = replace(seen, centre_px=seen.centre_px - [shift, 0])
            focal = FOCAL * float(np.hypot(width, H) / np.hypot(W, H))  # as EXIF's 35-mm length makes it
            fit = fit_plane([moved], width_px=width, height_px=H, focal_px=focal)
            fit = with_rims(fit, [moved], moved_rims, focal_px=focal)
            px = seat_px(cam)
            found = 0.5 * np.log(np.abs(np.linalg.det(mm_per_px(fit.camera, px - [shift, 0]))))
            true = 0.5 * np.log(np.abs(np.linalg.det(mm_per_px(cam, px))))
            into.append(float((found - true).mean()) / fit.u_log_scale(px - [shift, 0])[0])
    # 24 cases, 95 % within 2 u: more than 4 outside would be one in fifty.
    assert np.sum(np.abs(z) > 2) <= 4
    assert np.sum(np.abs(whole) > 2) <= 4
