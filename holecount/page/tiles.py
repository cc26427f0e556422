"""A photograph cut into small pictures at several sizes, so that a phone can zoom into 50 megapixels.

Level 0 is the photograph, each further level half the size of the one before. Tiles are always written anew from
decoded pixels: what was uploaded is never handed out.
"""

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.overlay import OverlaySettings, encode

TILE_PX = 512
"""Side of a tile. Own choice: some 40 kB as JPEG, a phone screen shows about a dozen."""

SMALLEST_PX = 1100
"""Long side below which no smaller level is made: what a phone shows of the whole picture. Own choice."""

QUALITY = OverlaySettings(jpeg_quality=82)
"""Of the tiles. Own choice."""


class Pyramid:
    """All levels of one picture.

    Parameters
    ----------
    bgr : uint8 array, shape (rows, columns, 3), blue first.
    """

    def __init__(self, bgr: NDArray[np.uint8]) -> None:
        self._levels = [bgr]
        while max(self._levels[-1].shape[:2]) > SMALLEST_PX:
            rows, columns = self._levels[-1].shape[:2]
            half = cv2.resize(self._levels[-1], ((columns + 1) // 2, (rows + 1) // 2), interpolation=cv2.INTER_AREA)
            self._levels.append(np.asarray(half, np.uint8))
        self.tile = lru_cache(maxsize=200)(self._tile)

    @property
    def n_levels(self) -> int:
        """Number of levels; the last one is the whole picture small."""
        return len(self._levels)

    def _tile(self, level: int, column: int, row: int) -> bytes | None:
        """One tile as JPEG; None when there is none at that place."""
        if not 0 <= level < len(self._levels):
            return None
        picture = self._levels[level]
        x, y = column * TILE_PX, row * TILE_PX
        if column < 0 or row < 0 or x >= picture.shape[1] or y >= picture.shape[0]:
            return None
        return encode(np.ascontiguousarray(picture[y : y + TILE_PX, x : x + TILE_PX]), ".jpg", QUALITY)

    def whole(self) -> bytes:
        """The smallest level in one piece, as JPEG."""
        return encode(self._levels[-1], ".jpg", QUALITY)
