"""Find where the picture of a damaged JPEG jumps.

One wrong bit can shift all that comes after it: from some block on every colour is off by a constant, or the picture
is displaced. Decoders say nothing. Such a jump runs along a border of eight rows from the first wrong block to the
right edge of the picture, and from the left edge to that block along the next border of blocks, 8 or 16 rows further
down. An edge in the scene that happens to lie on a border ends with the thing it belongs to and goes on nowhere; seen
through a lens it also takes more than one row.
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
        Levels of 255 by which a colour jumps, over twice what it does on the rows beside; 4 to 10. Damage that
        matters is tens of levels. Measured on samples and drawn pictures, cropped and saved again too, 2026-11: of
        9488 undamaged ones one is torn, whichever of these it is (a ruler across the whole picture, its edge on a
        border), and the lower finds more.
    least_texture : float
        Standard deviation, in levels, within a strip on both sides: beside a plain bar, as round a screenshot, a
        straight border is no tear. Own choice.
    least_across_frac : float
        Share of the width that jumps on one border: a break within a row of blocks leaves at least half of the picture
        on one of its two borders. Derived, less some room.
    least_going_on_frac : float
        Share of the whole width that jumps alike, up to the first wrong block on the lower border and from it on the
        upper; 0.8 to 0.9. Edges of frames reach 0.8. Measured as above.
    going_on_share : float
        Share of the jump from which a strip goes on with it; less than half, because a shifted colour is cut off at
        black and white. Own choice.
    n_strips, n_columns : int
        Upright strips in which the jump's median is taken, and columns looked at in each: few, for speed. Own choice.
    """

    least_jump: float = 4.0
    least_texture: float = 2.0
    least_across_frac: float = 0.45
    least_going_on_frac: float = 0.85
    going_on_share: float = 0.25
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
    torn = []
    for from_left, side in ((True, slice(None, wanted)), (False, slice(-wanted, None))):
        # Medians, so that a few things in the scene do not count.
        jump = np.median(across[:, side], axis=1)
        sudden = np.abs(jump) - 2 * np.median(beside[:, side], axis=1) > s.least_jump
        textured = np.median(texture[:, side], axis=1) > s.least_texture
        for border, colour in np.argwhere(sudden & textured[:, None]).tolist():
            jumps = across[:, :, colour] / jump[border, colour] > s.going_on_share
            if _goes_on_frac(jumps, border, from_left) >= s.least_going_on_frac:
                torn.append(border)
                break
    return int(rows[min(torn)]) if torn else None


def _goes_on_frac(jumps: NDArray[np.bool_], border: int, from_left: bool) -> float:
    """Share of the width that jumps on a border, or on the next one where the first wrong block is not reached.

    Parameters
    ----------
    jumps : bool array, shape (n_borders, n_strips)
    border : int
        The lower of the two when its jump comes ``from_left``, the upper when it runs to the right edge.
    """
    nothing = np.zeros(jumps.shape[1], np.bool_)
    most = 0
    for apart in (1, 2):  # A row of blocks is 8 rows of the picture, or 16 where colour is stored at half the size.
        other = border - apart if from_left else border + apart
        elsewhere = jumps[other] if 0 <= other < len(jumps) else nothing
        upper, lower = (elsewhere, jumps[border]) if from_left else (jumps[border], elsewhere)
        # One sum for each place the first wrong block may have.
        going_on = np.cumsum(np.r_[0, lower]) + upper.sum() - np.cumsum(np.r_[0, upper])
        most = max(most, int(going_on.max()))
    return most / nothing.size
