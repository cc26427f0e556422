"""The sample photographs against their truth: what a caner would buy by is right, or it says `check`."""

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scoring import Score, score, truth_of

from holecount.measure import MeasureRequest, measure_photo
from holecount.measurement import Measurement
from holecount.photo import read_photo

SAMPLES = Path(__file__).parents[2] / "samples"
NAMES = sorted(p.stem for p in SAMPLES.glob("*.jpg"))


@cache
def measured(name: str) -> Measurement:
    return measure_photo(read_photo(SAMPLES / f"{name}.jpg"), MeasureRequest(), None)


def scored(name: str) -> Score:
    return score(truth_of(SAMPLES / f"{name}.jpg"), measured(name))


def test_the_samples_are_of_different_kinds() -> None:
    truths = [truth_of(SAMPLES / f"{name}.jpg") for name in NAMES]
    assert len(NAMES) == 6
    assert {t["seat"] for t in truths} == {"trapezoid", "rect", "bow", "round", "oval"}
    assert {t["scale_kind"] for t in truths} >= {"card", "card+ruler", "ruler-inch", "ruler-mm"}
    assert any(h["blocked"] for t in truths for h in t["holes"])
    assert sum(p.stat().st_size for p in SAMPLES.iterdir()) < 10_000_000


@pytest.mark.parametrize("name", NAMES)
def test_every_hole_and_nothing_else(name: str) -> None:
    s = scored(name)
    assert (s.n_missed, s.n_false) == (0, 0)


@pytest.mark.parametrize("name", NAMES)
def test_pitch_and_diameter(name: str) -> None:
    s = scored(name)
    # One card on the near rail of the hall chair, half out of the picture, leaves the far side to the tilt.
    assert abs(s.pitch_off_rel) < (0.015 if name == "hall-chair" else 0.01)
    assert abs(s.diameter_off_mm) < 0.25
    assert s.centre_rms_px < 0.5


@pytest.mark.parametrize("name", NAMES)
def test_stated_uncertainty_is_not_a_fairy_tale(name: str) -> None:
    s = scored(name)
    assert abs(s.pitch_z) < 3.5
    assert abs(s.diameter_z) < 3.5
    assert s.single_cover > 0.7


@pytest.mark.parametrize("name", NAMES)
def test_never_wrong_and_good(name: str) -> None:
    assert scored(name).wholly_right or measured(name).verdict == "check"


@pytest.mark.parametrize("name", NAMES)
def test_blocked_and_hidden(name: str) -> None:
    truth = truth_of(SAMPLES / f"{name}.jpg")
    m = measured(name)
    wrong = scored(name).status_wrong
    # An open hole may be taken for a blocked one (or the other way) only where the verdict says look again.
    assert len(wrong) <= 2
    assert not wrong or m.verdict == "check"
    assert abs(m.seat.n_blocked - sum(h["blocked"] and h["visible"] >= 0.7 for h in truth["holes"])) <= len(wrong)
    for h in m.holes:
        assert (h.diameter_mm is None) or h.status == "open"


@pytest.mark.parametrize("name", NAMES)
def test_shape(name: str) -> None:
    shapes = {"trapezoid": "tapered", "rect": "square", "bow": "bowed", "round": "round", "oval": "oval"}
    truth = truth_of(SAMPLES / f"{name}.jpg")
    wanted = {shapes[truth["seat"]]}
    across = np.ptp([[h["x_mm"], h["y_mm"]] for h in truth["holes"]], axis=0)
    if truth["seat"] == "oval" and across.max() < 1.03 * across.min():
        wanted.add("round")  # Within three parts in a hundred nobody weaves it otherwise.
    assert measured(name).shape in wanted


@pytest.mark.parametrize("name", NAMES)
def test_rails(name: str) -> None:
    truth = truth_of(SAMPLES / f"{name}.jpg")
    assert [r.name for r in measured(name).rails] == list(dict.fromkeys(h["rail"] for h in truth["holes"]))
