"""Photographs nobody would take on purpose: seeds of every format, and known unlucky or hostile files."""

import io
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from PIL import Image, ImageCms

WIDTH, HEIGHT = 200, 160

FORMATS = ("jpeg", "progressive-jpeg", "png", "tiff", "webp", "heic")


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One file: what it is, its bytes made when asked for, and the exit statuses that are right."""

    name: str
    make: Callable[[], bytes]
    statuses: frozenset[int] = frozenset({3})


def picture(width: int = WIDTH, height: int = HEIGHT) -> Image.Image:
    """A smooth picture without holes or scale."""
    x, y = np.meshgrid(np.linspace(0, 1, width), np.linspace(0, 1, height))
    rgb = np.stack([40 + 180 * x, 30 + 190 * y, 60 + 120 * x * (1 - y)], axis=2).round().astype(np.uint8)
    return Image.fromarray(rgb)


def exif(**more: Any) -> Image.Exif:
    """EXIF as a phone writes it, with some tags changed."""
    tags = Image.Exif()
    tags[0x0112] = more.pop("orientation", 6)
    inner = tags.get_ifd(0x8769)
    inner[0xA405] = more.pop("focal_35mm", 26)
    inner[0xA002], inner[0xA003] = WIDTH, HEIGHT
    return tags


@cache
def seed(form: str) -> bytes:
    """A small good file of a format."""
    return encoded(form, picture(), exif=exif())


def encoded(form: str, image: Image.Image, **how: Any) -> bytes:
    """The picture as a file of a format."""
    if form == "heic":
        import pillow_heif

        pillow_heif.register_heif_opener()
        how.setdefault("quality", 50)
        form = "heif"
    if form == "progressive-jpeg":
        form, how = "jpeg", {**how, "progressive": True}
    out = io.BytesIO()
    image.save(out, form, **how)
    return out.getvalue()


def formats() -> tuple[str, ...]:
    """Formats that can be written here: HEIC needs its package."""
    try:
        import pillow_heif  # noqa: F401
    except ImportError:
        return FORMATS[:-1]
    return FORMATS


def _flat(mode: str, size: tuple[int, int], form: str, **how: Any) -> Callable[[], bytes]:
    return lambda: encoded(form, Image.new(mode, size), **how)


def _png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(width: int, height: int, *, rows: int = 0, bits: int = 8, colour: int = 2, extra: bytes = b"") -> bytes:
    """A PNG by hand: a header that claims what it likes over ``rows`` rows of zeros."""
    header = struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0)
    channels = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}[colour]
    row = b"\0" * (1 + (width * channels * bits + 7) // 8) if rows else b""
    press = zlib.compressobj(9)
    data = b"".join(press.compress(row) for _ in range(rows)) + press.flush()
    return (
        b"\x89PNG\r\n\x1a\n"
        + _png_chunk(b"IHDR", header)
        + extra
        + _png_chunk(b"IDAT", data)
        + _png_chunk(b"IEND", b"")
    )


def _lying_jpeg(width: int, height: int) -> bytes:
    data = bytearray(seed("jpeg"))
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", height, width)
    return bytes(data)


def _jpeg_with(marker: int, body: bytes) -> bytes:
    data = seed("jpeg")
    return data[:2] + bytes([0xFF, marker]) + struct.pack(">H", len(body) + 2) + body + data[2:]


def _many_scans() -> bytes:
    data = seed("progressive-jpeg")
    at = data.index(b"\xff\xda")
    head, scans = data[:at], data[at:-2]
    return head + scans * 400 + b"\xff\xd9"


def _tiff(*entries: tuple[int, int, int, int], tail: bytes = b"") -> bytes:
    body = struct.pack("<H", len(entries)) + b"".join(struct.pack("<HHII", *e) for e in entries) + b"\0\0\0\0"
    return b"II*\0" + struct.pack("<I", 8) + body + tail


def _tiff_that(width: int, height: int, offset: int = 200, length: int = 100, compression: int = 1) -> bytes:
    return _tiff(
        (256, 4, 1, width), (257, 4, 1, height), (258, 3, 1, 8), (259, 3, 1, compression), (262, 3, 1, 1),
        (273, 4, 1, offset), (277, 3, 1, 1), (278, 4, 1, height), (279, 4, 1, length), tail=b"\0" * 400,
    )  # fmt: skip


def _circular_tiff() -> bytes:
    body = struct.pack("<H", 1) + struct.pack("<HHII", 256, 4, 1, 100) + struct.pack("<I", 8)
    return b"II*\0" + struct.pack("<I", 8) + body


def _profile(name: str) -> bytes:
    if name == "lab":
        return ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def _heic_size(width: int, height: int) -> bytes:
    data = bytearray(seed("heic"))
    at = data.index(b"ispe") + 8
    data[at : at + 8] = struct.pack(">II", width, height)
    return bytes(data)


def _webp_size(width: int, height: int) -> bytes:
    data = bytearray(encoded("webp", picture().convert("RGBA"), exif=exif()))
    at = data.index(b"VP8X") + 12
    data[at : at + 3], data[at + 3 : at + 6] = struct.pack("<I", width - 1)[:3], struct.pack("<I", height - 1)[:3]
    return bytes(data)


def _bad_exif(block: bytes) -> Callable[[], bytes]:
    return lambda: _jpeg_with(0xE1, b"Exif\0\0" + block)


READ = frozenset({3})
"""Read, but there is nothing to measure."""
DAMAGED = frozenset({4})
EITHER = frozenset({3, 4})


def cases() -> Iterator[Case]:
    """Every known unlucky or hostile photograph."""
    for form in formats():
        yield Case(name=f"{form}: good, nothing in it", make=lambda form=form: seed(form))
        yield Case(name=f"{form}: 1 x 1", make=lambda f=form: encoded(f, picture(16, 16).resize((1, 1))))
        yield Case(name=f"{form}: 1 pixel high", make=lambda f=form: encoded(f, picture(2000, 16).resize((2000, 1))))
        yield Case(name=f"{form}: one colour", make=_flat("RGB", (640, 480), form))
        yield Case(name=f"{form}: empty after the first 20 bytes", make=lambda f=form: seed(f)[:20], statuses=DAMAGED)
        yield Case(name=f"{form}: rubbish behind the end", make=lambda f=form: seed(f) + b"\xff\xd8\0rubbish" * 99)
        yield Case(name=f"{form}: a colour profile", make=lambda f=form: _with_profile(f, _profile("srgb")))
        yield Case(
            name=f"{form}: no colour profile's bytes in place of one", make=lambda f=form: _with_profile(f, b"x" * 3000)
        )
        yield Case(name=f"{form}: a profile of another space", make=lambda f=form: _with_profile(f, _profile("lab")))
    # Size.
    yield Case(name="jpeg: header says 20000 x 20000", make=lambda: _lying_jpeg(20000, 20000), statuses=DAMAGED)
    yield Case(name="jpeg: header says 65535 x 65535", make=lambda: _lying_jpeg(65535, 65535), statuses=DAMAGED)
    yield Case(name="jpeg: header says 0 x 0", make=lambda: _lying_jpeg(0, 0), statuses=EITHER)
    yield Case(name="jpeg: header says twice the rows", make=lambda: _lying_jpeg(WIDTH, 2 * HEIGHT), statuses=DAMAGED)
    yield Case(name="jpeg: header says 40 megapixels over a thumbnail", make=lambda: _lying_jpeg(8000, 5000),
               statuses=DAMAGED)  # fmt: skip
    yield Case(name="jpeg: really 20000 x 20000", make=_flat("L", (20000, 20000), "jpeg"), statuses=DAMAGED)
    yield Case(name="png: really 20000 x 20000", make=lambda: png(20000, 20000, rows=20000, bits=1, colour=0),
               statuses=DAMAGED)  # fmt: skip
    yield Case(name="png: 100000 x 100000 claimed", make=lambda: png(100_000, 100_000), statuses=DAMAGED)
    yield Case(name="png: 2^31 - 1 wide, 1 high", make=lambda: png(2**31 - 1, 1), statuses=DAMAGED)
    yield Case(name="png: 0 x 0", make=lambda: png(0, 0), statuses=EITHER)
    yield Case(name="png: no row of the 1000 claimed", make=lambda: png(1000, 1000), statuses=DAMAGED)
    yield Case(name="png: 50 megapixels of nothing (bomb within the limit)", make=lambda: png(8000, 6250, rows=6250))
    yield Case(name="png: 50 megapixels of 16-bit grey nothing",
               make=lambda: png(8000, 6250, rows=6250, bits=16, colour=0))  # fmt: skip
    yield Case(name="png: 50 megapixels of 16-bit colour with transparency",
               make=lambda: png(8000, 6250, rows=6250, bits=16, colour=6))  # fmt: skip
    yield Case(name="webp: header says 16384 x 16384", make=lambda: _webp_size(16384, 16384), statuses=DAMAGED)
    yield Case(name="webp: header says 1 x 1", make=lambda: _webp_size(1, 1), statuses=EITHER)
    yield Case(name="tiff: header says 20000 x 20000", make=lambda: _tiff_that(20000, 20000), statuses=DAMAGED)
    yield Case(name="tiff: header says 2^32 - 1 square", make=lambda: _tiff_that(2**32 - 1, 2**32 - 1),
               statuses=DAMAGED)  # fmt: skip
    yield Case(name="tiff: strip beyond the end", make=lambda: _tiff_that(500, 500, 10**9, 250_000), statuses=DAMAGED)
    yield Case(name="tiff: strip shorter than its rows", make=lambda: _tiff_that(500, 500), statuses=DAMAGED)
    yield Case(name="tiff: unknown compression", make=lambda: _tiff_that(500, 500, compression=61234), statuses=DAMAGED)
    yield Case(name="tiff: directories in a circle", make=_circular_tiff, statuses=DAMAGED)
    yield Case(name="tiff: no entries", make=lambda: _tiff(), statuses=DAMAGED)
    yield Case(name="tiff: many pages", make=lambda: encoded("tiff", picture(), save_all=True,
               append_images=[picture()] * 20))  # fmt: skip
    # Bombs beside the picture.
    yield Case(name="png: text that unpacks to 200 MB", make=lambda: png(640, 480, rows=480,
               extra=_png_chunk(b"zTXt", b"a\0\0" + zlib.compress(b"\0" * 200_000_000))), statuses=EITHER)  # fmt: skip
    yield Case(name="png: profile that unpacks to 200 MB", make=lambda: png(640, 480, rows=480,
               extra=_png_chunk(b"iCCP", b"a\0\0" + zlib.compress(b"\0" * 200_000_000))), statuses=EITHER)  # fmt: skip
    yield Case(name="png: a chunk that claims 2 GB", statuses=DAMAGED,
               make=lambda: png(640, 480, rows=480)[:33] + b"\x7f\xff\xff\xfftEXt" + b"a" * 50)  # fmt: skip
    yield Case(name="jpeg: 4400 passes", make=_many_scans, statuses=DAMAGED)
    yield Case(name="jpeg: 60 kB of comment", make=lambda: _jpeg_with(0xFE, b"a" * 60_000))
    # Modes.
    yield Case(name="jpeg: CMYK", make=lambda: encoded("jpeg", picture(640, 480).convert("CMYK")))
    yield Case(name="jpeg: grey", make=lambda: encoded("jpeg", picture(640, 480).convert("L")))
    yield Case(name="tiff: CMYK", make=lambda: encoded("tiff", picture(640, 480).convert("CMYK")))
    yield Case(name="tiff: CIE Lab", make=_flat("LAB", (640, 480), "tiff"), statuses=DAMAGED)
    yield Case(name="tiff: floating point", make=_flat("F", (640, 480), "tiff"), statuses=DAMAGED)
    yield Case(name="tiff: 16-bit grey", make=lambda: encoded("tiff", Image.fromarray(_ramp16())))
    yield Case(name="png: 16-bit grey", make=lambda: encoded("png", Image.fromarray(_ramp16())))
    yield Case(name="tiff: 32-bit whole numbers", make=lambda: encoded("tiff",
               Image.fromarray(_ramp16().astype(np.int32) * 60_000)), statuses=DAMAGED)  # fmt: skip
    yield Case(name="tiff: one bit", make=lambda: encoded("tiff", picture(640, 480).convert("1")))
    yield Case(name="png: palette", make=lambda: encoded("png", picture(640, 480).convert("P")))
    yield Case(name="png: all of it transparent", make=_flat("RGBA", (640, 480), "png"))
    yield Case(name="webp: a film", make=lambda: encoded("webp", picture(), save_all=True,
               append_images=[picture().rotate(180)] * 5))  # fmt: skip
    # EXIF.
    for name, block in (
        ("nothing", b""), ("rubbish", b"rubbish" * 20), ("a directory beyond the end", b"II*\0\xff\xff\xff\xff"),
        ("a directory that is itself", b"II*\0\x08\0\0\0\x01\0\x69\x87\x04\0\x01\0\0\0\x08\0\0\0\0\0\0\0"),
        ("65535 entries", b"MM\0*\0\0\0\x08\xff\xff" + b"\x01\x12\0\x03\0\0\0\x01\0\x06\0\0" * 2000),
        ("orientation 99", b"MM\0*\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0\x63\0\0\0\0\0\0"),
        ("a count of 2^32 - 1", b"MM\0*\0\0\0\x08\0\x01\x01\x12\0\x03\xff\xff\xff\xff\0\0\0\x10\0\0\0\0"),
    ):  # fmt: skip
        yield Case(name=f"jpeg: EXIF holds {name}", make=_bad_exif(block))
    for focal in (0, 1, 65535):
        yield Case(name=f"jpeg: focal length {focal} mm", make=lambda f=focal: encoded("jpeg", picture(640, 480),
                   exif=exif(focal_35mm=f)))  # fmt: skip
    # No photographs.
    for name, data in (
        ("nothing", b""), ("one byte", b"\xff"), ("a JPEG's first three bytes", b"\xff\xd8\xff"), ("text", b"hello\n"),
        ("zeros", bytes(100_000)), ("a PDF", b"%PDF-1.7\n" + bytes(500)), ("HTML", b"<!doctype html><p>404"),
        ("a film", b"\0\0\0\x18ftypmp42" + bytes(200)), ("AVIF", b"\0\0\0\x18ftypavif" + bytes(200)),
        ("HEIC's first box alone", b"\0\0\0\x18ftypheic" + bytes(12)), ("a zip", b"PK\3\4" + bytes(200)),
        ("SVG", b"<svg xmlns='http://www.w3.org/2000/svg'/>"), ("GIF", b"GIF89a\1\0\1\0\0\0\0;"),
    ):  # fmt: skip
        yield Case(name=f"no photograph: {name}", make=lambda data=data: data, statuses=DAMAGED)
    if "heic" in formats():
        yield Case(name="heic: header says 20000 x 20000", make=lambda: _heic_size(20000, 20000), statuses=EITHER)
        yield Case(name="heic: header says 1 x 1", make=lambda: _heic_size(1, 1), statuses=EITHER)
        yield Case(name="heic: header says 2^32 - 1 square", make=lambda: _heic_size(2**32 - 1, 2**32 - 1),
                   statuses=EITHER)  # fmt: skip


def _with_profile(form: str, profile: bytes) -> bytes:
    return encoded(form, picture(), icc_profile=profile)


def _ramp16() -> np.ndarray:
    return np.tile(np.linspace(0, 65535, 640).astype(np.uint16), (480, 1))
