"""Rims read under a camera that leans wrongly seem to lean with it: the plane fit must not take that for news."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from drawn_cards import CardScene, corner_errors, draw_card
from drawn_seats import draw_seat
from true_camera import camera_of

from holecount.photo import Photo
from holecount.scale.card import find_cards
from holecount.scale.fit import fit_plane, with_rims
from holecount.scale.plane import Camera
from holecount.scale.rectangle_pose import rectangle_mm
from holecount.scale.reference import Reference
from holecount.settle import NOT_LED, gauge_all, how_led, rim_shapes


def leaning(camera: Camera, about_mm: np.ndarray, by_rad: np.ndarray) -> Camera:
    lean, _ = cv2.Rodrigues(np.array([*by_rad, 0.0]))
    rotation, at = camera.rotation @ lean, np.array([*about_mm, 0.0])
    return replace(
        camera, rotation=rotation, translation_mm=camera.translation_mm + camera.rotation @ at - rotation @ at
    )


def card_seen_by(camera: Camera, at_mm: np.ndarray, u_px: float) -> Reference:
    mm = rectangle_mm(85.6, 53.98)
    px = camera.to_px(mm - mm.mean(axis=0) + at_mm)
    return Reference(
        kind="card", words="card", points_px=px, points_mm=mm, u_px=np.full(4, u_px), height_mm=0.0,
        u_height_mm=0.05, outline_px=px,
    )  # fmt: skip


def z_of(fit, camera, px):
    """Error of the mean step along the row over what is stated."""
    a, b = px, np.roll(px, -1, axis=0)
    true, told = (np.hypot(*(c.to_mm(a) - c.to_mm(b)).T).mean() for c in (camera, fit.camera))
    return abs(np.log(told / true)) / fit.u_mean_gap_rel(a, b)


PLAN = {
    "width_px": 1100, "seat_size": 0.75, "distance_mm": 350.0, "scale_kind": "none", "tilt_deg": 8.0, "blur_px": 1.6,
    "exif_orientation": 1, "bore_mm": 5.0, "pitch_mm": 13.0, "blocked_share": 0.0, "n_objects": 0, "cover_holes": 0,
    "exposure": 1.0, "jpeg_quality": 94, "posts": False,
}  # fmt: skip


def test_rims_do_not_bear_out_a_wrong_lean():
    """A card misread so that the camera seems to lean by 3 degrees, two of its own uncertainties."""
    allowed, not_allowed = [], []
    for seat in (draw_seat(seed, **PLAN) for seed in (91_001, 91_002, 91_003)):
        camera, t = camera_of(seat.truth), seat.truth
        photo = Photo(path=Path("drawn.png"), sha256="", bgr=seat.bgr, focal_35mm=seat.plan.focal_35mm)
        holes = np.array([[h["px"], h["py"]] for h in t["holes"] if h["visible"] > 0.9])
        front = camera.to_mm(np.array([[0.5 * t["width"], 0.88 * t["height"]]]))[0]
        for way in (-1, 1):
            wrong = leaning(camera, front, np.array([0.052 * way, 0.0]))
            card = card_seen_by(wrong, front, 0.5)
            first = fit_plane([card], width_px=t["width"], height_px=t["height"], focal_px=photo.focal_px)
            readings = gauge_all(photo, first.camera, holes, t["nominal_bore_mm"])
            led = how_led(photo, first.camera, readings)
            assert min(led.size, led.shape) > 0.3  # small and blurred: they follow far
            for how, out in ((led, allowed), (NOT_LED, not_allowed)):
                rims = rim_shapes(readings, first.camera, how)
                out.append(z_of(with_rims(first, [card], rims, focal_px=photo.focal_px), camera, holes))
    # The card alone would be off by up to 2.9 of its own.
    assert max(allowed) < 3.2
    assert np.sqrt(np.mean(np.square(allowed))) < 1.5
    # Taken for what they are, the rims would have borne it out.
    assert np.median(not_allowed) > 2.5 * np.median(allowed)
    assert sum(z > 3.5 for z in not_allowed) >= 2


def test_a_side_not_seen_leaves_its_corners_free_along_their_sides():
    """What is known of a card of three sides is where its sides are, across them, and no more."""
    drawn = draw_card(CardScene(at_mm=(35.0, -142.0), turn_deg=5.0, tilt_deg=5.0))
    (found,) = find_cards(drawn.photo())
    assert found.constraints.shape == (6, 8)
    unseen = np.flatnonzero(found.points_px[:, 1] > 749)
    assert len(unseen) == 2
    error = corner_errors(found.points_px, drawn.corners_px)
    ways = [np.roll(drawn.corners_px[::way], k, axis=0) for way in (1, -1) for k in range(4)]
    true = min(ways, key=lambda q: float(np.abs(found.points_px - q).max()))
    assert np.abs(error).max() < 8
    # Where the true card lies is as likely as is said: of six numbers a sum of squares beyond 22 has a chance of 1 in
    # 800.
    off = found.constraints @ (true - found.points_px).ravel()
    assert off @ off < 22
    other = {int(k): int(j) for k, j in zip(unseen, unseen[::-1], strict=True)}
    for k in unseen:
        (seen,) = {(k - 1) % 4, (k + 1) % 4} - {other[int(k)]}
        along = found.points_px[k] - found.points_px[seen]
        along /= np.linalg.norm(along)
        slid = np.zeros((4, 2))
        slid[k] = 5 * along
        assert np.abs(found.constraints @ slid.ravel()).max() < 1e-6
        slid[k] = 5 * np.array([along[1], -along[0]])
        assert np.abs(found.constraints @ slid.ravel()).max() > 2
