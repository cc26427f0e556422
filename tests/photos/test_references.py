"""Cards and rulers found on the samples against their exact truth, nothing found where nothing lies."""

import json
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from holecount.photo import Photo, read_photo
from holecount.scale.card import find_cards
from holecount.scale.fit import fit_plane
from holecount.scale.plane import Camera
from holecount.scale.ruler import find_rulers

SAMPLES = Path(__file__).parents[2] / "samples"
SHARED = Path(__file__).parents[3] / "shared"
NAMES = sorted(p.stem for p in SAMPLES.glob("*.jpg"))
needs_shared = pytest.mark.skipif(not (SHARED / "real").is_dir(), reason="../shared is not there")


@cache
def photo_of(name: str) -> Photo:
    return read_photo(SAMPLES / f"{name}.jpg")


def truth_of(name: str) -> dict:
    return json.loads((SAMPLES / f"{name}.json").read_text())


def true_camera(t: dict) -> Camera:
    rotation, w, h = np.array(t["camera"]["R"]), t["width"], t["height"]
    return Camera(
        focal_px=t["f_px"], k1=t["k1"], centre_px=np.array([(w - 1) / 2, (h - 1) / 2]),
        half_diagonal_px=float(np.hypot(w, h) / 2), rotation=rotation,
        translation_mm=-rotation @ np.array(t["camera"]["origin"]),
    )  # fmt: skip


def kinds(name: str) -> list[str]:
    return [s["kind"] for s in truth_of(name)["scales"]]


@pytest.mark.parametrize("name", NAMES)
def test_cards_where_they_lie_and_nowhere_else(name: str) -> None:
    true = [np.array(s["corners_px"]) for s in truth_of(name)["scales"] if s["kind"] == "card"]
    found = find_cards(photo_of(name))
    assert len(found) == len(true)
    for ref, corners in zip(found, true, strict=True):
        away = np.hypot(*(ref.points_px[:, None] - corners[None]).transpose(2, 0, 1)).min(axis=1)
        assert (away < np.maximum(4 * ref.u_px, 0.5)).all()
        # the same way round in millimetres, as seen from above, as in the picture with its y downwards
        flip = np.sign(np.cross(*[np.append(v, 0) for v in np.diff(ref.points_px[:3], axis=0)])[2])
        turn = np.sign(np.cross(*[np.append(v, 0) for v in np.diff(ref.points_mm[:3], axis=0)])[2])
        assert flip == -turn


@pytest.mark.parametrize("name", NAMES)
def test_rulers_have_the_right_scale_along_themselves(name: str) -> None:
    t = truth_of(name)
    true = [s for s in t["scales"] if s["kind"] == "ruler"]
    found = find_rulers(photo_of(name))
    assert bool(found) == bool(true)
    for ref in found:
        thickness = true[0]["thickness_mm"]
        seen = true_camera(t).to_mm(ref.points_px, thickness + 0.05)
        row = ref.row if ref.row is not None else np.zeros(len(seen), int)
        for r in np.unique(row):
            at = np.nonzero(row == r)[0]
            at = at[np.argsort(ref.points_mm[at, 0])]
            real = np.hypot(*(seen[at[-1]] - seen[at[0]]))
            told = ref.points_mm[at[-1], 0] - ref.points_mm[at[0], 0]
            assert told / real == pytest.approx(1, abs=0.003)


def test_a_row_of_holes_a_barcode_and_a_weave_are_no_rulers() -> None:
    rng = np.random.default_rng(3)
    for kind in ("holes", "barcode", "weave"):
        grey = np.full((900, 1300), 170.0)
        if kind == "holes":
            for x in range(100, 1200, 34):
                cv2.circle(grey, (x, 450), 9, 40.0, -1, cv2.LINE_AA)
        elif kind == "barcode":
            x = 300
            while x < 1000:
                width = int(rng.integers(2, 9))
                grey[400:520, x : x + width] = 30
                x += width + int(rng.integers(2, 9))
        else:
            y, x = np.mgrid[:900, :1300]
            grey += 40 * np.sin(x / 3.1) * np.sin(y / 3.1)
        noisy = np.clip(grey + rng.normal(0, 3, grey.shape), 0, 255).astype(np.uint8)
        photo = Photo(path=Path("drawn"), sha256="", bgr=cv2.cvtColor(noisy, cv2.COLOR_GRAY2BGR))
        assert find_rulers(photo) == []


@needs_shared
def test_real_plastic_ruler_and_real_card() -> None:
    """A printed ruler of 150 mm, and a circuit-board card of 85.60 x 53.98 mm seen at a steep angle."""
    ruler = read_photo(SHARED / "real" / "ruler-150mm-plastic.jpg")
    found = find_rulers(ruler)
    assert len(found) == 1
    assert "millimet" in found[0].words
    # a straight line through the marks' own places: no mark is out of step by a fifth of a millimetre
    along = found[0].points_px @ np.array([1.0, 0.0])
    order = np.argsort(found[0].points_mm[:, 0])
    fit = np.polyfit(along[order], found[0].points_mm[order, 0], 2)
    assert np.abs(np.polyval(fit, along) - found[0].points_mm[:, 0]).max() < 0.2
    card = read_photo(SHARED / "real" / "card-id1-oblique.jpg")
    cards = find_cards(card)
    assert len(cards) == 1
    # one side tells the other: scale the pose so that the long side fits, then the short one has to
    plane = fit_plane(cards, width_px=card.width_px, height_px=card.height_px, focal_px=card.focal_px)
    side = np.hypot(*np.diff(plane.camera.to_mm(cards[0].points_px, cards[0].height_mm)[:3], axis=0).T)
    assert side[0] / side[1] == pytest.approx(85.60 / 53.98, rel=0.005)


@needs_shared
def test_no_card_or_ruler_where_there_is_none() -> None:
    for name in ("no-holes-knot-and-screws", "drilled-strips-8mm"):
        photo = read_photo(SHARED / "real" / f"{name}.jpg")
        assert find_cards(photo) == []
        assert find_rulers(photo) == []
