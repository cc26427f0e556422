"""Grain: noise over the contrast of a hole."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from holecount.holes.grain import GREY_STEP, grain_share
from holecount.photo import Photo


def picture(noise: float, contrast: float = 100.0, blur_px: float = 1.0) -> tuple[Photo, np.ndarray]:
    grey = np.full((400, 900), 150.0)
    centres = np.array([[x, 200.0] for x in range(60, 860, 50)])
    for x, y in centres:
        cv2.circle(grey, (int(x), int(y)), 12, 150.0 - contrast, -1, cv2.LINE_AA)
    grey = cv2.GaussianBlur(grey, (0, 0), blur_px) + np.random.default_rng(1).normal(0, noise, grey.shape)
    bgr = cv2.cvtColor(np.clip(np.round(grey), 0, 255).astype(np.uint8), cv2.COLOR_GRAY2BGR)
    return Photo(path=Path("drawn"), sha256="", bgr=bgr), centres


@pytest.mark.parametrize("noise", [4.0, 10.0, 20.0])
def test_grain_is_noise_over_contrast(noise: float) -> None:
    photo, centres = picture(noise)
    got = grain_share(photo, centres, np.full(len(centres), 12.0))
    # The noise itself widens the contrast that is seen.
    assert got == pytest.approx(noise / 100, rel=0.3)


def test_edges_and_blur_are_no_grain() -> None:
    for blur in (0.8, 3.0):
        photo, centres = picture(0.0, blur_px=blur)
        # Nothing but the steps of grey themselves; blur takes a little off the contrast.
        got = grain_share(photo, centres, np.full(len(centres), 12.0))
        assert got == pytest.approx(GREY_STEP / 100, rel=0.15)


def test_few_grey_levels_are_grain() -> None:
    photo, centres = picture(0.0, contrast=8.0)
    assert grain_share(photo, centres, np.full(len(centres), 12.0)) == pytest.approx(GREY_STEP / 8, rel=0.3)


def test_windows_beyond_the_picture_are_left_out() -> None:
    photo, _ = picture(5.0)
    assert grain_share(photo, np.array([[2.0, 2.0]]), np.array([12.0])) == 0.0
