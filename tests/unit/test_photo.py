"""Reading photographs: every format upright and alike, and one clear sentence for what is no photograph."""

import io
import os
import stat
import struct
import sys
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps
from skimage import data as skimage_data

from holecount.photo import LINEAR_FROM_SRGB, Photo, ReadSettings, photo_from_bytes, read_photo, turn_upright
from holecount.troubles import BadInput, UnfitPhoto

WIDTH, HEIGHT = 240, 180


def scene() -> np.ndarray:
    """RGB picture without any symmetry, smooth enough to survive JPEG."""
    x, y = np.meshgrid(np.linspace(0, 1, WIDTH), np.linspace(0, 1, HEIGHT))
    return np.stack([40 + 180 * x, 30 + 190 * y, 60 + 120 * x * (1 - y)], axis=2).round().astype(np.uint8)


def saved(mode: str = "RGB", *, orientation: int | None = None, picture: Image.Image | None = None, **how) -> bytes:
    """The scene as a file's bytes, by Pillow."""
    picture = picture or Image.fromarray(scene()).convert(mode)
    if orientation is not None:
        tags = Image.Exif()
        tags[0x0112] = orientation
        how["exif"] = tags.tobytes()
    out = io.BytesIO()
    picture.save(out, **how)
    return out.getvalue()


def read(data: bytes, name: str = "seat.jpg", **limits: int) -> Photo:
    return photo_from_bytes(data, Path(name), ReadSettings(**limits))


def assert_shows(photo: Photo, rgb: np.ndarray, worst: float) -> None:
    assert photo.bgr.dtype == np.uint8
    assert photo.bgr.shape == rgb.shape
    assert photo.bgr.flags.c_contiguous
    assert np.abs(photo.bgr[:, :, ::-1].astype(int) - rgb).max() <= worst


@pytest.mark.parametrize(
    ("how", "worst"),
    [
        ({"format": "JPEG", "quality": 98, "subsampling": 0}, 5),
        ({"format": "JPEG", "quality": 98, "subsampling": 0, "progressive": True}, 5),
        ({"format": "PNG"}, 0),
        ({"format": "TIFF"}, 0),
        ({"format": "TIFF", "compression": "tiff_lzw"}, 0),
        ({"format": "WEBP", "lossless": True}, 0),
    ],
)
@pytest.mark.parametrize("orientation", [None, 1, 2, 3, 4, 5, 6, 7, 8])
def test_every_format_in_every_orientation(how: dict, worst: float, orientation: int | None) -> None:
    data = saved(orientation=orientation, **how)
    with Image.open(io.BytesIO(data)) as stored:
        upright = np.asarray(ImageOps.exif_transpose(stored).convert("RGB"))
    if orientation in (None, 1):
        assert np.abs(upright.astype(int) - scene()).max() <= worst
    assert_shows(read(data), upright, worst)


@pytest.mark.parametrize("orientation", [None, 1, 3, 6, 8])
def test_heic(orientation: int | None) -> None:
    pillow_heif = pytest.importorskip("pillow_heif")
    tags = Image.Exif()
    tags[0x0112] = orientation or 1
    # A HEIC file is written upright with its turn beside it; the reader has to give back what was handed in, turned.
    heif = pillow_heif.from_pillow(Image.fromarray(scene()))
    out = io.BytesIO()
    heif.save(out, quality=-1, chroma=444, exif=tags.tobytes() if orientation else None)
    expected = turn_upright(scene(), orientation or 1)
    assert_shows(read(out.getvalue(), "seat.heic"), expected, 4)


def test_agrees_with_opencv_reading_the_file_itself(tmp_path: Path) -> None:
    for orientation in range(1, 9):
        file = tmp_path / f"{orientation}.jpg"
        file.write_bytes(saved(format="JPEG", orientation=orientation))
        np.testing.assert_array_equal(read_photo(file).bgr, cv2.imread(str(file)))


def test_an_open_picture_of_another_package(tmp_path: Path) -> None:
    coins = skimage_data.coins()
    file = tmp_path / "coins.png"
    Image.fromarray(coins).save(file)
    photo = read_photo(file)
    np.testing.assert_array_equal(photo.bgr, np.repeat(coins[:, :, None], 3, axis=2))
    np.testing.assert_array_equal(photo.grey, coins)


GREY = np.asarray(Image.fromarray(scene()).convert("L"))


