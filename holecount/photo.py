"""Read a photograph once: upright, eight-bit sRGB as coded, with linear light on demand.

Pixels are (x, y): x right, y down, origin at the centre of the top-left pixel
of the upright picture. Arrays are indexed [row, col].
"""

import math
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FULL_FRAME_DIAGONAL_MM = 43.2666
"""Diagonal of a 36 x 24 mm frame; EXIF's 35-mm-equivalent focal length refers to it (CIPA DCG-001)."""


def _srgb_to_linear_table() -> NDArray[np.float32]:
    """Linear light 0..1 of each eight-bit sRGB code (IEC 61966-2-1)."""
    v = np.arange(256) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


LINEAR_FROM_SRGB: NDArray[np.float32] = _srgb_to_linear_table()


@dataclass(frozen=True)
class Photo:
    """An upright photograph.

    Attributes
    ----------
    path : Path
    sha256 : str
        Of the file's bytes.
    bgr : uint8 array, shape (height, width, 3)
        As coded (sRGB), blue first as OpenCV has it.
    focal_35mm : float or None
        35-mm-equivalent focal length from EXIF, in mm.
    """

    path: Path
    sha256: str
    bgr: NDArray[np.uint8]
    focal_35mm: float | None = None

    @property
    def width_px(self) -> int:
        return int(self.bgr.shape[1])

    @property
    def height_px(self) -> int:
        return int(self.bgr.shape[0])

    @property
    def focal_px(self) -> float | None:
        """Focal length in pixels, from EXIF; None when the file does not tell."""
        if self.focal_35mm is None:
            return None
        return self.focal_35mm * math.hypot(self.width_px, self.height_px) / FULL_FRAME_DIAGONAL_MM

    @cached_property
    def grey(self) -> NDArray[np.uint8]:
        """Coded (sRGB) luma, shape (height, width): for finding, never for measuring."""
        import cv2

        return np.asarray(cv2.cvtColor(self.bgr, cv2.COLOR_BGR2GRAY), np.uint8)

    def linear_window(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """Linear-light luminance 0..1 of pixels x0 <= x < x1, y0 <= y < y1 (clipped by the caller)."""
        lin = LINEAR_FROM_SRGB[self.bgr[y0:y1, x0:x1]]
        return np.asarray(lin @ np.array([0.0722, 0.7152, 0.2126], np.float32))
