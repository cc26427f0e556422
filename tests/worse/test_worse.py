"""Photographs made worse: the truth comes along, and the tool is right or says so."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from degrade import WAYS, Shot, shot_of
from scoring import truth_of
from worse_photos import BEGIN, END, PAGE, Outcome, outcome, table

SAMPLES = Path(__file__).parents[2] / "samples"


def sample(name: str, other: str = "oval-stool") -> Shot:
    beside = SAMPLES / f"{other}.jpg"
    path = SAMPLES / f"{name}.jpg"
    return shot_of(path, truth_of(path), other=shot_of(beside, truth_of(beside)))


@pytest.fixture(scope="module")
def seat() -> Shot:
    return WAYS["smaller"][0](sample("round-stool"), 0.7)  # to take less time


def dotted(shot: Shot) -> Shot:
    """With a white dot in every hole's middle, on black."""
    h, w = shot.bgr.shape[:2]
    light = np.zeros((h, w, 3), np.uint8)
    for hole in shot.truth["holes"]:
        at = (round(hole["px"] * 16), round(hole["py"] * 16))
        cv2.circle(light, at, round(0.5 * hole["r_px"] * 16), (255, 255, 255), -1, cv2.LINE_AA, 4)
    return replace(shot, bgr=light)


@pytest.mark.parametrize(
    ("way", "measure"),
    [("mirrored", 0), ("turned", 33), ("turned", 138), ("smaller", 0.5), ("cropped", 0.15)],
)
def test_truth_goes_with_the_picture(seat: Shot, way: str, measure: float) -> None:
    made = WAYS[way][0](dotted(seat), measure)
    grey = made.bgr[..., 0]
    looked_at = 0
    for hole in made.truth["holes"]:
        r = int(hole["r_px"]) + 2
        x, y = round(hole["px"]), round(hole["py"])
        window = grey[y - r : y + r + 1, x - r : x + r + 1].astype(float)
        if hole["visible"] < 1 or window.shape != (2 * r + 1, 2 * r + 1):
            continue
        window -= window.min()
        row, column = np.mgrid[y - r : y + r + 1, x - r : x + r + 1]
        assert (column * window).sum() / window.sum() == pytest.approx(hole["px"], abs=0.2)
        assert (row * window).sum() / window.sum() == pytest.approx(hole["py"], abs=0.2)
        looked_at += 1
    assert looked_at > 20
    assert [h["bore_mm"] for h in made.truth["holes"]] == [h["bore_mm"] for h in seat.truth["holes"]]


def test_a_crop_leaves_holes_out_and_the_scale_in(seat: Shot) -> None:
    made = WAYS["cropped"][0](seat, 0.15)
    assert made.truth["count_visible"] < seat.truth["count_visible"] - 5
    for scale in made.truth["scales"]:
        assert (np.array(scale["corners_px"]) >= 0).all()
        assert (np.array(scale["corners_px"]) < [made.truth["width"], made.truth["height"]]).all()


def test_light_is_handled_as_light(seat: Shot) -> None:
    flat = replace(seat, bgr=np.full((400, 400, 3), 186, np.uint8))  # half of white's light
    dark = WAYS["darker"][0](flat, 3).bgr[..., 1] / 255
    light = ((dark + 0.055) / 1.055) ** 2.4
    white = ((186 / 255 + 0.055) / 1.055) ** 2.4
    assert light.mean() == pytest.approx(white / 8, rel=0.02)
    assert light.std() == pytest.approx(np.sqrt(white / 8 / 4000), rel=0.15)  # Poisson, 4000 photons behind white
    few = WAYS["noisier"][0](flat, 100).bgr[..., 1] / 255
    assert np.std(((few + 0.055) / 1.055) ** 2.4) == pytest.approx(np.sqrt(white / 100 + 9e-4), rel=0.05)
    step = np.zeros((60, 200, 3), np.uint8)
    step[:, 100:] = 230
    soft = WAYS["blurred"][0](replace(seat, bgr=step), 3).bgr[30, :, 1] / 255
    slope = np.diff(np.where(soft <= 0.04045, soft / 12.92, ((soft + 0.055) / 1.055) ** 2.4))
    at = np.arange(len(slope))
    middle = (slope * at).sum() / slope.sum()
    assert np.sqrt((slope * (at - middle) ** 2).sum() / slope.sum()) == pytest.approx(3, rel=0.05)


def test_a_photograph_keeps_its_focal_length_and_shows_its_quality(seat: Shot) -> None:
    read = seat.photo()
    assert read.focal_35mm == (round(seat.focal_35mm) if seat.focal_35mm else None)
    assert np.abs(read.bgr.astype(int) - seat.bgr).mean() < 4
    coarse = WAYS["JPEG"][0](seat, 15).photo()
    assert np.abs(coarse.bgr.astype(int) - seat.bgr).mean() > 1.3 * np.abs(read.bgr.astype(int) - seat.bgr).mean()


def test_clutter_is_seen_through_the_frame_alone(seat: Shot) -> None:
    for way, measure in (("rug of dots", 15), ("seat below", 0.6), ("seat beside", 0.6)):
        made = WAYS[way][0](seat, measure)
        changed = np.abs(made.bgr.astype(int) - seat.bgr).max(axis=2) > 8
        assert changed.mean() > (0.005 if way == "seat beside" else 0.05)
        for hole in seat.truth["holes"]:
            x, y, r = round(hole["px"]), round(hole["py"]), int(1.5 * hole["r_px"])
            assert not changed[max(y - r, 0) : y + r, max(x - r, 0) : x + r].any()


WORST = [("blurred", 4.0), ("darker", 4.0), ("JPEG", 30.0), ("smaller", 0.5), ("cropped", 0.15)]
WORST += [("turned", 33.0), ("rug of dots", 15.0), ("seat below", 0.6), ("seat beside", 0.6)]


@pytest.mark.parametrize(("way", "measure"), WORST)
def test_never_wrong_and_good(seat: Shot, way: str, measure: float) -> None:
    o = outcome(seat, way, measure)
    assert o.refused or not o.wrong or o.verdict == "check", o


def test_what_does_no_harm_does_none(seat: Shot) -> None:
    for way, measure in (("mirrored", 0.0), ("darker", 2.0)):
        o = outcome(seat, way, measure)
        assert not o.refused
        assert not o.wrong, o


def test_the_table_counts_what_came_out() -> None:
    right = Outcome(
        way="darker", measure=2, name="a", scale_kind="card", n_visible=60, verdict="good", pitch_off_rel=0.001,
        diameter_off_mm=0.05, diameter_rms_mm=0.08,
    )  # fmt: skip
    wrong = replace(right, n_missed=1, verdict="check")
    far_off = replace(right, diameter_off_mm=0.3)
    refused = replace(right, refused="Nothing of known size was found on the frame.", verdict="")
    assert [o.wrong for o in (right, wrong, far_off, refused)] == [False, True, True, False]
    row = table([right, wrong, far_off, refused]).splitlines()[-1]
    assert row.startswith("| darker, 2 stops | 4 | 1 | 2 | 1 | 1 | 1 | 1 |")


def test_the_page_has_a_line_for_every_way() -> None:
    text = PAGE.read_text(encoding="utf-8").split(BEGIN)[1].split(END)[0]
    for way, (_, unit, measures) in WAYS.items():
        for measure in measures:
            assert f"| {way}" + (f", {measure:g} {unit} |" if unit else " |") in text
