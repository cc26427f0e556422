"""How grainy a picture is beside the edges of its holes: noise of the sensor, and grey levels too few in the dark."""

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.photo import Photo

Array = NDArray[np.float64]

N_WINDOWS = 24
"""Holes looked at; their median is steady to a few parts in a hundred (derived)."""

GREY_STEP = 1.4
"""Uncertainty in grey levels that eight-bit coding leaves of a small contrast: rounding alone is 0.29 (derived), but in
the dark steps are uneven and JPEG drops what is faint (sample set made 4 to 6 stops darker, 2026-11)."""

_LONE = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
"""Answers to noise and not to edges or ramps; noise of sd 1 gives sd 6 (derived: root of the sum of squares)."""


def grain_share(photo: Photo, centres_px: Array, radius_px: Array) -> float:
    """Noise of the coded grey over the contrast of a hole, median over some of the holes.

    Parameters
    ----------
    centres_px : (n, 2); radius_px : (n,)
        Windows of two radii to each side are looked at, those that lie wholly in the picture.
    """
    every = max(1, len(centres_px) // N_WINDOWS)
    share = []
    for (x, y), r in zip(centres_px[::every], radius_px[::every], strict=True):
        reach = max(2.0 * float(r), 8.0)
        x0, x1, y0, y1 = int(x - reach), int(x + reach) + 1, int(y - reach), int(y + reach) + 1
        if x0 < 0 or y0 < 0 or x1 > photo.width_px or y1 > photo.height_px:
            continue
        window = photo.grey[y0:y1, x0:x1].astype(np.float32)
        lone = np.abs(cv2.filter2D(window, -1, _LONE)[1:-1, 1:-1])
        noise = 1.4826 * float(np.median(lone)) / 6
        dark, light = np.percentile(window, (5, 90))
        share.append(float(np.hypot(noise, GREY_STEP)) / max(float(light - dark), 1.0))
    return float(np.median(share)) if share else 0.0
