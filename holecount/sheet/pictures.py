"""Pictures inside the sheet: made small, stripped of all that is not picture, and put into the page itself."""

import base64
import hashlib
import os
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.measurement import Measurement
from holecount.overlay import OverlaySettings, draw_marked, encode
from holecount.photo import Photo
from holecount.troubles import BadInput

MARKED = OverlaySettings(longest_px=1500, jpeg_quality=80)
"""Marked photograph on the sheet: 1500 px over 10 cm of paper are 380 to the inch, enough for print. Derived."""

OLD_SEAT_PX = 700
"""Long side of the photograph of the old seat: 4 cm of paper. Derived, as above."""


def data_address(data: bytes, kind: str) -> str:
    """The bytes as an address that needs no network; ``kind`` is a media type such as ``image/jpeg``."""
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


def svg_address(svg: str) -> str:
    """An SVG element as the address of a picture: no script in it could ever run there."""
    return data_address(svg.encode("utf-8"), "image/svg+xml")


def marked_jpeg(photo: Photo, m: Measurement) -> bytes:
    """The marked photograph, small enough for the sheet.

    Raises
    ------
    BadInput
        When the measurement is of another photograph.
    """
    if photo.sha256 != m.photo_sha256:
        raise BadInput(
            f"'{photo.path}' is not the photograph that was measured ('{m.photo_name}').",
            "Give the one that was, or measure this one.",
        )
    return encode(draw_marked(photo, m, MARKED), ".jpg", MARKED)


def small_jpeg(picture: NDArray[np.uint8], longest_px: int = OLD_SEAT_PX, quality: int = 80) -> bytes:
    """Any picture (rows, columns, 3), blue first, made no larger than ``longest_px`` and written anew as JPEG."""
    factor = min(1.0, longest_px / max(picture.shape[:2]))
    size = (max(1, round(picture.shape[1] * factor)), max(1, round(picture.shape[0] * factor)))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA) if factor < 1 else picture
    return encode(np.asarray(small, np.uint8), ".jpg", OverlaySettings(jpeg_quality=quality))


def photo_of(m: Measurement, beside: Path) -> Path | None:
    """The measured photograph, when it lies in the folder ``beside`` under its own name with the same content."""
    if Path(m.photo_name).name != m.photo_name or m.photo_name in ("", ".", ".."):
        return None
    path = beside / m.photo_name
    try:
        if not os.path.isfile(path):
            return None
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return None
    return path if digest == m.photo_sha256 else None
