"""The walk through JPEG segments, against Pillow and against damage of every kind."""

import contextlib
import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from holecount.jpeg import DamagedJpeg, read_head


def a_jpeg(mode: str = "RGB", size: tuple[int, int] = (40, 30), **how) -> bytes:
    rng = np.random.default_rng(5)
    picture = Image.fromarray(rng.integers(0, 255, (size[1], size[0], 3), np.uint8)).convert(mode)
    out = io.BytesIO()
    picture.save(out, format="JPEG", **how)
    return out.getvalue()


@pytest.mark.parametrize("mode", ["L", "RGB", "CMYK"])
@pytest.mark.parametrize("progressive", [False, True])
def test_agrees_with_pillow(mode: str, progressive: bool) -> None:
    tags = Image.Exif()
    tags[0x0112] = 6
    data = a_jpeg(mode, (123, 45), progressive=progressive, exif=tags.tobytes(), restart_marker_blocks=3)
    head = read_head(data)
    assert (head.width_px, head.height_px, head.bits) == (123, 45, 8)
    assert head.n_components == len(mode)
    assert (head.n_scans > 1) == progressive
    assert head.exif == tags.tobytes()[6:]


def test_a_thumbnail_inside_does_not_mislead() -> None:
    small = a_jpeg(size=(8, 8))
    data = a_jpeg(size=(64, 48), exif=b"Exif\0\0II*\0\x08\0\0\0\0\0" + small)
    head = read_head(data)
    assert (head.width_px, head.height_px) == (64, 48)


@settings(deadline=None)  # A loaded machine decides nothing.
@given(st.integers(0, 4000))
def test_every_cut_is_noticed(n: int) -> None:
    data = a_jpeg()
    if n < len(data):
        with pytest.raises(DamagedJpeg):
            read_head(data[:n])


@given(st.binary(max_size=400))
def test_any_bytes_give_a_head_or_a_reason(tail: bytes) -> None:
    for data in (tail, b"\xff\xd8" + tail, a_jpeg()[:200] + tail):
        with contextlib.suppress(DamagedJpeg):
            assert read_head(data).n_scans > 0
