"""EXIF tags by our own small reader, against what Pillow writes, and bytes of no sense."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from holecount import exif


def written(endian: str = "<", orientation: int | None = None, **wanted) -> bytes:
    tags = Image.Exif()
    tags.endian = endian
    if orientation is not None:
        tags[exif.ORIENTATION] = orientation
    tags[exif.EXIF_DIRECTORY] = {getattr(exif, name): value for name, value in wanted.items()}
    return tags.tobytes()[6:]


@pytest.mark.parametrize("endian", ["<", ">"])
def test_reads_what_pillow_writes(endian: str) -> None:
    block = written(
        endian, 6, FOCAL_LENGTH_35MM=26, FOCAL_LENGTH=IFDRational(17, 4), PIXEL_X_DIMENSION=4032, PIXEL_Y_DIMENSION=3024
    )
    assert block[:2] == {"<": b"II", ">": b"MM"}[endian]
    tags = exif.read_tags(block)
    assert tags == {
        exif.ORIENTATION: 6,
        exif.FOCAL_LENGTH_35MM: 26,
        exif.FOCAL_LENGTH: 4.25,
        exif.PIXEL_X_DIMENSION: 4032,
        exif.PIXEL_Y_DIMENSION: 3024,
    }
    assert exif.orientation(tags) == 6


@given(st.binary(max_size=300))
def test_no_bytes_break_it(junk: bytes) -> None:
    for block in (junk, b"II*\0" + junk, b"MM\0*" + junk, written("<", 3, FOCAL_LENGTH_35MM=26)[:40] + junk):
        tags = exif.read_tags(block)
        assert 1 <= exif.orientation(tags) <= 8
        exif.focal_35mm(tags, 4032, 3024)


def test_rational_over_zero_and_directory_pointing_at_itself_are_left_out() -> None:
    entry = struct.pack("<HHII", exif.EXIF_DIRECTORY, 4, 1, 8)
    assert exif.read_tags(b"II*\0" + struct.pack("<IH", 8, 1) + entry + b"\0\0\0\0") == {}
    rational = struct.pack("<HHII", exif.FOCAL_LENGTH, 5, 1, 26)
    assert exif.read_tags(b"II*\0" + struct.pack("<IH", 8, 1) + rational + b"\0\0\0\0" + struct.pack("<II", 4, 0)) == {}


def test_focal_length_of_a_whole_picture() -> None:
    for size in ((4032, 3024), (3024, 4032), (6000, 4000), (4000, 3008)):
        assert exif.focal_35mm({exif.FOCAL_LENGTH_35MM: 26.0}, *size).focal_35mm == 26


@pytest.mark.parametrize("value", [0.0, 3.0, 1000.0, float("nan"), float("inf"), -26.0])
def test_focal_length_that_cannot_be(value: float) -> None:
    found = exif.focal_35mm({exif.FOCAL_LENGTH_35MM: value}, 4032, 3024)
    assert found.focal_35mm is None
    assert found.words


def test_focal_length_is_not_believed_of_a_cropped_picture() -> None:
    tags = {exif.FOCAL_LENGTH_35MM: 26.0}
    for size in ((3024, 3024), (4032, 2268), (2127, 2143)):
        found = exif.focal_35mm(tags, *size)
        assert found.focal_35mm is None
        assert "cropped" in found.words
    # 4:3 by accident, cut out of a 16:9 picture.
    tags |= {exif.PIXEL_X_DIMENSION: 4032.0, exif.PIXEL_Y_DIMENSION: 2268.0}
    assert exif.focal_35mm(tags, 2016, 1512).focal_35mm is None
    # Merely made smaller: still whole.
    tags |= {exif.PIXEL_X_DIMENSION: 4032.0, exif.PIXEL_Y_DIMENSION: 3024.0}
    assert exif.focal_35mm(tags, 2016, 1512).focal_35mm == 26


def test_focal_length_from_the_sensor() -> None:
    # Full frame, 36 mm across 6000 px: the real focal length is the equivalent one.
    tags = {
        exif.FOCAL_LENGTH: 50.0,
        exif.FOCAL_PLANE_X_RESOLUTION: 6000 / 36 * 25.4,
        exif.FOCAL_PLANE_RESOLUTION_UNIT: 2.0,
        exif.PIXEL_X_DIMENSION: 6000.0,
        exif.PIXEL_Y_DIMENSION: 4000.0,
    }
    assert exif.focal_35mm(tags, 6000, 4000).focal_35mm == pytest.approx(50.0, rel=1e-4)
    # The same sensor in centimetres; half as wide a sensor has twice the equivalent.
    tags |= {exif.FOCAL_PLANE_RESOLUTION_UNIT: 3.0, exif.FOCAL_PLANE_X_RESOLUTION: 6000 / 1.8}
    assert exif.focal_35mm(tags, 6000, 4000).focal_35mm == pytest.approx(100.0, rel=1e-4)
    # Made smaller afterwards: the resolution no longer counts this picture's pixels.
    assert exif.focal_35mm(tags, 3000, 2000).focal_35mm is None
