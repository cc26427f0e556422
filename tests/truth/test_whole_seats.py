"""The whole way from a drawn photograph to the figures: right, or honest about not knowing."""

import numpy as np
import pytest
from drawn_seats import draw_seat

from holecount.measure import MeasureRequest, measure_photo
from holecount.photo import read_photo
from holecount.troubles import NoScale, UnfitPhoto

SEEDS = (301, 302, 303, 304, 305, 306)


def outcome(tmp_path, seed):
    drawn = draw_seat(seed, width_px=1800, height_px=1350, scale_kind="card", paint_in_bore=1.0, exif_focal=True)
    photo = read_photo(drawn.write(tmp_path, f"d{seed}"))
    truth = drawn.truth
    try:
        m = measure_photo(photo, MeasureRequest())
    except UnfitPhoto:
        return "refused", None
    px = np.array([[h["px"], h["py"]] for h in truth["holes"]])
    radius = np.array([h["r_px"] for h in truth["holes"]])
    visible = np.array([h["visible"] for h in truth["holes"]])
    found = np.array([[h.x_px, h.y_px] for h in m.holes if h.status != "hidden"])
    near = np.hypot(*(px[:, None] - found[None]).transpose(2, 0, 1)) < radius[:, None]
    count_right = bool(near.any(axis=0).all() and (near.any(axis=1) | (visible < 0.7)).all())
    xy = np.array([[h["x_mm"], h["y_mm"]] for h in truth["holes"]])
    pitch = float(np.hypot(*(np.roll(xy, -1, axis=0) - xy).T).mean())
    bore = float(np.median([h["bore_mm"] for h in truth["holes"]]))
    right = (
        count_right
        and m.seat.pitch is not None
        and abs(m.seat.pitch.mean_mm / pitch - 1) < 0.02
        and m.seat.diameter is not None
        and abs(m.seat.diameter.mean_mm - bore) < 0.3
    )
    return ("right" if right else "wrong"), m.verdict


def test_drawn_seats_are_right_or_say_check(tmp_path):
    results = [outcome(tmp_path, seed) for seed in SEEDS]
    assert not [r for r in results if r == ("wrong", "good")], results
    assert sum(r[0] == "right" for r in results) >= 4, results


def test_a_seat_without_a_scale_is_refused_and_measured_in_pixels_when_asked(tmp_path):
    drawn = draw_seat(311, width_px=1400, height_px=1050, scale_kind="none", seat="round", tilt_deg=3.0)
    photo = read_photo(drawn.write(tmp_path, "bare"))
    with pytest.raises(NoScale, match="Nothing of known size"):
        measure_photo(photo, MeasureRequest())
    m = measure_photo(photo, MeasureRequest(in_pixels=True))
    assert m.scale is None
    assert m.verdict == "check"
    assert abs(m.seat.n_holes - drawn.truth["count_visible"]) <= 2
    px = np.array([[h["px"], h["py"]] for h in drawn.truth["holes"]])
    pitch_px = float(np.hypot(*(np.roll(px, -1, axis=0) - px).T).mean())
    assert m.seat.pitch is not None
    assert m.seat.pitch.mean_mm == pytest.approx(pitch_px, rel=0.03)
