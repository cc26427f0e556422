"""Find where the picture of a damaged JPEG jumps.

One wrong bit can shift all that comes after it: from some block on every colour is off by a constant, or the picture
is displaced. Decoders say nothing. Such a jump runs along a border of eight rows, from one side of the picture at
least half across, within a single row; an edge in the scene, seen through a lens, takes more than one row.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class TornSettings:
    """When a border of blocks is a tear.

    Attributes
    ----------
    least_jump : float
        Levels of 255 by which a colour jumps, over twice what it does on the rows beside. No undamaged sample
        or real picture reaches 6; damage that matters is tens of levels. Measured on the sample set, 2026-11.
    least_texture : float
        Standard deviation, in levels, within a strip on both sides: beside a plain bar, as round a screenshot, a
        straight border is no tear. Own choice.
    least_across_frac : float
        Share of the width that jumps alike: a break within a row of blocks leaves at least half of the picture on
        one of its two borders. Derived, less some room.
    least_alike_frac : float
        How far strips that jump one way outnumber the others, in strips of all. Own choice.
    n_strips, n_columns : int
        Upright strips in which the jump's median is taken, and columns looked at in each: few, for speed. Own choice.
    """

    least_jump: float = 10.0
    least_texture: float = 2.0
    least_across_frac: float = 0.45
    least_alike_frac: float = 0.7
    n_strips: int = 20
    n_columns: int = 8


def torn_row(bgr: NDArray[np.uint8], settings: TornSettings | None = None) -> int | None:
    """The first row below a tear of a picture as it was stored, before it is turned upright; None when there is none.

    Parameters
    ----------
    bgr : uint8 array, shape (height, width, 3)
    """
    s = settings or TornSettings()
    n = (bgr.shape[0] - 2) // 8
    every = max(1, bgr.shape[1] // (s.n_strips * s.n_columns))
    width = bgr.shape[1] // every // s.n_strips * s.n_strips
    if n < 1 or width == 0:
        return None
    # The two rows above and the two below every border of eight: three differences, the middle one across it.
    rows = 8 * np.arange(1, n + 1)
    upper, over, under, lower = (bgr[rows + k, ::every][:, :width].astype(np.int16) for k in (-2, -1, 0, 1))

    def strips(values: NDArray[np.int16]) -> NDArray[np.int16]:
        return values.reshape(n, s.n_strips, -1, 3)

    across = np.median(strips(under - over), axis=2)  # Not the mean: lettering jumps in some columns only.
    beside = np.maximum(np.abs(strips(over - upper).mean(axis=2)), np.abs(strips(lower - under).mean(axis=2)))
    texture = np.minimum(strips(over).std(axis=2), strips(under).std(axis=2)).max(axis=2)
    wanted = int(np.ceil(s.least_across_frac * s.n_strips))
    torn = np.zeros(n, np.bool_)
    for side in (slice(None, wanted), slice(-wanted, None)):
        # By far most strips jump the same way; medians, so that a few things in the scene do not count.
        alike = np.abs(np.sign(across[:, side]).sum(axis=1)) >= s.least_alike_frac * wanted
        jump = np.abs(np.median(across[:, side], axis=1)) - 2 * np.median(beside[:, side], axis=1)
        textured = np.median(texture[:, side], axis=1) > s.least_texture
        torn |= (alike & (jump > s.least_jump)).any(axis=1) & textured
    found = np.flatnonzero(torn)
    return int(rows[found[0]]) if found.size else None
