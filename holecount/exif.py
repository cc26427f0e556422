"""The few EXIF tags a measurement needs, read without decoding the picture.

EXIF is a TIFF directory in miniature (CIPA DC-008, "Exchangeable image file format
for digital still cameras", section 4.6). Damaged tags are left out, never an error:
a photograph can be measured without them.
"""

import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass

ORIENTATION = 0x0112
EXIF_DIRECTORY = 0x8769
FOCAL_LENGTH = 0x920A
PIXEL_X_DIMENSION = 0xA002
PIXEL_Y_DIMENSION = 0xA003
FOCAL_PLANE_X_RESOLUTION = 0xA20E
FOCAL_PLANE_RESOLUTION_UNIT = 0xA210
FOCAL_LENGTH_35MM = 0xA405
"""Tag numbers, CIPA DC-008 tables 4 and 8."""

WANTED = frozenset(
    {
        ORIENTATION,
        FOCAL_LENGTH,
        PIXEL_X_DIMENSION,
        PIXEL_Y_DIMENSION,
        FOCAL_PLANE_X_RESOLUTION,
        FOCAL_PLANE_RESOLUTION_UNIT,
        FOCAL_LENGTH_35MM,
    }
)

FULL_FRAME_DIAGONAL_MM = 43.2666
"""Diagonal of a 36 x 24 mm frame; EXIF's 35-mm-equivalent focal length refers to it (CIPA DCG-001)."""

USUAL_FOCAL_35MM = 26.0
"""Of the main camera of a phone, taken where EXIF is silent: 24 to 28 mm are common (common practice, no source)."""

_UNIT_MM = {2: 25.4, 3: 10.0, 4: 1.0}
"""Millimetres in FocalPlaneResolutionUnit: inch, centimetre (CIPA DC-008); 4, millimetre, is a common extension."""

_SIZES = {1: 1, 3: 2, 4: 4, 5: 8, 9: 4, 10: 8}
_FORMATS = {1: "B", 3: "H", 4: "I", 5: "II", 9: "i", 10: "ii"}
"""Bytes of a value and how it is unpacked, by type: byte, short, long, rational, and the last two signed (TIFF 6.0,
section 2)."""
_MAX_ENTRIES = 1000
"""More entries than this in one directory is damage, not a photograph (own choice; phones write below 100)."""


def read_tags(tiff: bytes) -> dict[int, float]:
    """Values of the `WANTED` tags in a TIFF block (what follows the word Exif and two zeros in a JPEG).

    Only the first directory and its EXIF directory are read; each tag's first value counts.
    """
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(tiff[:4])
    tags: dict[int, float] = {}
    if order is None or len(tiff) < 8:
        return tags
    start = struct.unpack_from(order + "I", tiff, 4)[0]
    pointer = _read_directory(tiff, order, start, tags)
    if pointer is not None:
        _read_directory(tiff, order, pointer, tags)
    return tags


def _read_directory(tiff: bytes, order: str, start: int, tags: dict[int, float]) -> int | None:
    """Add one directory's wanted tags to ``tags``; returns where the EXIF directory lies, if it says so."""
    if start + 2 > len(tiff):
        return None
    n_entries = struct.unpack_from(order + "H", tiff, start)[0]
    pointer: int | None = None
    for i in range(min(n_entries, _MAX_ENTRIES)):
        entry = start + 2 + 12 * i
        if entry + 12 > len(tiff):
            break
        tag, kind, count = struct.unpack_from(order + "HHI", tiff, entry)
        if kind not in _SIZES or count < 1 or (tag not in WANTED and tag != EXIF_DIRECTORY):
            continue
        size = _SIZES[kind]
        at = entry + 8 if size * count <= 4 else struct.unpack_from(order + "I", tiff, entry + 8)[0]
        if at + size > len(tiff):
            continue
        value = struct.unpack_from(order + _FORMATS[kind], tiff, at)
        if tag == EXIF_DIRECTORY:
            pointer = value[0]
        elif len(value) == 1:
            tags.setdefault(tag, float(value[0]))
        elif value[1] != 0:
            tags.setdefault(tag, value[0] / value[1])
    return pointer


