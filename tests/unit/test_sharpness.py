"""Sharpness against blurs put in."""

import json
from pathlib import Path

import numpy as np
import pytest
from drawn_discs import discs

from holecount.photo import Photo, read_photo
from holecount.sharpness import sharpness_of

SAMPLES = Path(__file__).parents[2] / "samples"


@pytest.mark.parametrize("blur_px", [1.0, 1.5, 2.0, 3.0])
def test_sharpness_is_the_blur_put_in(blur_px: float) -> None:
    found = sharpness_of(discs(blur_px)).blur_px
    assert found == pytest.approx(blur_px, rel=0.2)


def test_sharpness_rises_with_blur_and_a_sharp_picture_is_sharp() -> None:
    found = [sharpness_of(discs(b)).blur_px for b in (0.0, 0.5, 1.0, 2.0, 3.0, 4.0, 5.0)]
    assert all(f is not None for f in found)
    assert found == sorted(found)  # type: ignore[type-var]
    assert found[0] < 0.6  # type: ignore[operator]
    assert found[-1] > 3.0  # type: ignore[operator]


def test_shaking_shows_in_one_direction() -> None:
    found = sharpness_of(discs(0.5, shake_px=3.0))
    assert found.best_px is not None
    assert found.worst_px is not None
    assert found.worst_px > 2.2
    assert found.worst_px > 2 * found.best_px


def test_samples_agree_with_the_blur_they_were_made_with() -> None:
    # The truth knows the lens's blur; noise, sharpening and JPEG come on top.
    for truth in SAMPLES.glob("*.json"):
        found = sharpness_of(read_photo(truth.with_suffix(".jpg"))).blur_px
        assert found is not None
        assert found == pytest.approx(json.loads(truth.read_text())["blur_px"], abs=0.5), truth.name


def test_no_edges() -> None:
    flat = Photo(path=Path("flat.png"), sha256="", bgr=np.full((600, 800, 3), 120, np.uint8))
    assert sharpness_of(flat).blur_px is None
