"""What `look` remarks on: each remark when it should and not before."""

from dataclasses import replace

import made_measurement as made
import numpy as np
import pytest
from drawn_discs import discs

from holecount import fitness
from holecount.fitness import look_at
from holecount.holes.hole import Hole
from holecount.measure import MeasureRequest
from holecount.measurement import Measurement
from holecount.photo import Photo
from holecount.troubles import NoHoles, NoScale

# Measuring is made up; the picture is sharp and in good light unless said otherwise.


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