def orientation(tags: Mapping[int, float]) -> int:
    """EXIF orientation, 1 to 8; 1 (upright) when missing or nonsense."""
    value = tags.get(ORIENTATION, 1.0)
    return int(value) if value in range(1, 9) else 1


@dataclass(frozen=True, slots=True, kw_only=True)
class FocalSettings:
    """When the file's focal length is believed.

    Attributes
    ----------
    least_35mm, most_35mm : float
        Sane 35-mm-equivalent focal lengths in mm; phone cameras lie between about 13 (ultra-wide)
        and 150 (telephoto). From memory.
    native_aspects : tuple of float
        Long side over short side of whole sensors: 4:3 (phones) and 3:2 (larger cameras). Common
        practice, no source. A picture of another shape was cropped in the camera or afterwards,
        and the focal length refers to the picture before that.
    aspect_tolerance : float
        Relative; sensors are off the plain ratio by a few pixels. Common practice, no source.
    """

    least_35mm: float = 10.0
    most_35mm: float = 400.0
    native_aspects: tuple[float, ...] = (4 / 3, 3 / 2)
    aspect_tolerance: float = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Focal:
    """A 35-mm-equivalent focal length in mm with where it came from; None with why there is none."""

    focal_35mm: float | None
    words: str


def focal_35mm(
    tags: Mapping[int, float], width_px: int, height_px: int, settings: FocalSettings | None = None
) -> Focal:
    """The 35-mm-equivalent focal length, where the file tells it and it fits the picture.

    Parameters
    ----------
    tags : from `read_tags`
    width_px, height_px : int
        Of the stored picture (before turning upright).
    settings : FocalSettings, optional
    """
    s = settings or FocalSettings()
    stored_x, stored_y = tags.get(PIXEL_X_DIMENSION, 0.0), tags.get(PIXEL_Y_DIMENSION, 0.0)
    long_px, short_px = max(width_px, height_px), min(width_px, height_px)
    aspect = long_px / short_px
    whole = [aspect]
    if stored_x > 0 and stored_y > 0:
        whole.append(max(stored_x, stored_y) / min(stored_x, stored_y))
    cropped = any(all(abs(a / n - 1) > s.aspect_tolerance for n in s.native_aspects) for a in whole)
    cropped = cropped or abs(whole[-1] / aspect - 1) > s.aspect_tolerance
    value, words = tags.get(FOCAL_LENGTH_35MM, 0.0), "EXIF, 35-mm-equivalent focal length"
    if not value > 0:
        value, words = _from_sensor(tags, stored_x, max(width_px, height_px), aspect)
    if not (math.isfinite(value) and value > 0):
        return Focal(focal_35mm=None, words="the file does not tell")
    if not s.least_35mm <= value <= s.most_35mm:
        return Focal(focal_35mm=None, words="the file tells one that cannot be right")
    if cropped:
        return Focal(focal_35mm=None, words="the file tells one, but the picture was cropped since")
    return Focal(focal_35mm=value, words=words)


def _from_sensor(tags: Mapping[int, float], stored_x: float, long_px: int, aspect: float) -> tuple[float, str]:
    """35-mm equivalent from the real focal length and the sensor's pixel pitch; 0 when it is not sure.

    Sure only when the picture still has the size the tags were written for: the resolution counts
    pixels of that picture.
    """
    focal_mm, per_unit = tags.get(FOCAL_LENGTH, 0.0), tags.get(FOCAL_PLANE_X_RESOLUTION, 0.0)
    unit_mm = _UNIT_MM.get(int(tags.get(FOCAL_PLANE_RESOLUTION_UNIT, 2)), 0.0)
    if not (focal_mm > 0 and per_unit > 0 and unit_mm > 0 and stored_x in (long_px, round(long_px / aspect))):
        return 0.0, ""
    sensor_diagonal_mm = long_px * math.hypot(1, 1 / aspect) / per_unit * unit_mm
    return focal_mm * FULL_FRAME_DIAGONAL_MM / sensor_diagonal_mm, "EXIF, focal length and sensor resolution"
