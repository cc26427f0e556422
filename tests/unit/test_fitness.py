"""What `look` remarks on: sharpness against blurs put in, and each remark when it should and not before."""

import json
from dataclasses import replace
from pathlib import Path

import cv2
import made_measurement as made
import numpy as np
import pytest

from holecount import fitness
from holecount.fitness import look_at, sharpness_of
from holecount.holes.hole import Hole
from holecount.measure import MeasureRequest
from holecount.measurement import Measurement
from holecount.photo import Photo, read_photo
from holecount.troubles import NoHoles, NoScale

SAMPLES = Path(__file__).parents[2] / "samples"


def discs(blur_px: float, *, shake_px: float = 0.0, noise: float = 3.0, size: tuple[int, int] = (1600, 1200)) -> Photo:
    """Discs of many greys, drawn at four times the size so that their own edges are sharp."""
    rng = np.random.default_rng(7)
    fine = np.full((size[1] * 4, size[0] * 4), 170, np.uint8)
    for _ in range(70):
        x, y = rng.uniform(0, [size[0] * 4, size[1] * 4]).astype(int)
        cv2.circle(fine, (int(x), int(y)), int(rng.uniform(160, 480)), int(rng.uniform(20, 230)), -1)
    grey = cv2.resize(fine, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    if blur_px:
        grey = cv2.GaussianBlur(grey, (0, 0), blur_px)
    if shake_px:
        grey = cv2.GaussianBlur(grey, (0, 0), sigmaX=shake_px, sigmaY=0.01)
    grey = np.clip(grey + rng.normal(0, noise, grey.shape), 0, 255).round().astype(np.uint8)
    return Photo(path=Path("discs.png"), sha256="", bgr=cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR))


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


# Remarks. Measuring is made up; the picture is sharp and in good light unless said otherwise.


def larger(m: Measurement, factor: float, shift: float = 0.0) -> Measurement:
    def move(h: Hole) -> Hole:
        return replace(h, x_px=800 + (h.x_px - 800) * factor + shift, y_px=600 + (h.y_px - 600) * factor)

    assert m.scale is not None
    return replace(m, holes=tuple(map(move, m.holes)), scale=replace(m.scale, mm_per_px=m.scale.mm_per_px / factor))


GOOD = larger(made.plain(), 2.5)


def remarks_on(monkeypatch: pytest.MonkeyPatch, m: Measurement | Exception, photo: Photo | None = None) -> list[str]:
    def measure(photo: Photo, request: MeasureRequest, progress: object = None) -> Measurement:
        if isinstance(m, Exception) and not request.in_pixels:
            raise m
        return GOOD if isinstance(m, Exception) else m

    monkeypatch.setattr(fitness, "measure_photo", measure)
    found = look_at(photo or discs(0.7))
    assert (found.grade == "fit") == (not found.remarks)
    assert all(r.what and r.advice for r in found.remarks)
    return [r.what for r in found.remarks]


def test_a_good_photograph_gets_no_remark(monkeypatch: pytest.MonkeyPatch) -> None:
    assert remarks_on(monkeypatch, GOOD) == []


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        (replace(GOOD, scale=replace(GOOD.scale, tilt_deg=31.0)), "tilted by 31"),
        (replace(GOOD, scale=replace(GOOD.scale, u_local_rel=0.012)), "Far from the scale"),
        (
            replace(GOOD, scale=replace(GOOD.scale, references=(replace(made.scale_use().references[0], misfit=4.0),))),
            "does not fit together",
        ),
        (larger(GOOD, 0.4), "fills little"),
        (larger(GOOD, 0.7, shift=-465.0), "edge of the picture"),
        (replace(GOOD, seat=replace(GOOD.seat, n_blocked=2)), "Blocked holes: 2"),
        (replace(GOOD, seat=replace(GOOD.seat, n_hidden=3)), "Hidden holes: 3"),
        (replace(GOOD, holes=tuple(replace(h, doubts=("glare",)) for h in GOOD.holes[:4])), "glare: 4"),
    ],
)
def test_each_remark_when_it_is_due(monkeypatch: pytest.MonkeyPatch, changed: Measurement, words: str) -> None:
    said = remarks_on(monkeypatch, changed)
    assert any(words in what for what in said), said


def test_small_holes(monkeypatch: pytest.MonkeyPatch) -> None:
    assert GOOD.scale is not None
    m = replace(GOOD, scale=replace(GOOD.scale, mm_per_px=0.6))
    assert any("Holes are small: about 8 pixels" in what for what in remarks_on(monkeypatch, m))


@pytest.mark.parametrize(
    ("photo", "words"),
    [
        (discs(4.0), "blurred"),
        (discs(0.7, shake_px=4.0), "shaken"),
        (replace(discs(0.7), bgr=(discs(0.7).bgr * 0.15).astype(np.uint8)), "dark"),
        (replace(discs(0.7), bgr=np.minimum(discs(0.7).bgr.astype(int) + 110, 255).astype(np.uint8)), "plain white"),
    ],
)
def test_the_picture_itself(monkeypatch: pytest.MonkeyPatch, photo: Photo, words: str) -> None:
    said = remarks_on(monkeypatch, GOOD, photo)
    assert any(words in what for what in said), said


def test_no_scale_is_unfit_and_the_rest_is_still_told(monkeypatch: pytest.MonkeyPatch) -> None:
    said = remarks_on(monkeypatch, NoScale("Nothing of known size.", "Lay a card."), discs(4.0))
    assert said[0] == "Nothing of known size."
    assert any("blurred" in what for what in said)
    assert look_at(discs(0.7)).grade == "unfit"
    assert look_at(discs(0.7)).n_holes == 40


def test_nothing_found_at_all(monkeypatch: pytest.MonkeyPatch) -> None:
    def measure(*_: object) -> Measurement:
        raise NoHoles("No row of holes was found.", "Photograph the bare frame.")

    monkeypatch.setattr(fitness, "measure_photo", measure)
    monkeypatch.setattr(fitness, "find_references", lambda *_: made.scale_use().references)
    found = look_at(discs(0.7))
    assert found.grade == "unfit"
    assert found.n_holes is None
    assert found.hole_radius_px is None
    assert found.scale_words == ("bank card (ISO/IEC 7810 ID-1)",)