@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_grey_pictures(form: str) -> None:
    how = {"lossless": True} if form == "WEBP" else {"quality": 98} if form == "JPEG" else {}
    photo = read(saved("L", format=form, **how))
    assert_shows(photo, np.repeat(GREY[:, :, None], 3, axis=2), 4 if form == "JPEG" else 0)


@pytest.mark.parametrize("suffix", [".png", ".tiff"])
def test_sixteen_bits(suffix: str) -> None:
    deep = scene().astype(np.uint16) * 257
    colour = cv2.imencode(suffix, deep[:, :, ::-1])[1].tobytes()
    assert_shows(read(colour), scene(), 1)
    grey = cv2.imencode(suffix, GREY.astype(np.uint16) * 257)[1].tobytes()
    assert_shows(read(grey), np.repeat(GREY[:, :, None], 3, axis=2), 1)


def test_palette_bilevel_and_cmyk() -> None:
    palette = Image.fromarray(scene()).quantize(32)
    assert_shows(read(saved(picture=palette, format="PNG")), np.asarray(palette.convert("RGB")), 0)
    bilevel = Image.fromarray(scene()).convert("1")
    assert_shows(read(saved(picture=bilevel, format="PNG")), np.asarray(bilevel.convert("RGB")), 0)
    for form in ("JPEG", "TIFF"):
        cmyk = read(saved("CMYK", format=form, **({"quality": 98} if form == "JPEG" else {})))
        assert_shows(cmyk, scene(), 8)


def test_transparency_becomes_white_and_is_told() -> None:
    clear = np.dstack([scene(), np.full((HEIGHT, WIDTH), 255, np.uint8)])
    opaque = read(saved(picture=Image.fromarray(clear), format="PNG"))
    assert opaque.notes == ()
    assert_shows(opaque, scene(), 0)
    clear[20:40, 30:60, 3] = 0
    clear[60:80, 30:60, 3] = 128
    photo = read(saved(picture=Image.fromarray(clear), format="PNG"))
    assert "transparent" in photo.notes[0]
    expected = scene().astype(float)
    expected[20:40, 30:60] = 255
    expected[60:80, 30:60] = expected[60:80, 30:60] * 128 / 255 + 255 * 127 / 255
    assert_shows(photo, expected.round().astype(int), 1)


def test_focal_length_comes_along() -> None:
    tags = Image.Exif()
    tags[0x8769] = {0xA405: 26}
    for form in ("JPEG", "PNG", "WEBP", "TIFF"):
        photo = read(saved(format=form, exif=tags.tobytes()))
        assert photo.focal_35mm == 26, form
        assert photo.focal_px == pytest.approx(26 * 300 / 43.2666)
    assert read(saved(format="JPEG")).focal_px is None


def test_linear_light() -> None:
    # IEC 61966-2-1 by scikit-image: its Lab lightness of mid grey codes, and the two ends.
    from skimage.color import rgb2xyz

    codes = np.arange(256, dtype=np.uint8)
    white_y = rgb2xyz(np.full((1, 1, 3), 255, np.uint8))[0, 0, 1]
    oracle = rgb2xyz(np.repeat(codes[None, :, None], 3, axis=2))[0, :, 1] / white_y
    np.testing.assert_allclose(LINEAR_FROM_SRGB, oracle, atol=2e-6)


def test_sha256_is_of_the_file(tmp_path: Path) -> None:
    import hashlib

    file = tmp_path / "with space and ümlaut.png"
    file.write_bytes(saved(format="PNG"))
    assert read_photo(file).sha256 == hashlib.sha256(file.read_bytes()).hexdigest()


# What is no photograph.


def said(data: bytes, name: str = "seat.jpg", **limits: int) -> str:
    with pytest.raises(BadInput) as caught:
        read(data, name, **limits)
    assert caught.value.exit_code == 4
    assert caught.value.hint
    assert "\n" not in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF", "WEBP"])
@pytest.mark.parametrize("kept", [0.02, 0.3, 0.6, 0.9, 0.995])
def test_truncated(form: str, kept: float) -> None:
    rng = np.random.default_rng(1)
    busy = Image.fromarray(rng.integers(0, 255, (HEIGHT, WIDTH, 3), np.uint8))
    data = saved(picture=busy, format=form)
    assert "seat.jpg" in said(data[: int(kept * len(data))])


def test_truncated_heic() -> None:
    pillow_heif = pytest.importorskip("pillow_heif")
    out = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(scene())).save(out, quality=90)
    data = out.getvalue()
    for kept in (0.1, 0.5, 0.95):
        said(data[: int(kept * len(data))], "seat.heic")


