"""Tears: damage that moves half a picture is seen, an undamaged picture never is one."""

import os
import random
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage import data as skimage_data

from holecount.decoder_words import caught
from holecount.photo import photo_from_bytes
from holecount.torn import torn_row
from holecount.troubles import BadInput

SAMPLES = sorted((Path(__file__).parents[2] / "samples").glob("*.jpg"))


def scene() -> np.ndarray:
    return np.ascontiguousarray(skimage_data.astronaut()[:, :, ::-1])


@pytest.mark.parametrize("row", [8, 200, 504])
@pytest.mark.parametrize("start", [0.0, 0.3, 0.5, 0.9])
def test_a_jump_of_colour_is_a_tear(row: int, start: float) -> None:
    torn = scene().astype(int)
    x = int(start * torn.shape[1])
    torn[row:, x:, 1] += 30
    torn[row + 8 :, :x, 1] += 30
    found = torn_row(torn.clip(0, 255).astype(np.uint8))
    assert found in ((row, row + 8) if row < 504 or x == 0 else (row, None))


def test_undamaged_pictures_are_whole() -> None:
    for picture in (scene(), skimage_data.coffee(), skimage_data.cat(), skimage_data.rocket()):
        assert torn_row(np.ascontiguousarray(picture)) is None
    for sample in SAMPLES:
        assert torn_row(cv2.imread(str(sample))) is None


def test_a_bar_round_a_picture_is_no_tear() -> None:
    picture = scene()
    picture[:80] = 0
    picture[-88:] = 255
    assert torn_row(picture) is None


@pytest.mark.parametrize("down", [0, 8, 16])
def test_an_edge_that_goes_on_nowhere_is_no_tear(down: int) -> None:
    """A board two thirds as wide as the picture, its sharp edge on a border of blocks."""
    picture = scene().astype(int) // 2 + 60
    picture[200 + down :, 80:440] += 40
    assert torn_row(picture.astype(np.uint8)) is None


@pytest.mark.parametrize("apart", [8, 16])
@pytest.mark.parametrize("start", [60, 180, 300, 450])
def test_a_tear_goes_on_along_the_next_border(apart: int, start: int) -> None:
    """From the first wrong block to the right, and left of it one row of blocks further down, whichever they are."""
    torn = scene().astype(int) // 2 + 60
    torn[200:, start:] += 40
    torn[200 + apart :, :start] += 40
    assert torn_row(torn.astype(np.uint8)) in (200, 200 + apart)


@pytest.mark.parametrize("start", [180, 300])
def test_an_edge_up_to_one_side_only_is_no_tear(start: int) -> None:
    picture = scene().astype(int) // 2 + 60
    picture[200:240, start:] += 40
    assert torn_row(picture.astype(np.uint8)) is None


def test_too_small_for_a_tear() -> None:
    assert torn_row(np.zeros((9, 400, 3), np.uint8)) is None
    assert torn_row(np.zeros((400, 9, 3), np.uint8)) is None


def test_one_wrong_bit_in_a_photograph_is_noticed_or_does_not_show() -> None:
    """Whatever a single bit does to most of the picture, the reader refuses it."""
    good = SAMPLES[-1].read_bytes()
    before = photo_from_bytes(good, SAMPLES[-1]).grey
    chance = random.Random(5)
    refused = 0
    for _ in range(40):
        spoiled = bytearray(good)
        at = chance.randrange(good.index(b"\xff\xda") + 20, len(good) - 2)
        spoiled[at] ^= 1 << chance.randrange(8)
        try:
            after = photo_from_bytes(bytes(spoiled), SAMPLES[-1]).grey
        except BadInput as e:
            assert "damaged" in e.what
            refused += 1
            continue
        changed = np.abs(after.astype(int) - before) > 24
        assert changed.mean() < 0.05
    assert refused


def test_decoders_say_nothing_to_the_terminal(tmp_path: Path) -> None:
    done, whole = SAMPLES[0].read_bytes(), tmp_path / "cut.jpg"
    at = done.index(b"\xff\xda")
    whole.write_bytes(done[: (at + len(done)) // 2] + b"\xff\xd9")
    said = subprocess.run([sys.executable, "-m", "holecount", "look", str(whole)], capture_output=True, text=True)
    assert said.returncode == 4
    assert said.stderr.startswith("holecount: ")
    assert said.stderr.count("\n") == 1


def test_what_is_caught_comes_back(capfd: pytest.CaptureFixture[str]) -> None:
    with caught() as words:
        os.write(2, b"a remark\nanother\n")
    assert words == ["a remark", "another"]
    os.write(2, b"after\n")
    assert capfd.readouterr().err == "after\n"