def test_a_phone_may_append_what_it_likes() -> None:
    data = saved(format="JPEG", quality=95)
    np.testing.assert_array_equal(read(data + b"\0" * 1000 + b"MotionPhoto_Data").bgr, read(data).bgr)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"%PDF-1.7\n%\xe2\xe3", "PDF"),
        (b"hello, this is text", "not a photograph"),
        (b"GIF89a" + b"\0" * 100, "not a photograph"),
        (b"\0\0\0\x20ftypmp42" + b"\0" * 100, "film"),
        (b"\0\0\0\x20ftypavif" + b"\0" * 100, "AVIF"),
        (b"\0\0\0\x20ftypheic" + b"\0" * 100, "seat.jpg"),
        (b"II*\0\x10\0\0\0CR\x02\0", "raw"),
        (b"\xff\xd8\xff", "damaged"),
        (b"\xff\xd8\xff\xd9", "damaged"),
        (b"\xff\xd8\xff\xe1\0\0", "damaged"),
    ],
)
def test_strangers(data: bytes, words: str) -> None:
    assert words in said(data)


def test_thumbnail_of_a_raw_file_is_not_measured() -> None:
    # A DNG carries DNGVersion (tag 50706) and a small first picture.
    data = saved(format="TIFF", tiffinfo={50706: b"\1\4\0\0"})
    assert "raw" in said(data, "seat.dng")


def jpeg_claiming(width: int, height: int) -> bytes:
    data = bytearray(saved(format="JPEG"))
    frame = data.index(b"\xff\xc0")
    data[frame + 5 : frame + 9] = struct.pack(">HH", height, width)
    return bytes(data)


def png_claiming(width: int, height: int) -> bytes:
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(b"\0" * 1000)) + chunk(b"IEND", b"")


@pytest.mark.parametrize("claim", [jpeg_claiming, png_claiming])
@pytest.mark.parametrize("size", [(20000, 20000), (60000, 1000), (65000, 65000)])
def test_too_many_pixels_are_refused_before_decoding(claim, size: tuple[int, int]) -> None:
    resource = pytest.importorskip("resource")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert "megapixels" in said(claim(*size))
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert grown < 50_000 * (1024 if sys.platform == "darwin" else 1)  # kB on Linux, bytes on macOS


def test_fifty_megapixel_phones_pass_the_limit() -> None:
    assert ReadSettings().most_px >= 8192 * 6144
    with pytest.raises(BadInput, match="damaged"):  # Past the limit check, then found lying.
        read(png_claiming(8192, 6144))


def test_header_that_lies_about_a_jpeg() -> None:
    # Decoders paint what is missing grey without a word.
    assert "missing" in said(jpeg_claiming(WIDTH, HEIGHT * 2))


def test_too_small() -> None:
    for size in ((1, 1), (100, 2000)):
        data = saved(picture=Image.new("RGB", size), format="PNG")
        with pytest.raises(UnfitPhoto, match="too small") as caught:
            read(data)
        assert caught.value.exit_code == 3


def test_endless_progressive_jpeg() -> None:
    data = saved(format="JPEG", progressive=True)
    scan = data.rindex(b"\xff\xda")
    assert "passes" in said(data[:-2] + data[scan:-2] * 200 + b"\xff\xd9")


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    def refused(path: Path) -> str:
        with pytest.raises(BadInput) as caught:
            read_photo(path)
        assert caught.value.hint
        return str(caught.value)

    assert "does not exist" in refused(tmp_path / "nowhere.jpg")
    assert "folder" in refused(tmp_path)
    (tmp_path / "empty.jpg").touch()
    assert "0 bytes" in refused(tmp_path / "empty.jpg")
    assert "cannot be read" in refused(Path("a\0b.jpg"))
    assert refused(tmp_path / ("x" * 5000))
    big = tmp_path / "big.jpg"
    with open(big, "wb") as f:
        f.truncate(500_000_000)
    assert "500 MB" in refused(big)
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.jpg")
        assert "not a file" in refused(tmp_path / "pipe.jpg")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="permissions do not bind root")
def test_no_permission(tmp_path: Path) -> None:
    file = tmp_path / "secret.jpg"
    file.write_bytes(saved(format="JPEG"))
    file.chmod(stat.S_IWUSR)
    with pytest.raises(BadInput, match="permission"):
        read_photo(file)


def test_heic_without_its_package(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    assert "pip install pillow-heif" in said(b"\0\0\0\x20ftypheic" + b"\0" * 100, "seat.heic")
