"""Where in the picture something is ruled across: narrow strips full of short parallel strokes.

A graduated edge is a band a few millimetres wide in which every brightness change runs
*along* the band. Small cells of a reduced picture are asked for their direction of
change; a strip is a straight chain of cells that change along the chain. Only the place
and the direction are settled here, to about a cell and half a degree; what is ruled
there is read from the full picture elsewhere.
"""

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class StripSettings:
    """How strips of strokes are looked for.

    Attributes
    ----------
    long_side_px : int
        The picture is reduced by a whole factor to about this long side (1200 to 3000;
        below it millimetre marks of a ruler that fills half the picture run together).
    cell_px : int
        Side of a cell in the reduced picture (6 to 16): a millimetre band is 5 to 15 px wide there.
    chain_px : int
        Length of a chain in the reduced picture (100 to 300): a third of a 150 mm ruler.
    min_coherence : float
        Least agreement of direction inside a cell that may start a chain, 0 to 1.
    shear_deg : tuple of float
        Angles tried between the change in a cell and its chain: strokes are square to the
        edge, but look slanted from a camera that is not overhead (30 degrees of tilt: up to 20).
    max_seeds : int
        Cells that may start a chain, thinned evenly when there are more (time).
    max_strips : int
        Strips handed on, best first.

    All values: measured on the sample set, 2026-11.
    """

    long_side_px: int = 2000
    cell_px: int = 8
    chain_px: int = 200
    min_coherence: float = 0.5
    shear_deg: tuple[float, ...] = (-20.0, -10.0, 0.0, 10.0, 20.0)
    max_seeds: int = 6000
    max_strips: int = 9


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """A place where strokes lie side by side.

    Attributes
    ----------
    centre_px : float array, shape (2,)
        A point of the strip, in the full picture.
    direction_rad : float
        Of the strip, from x towards y.
    score : float
        Mean agreement along the chain less that on either side, 0 to 0.5.
    """

    centre_px: Array
    direction_rad: float
    score: float


def reduce_grey(grey: NDArray[np.uint8], long_side_px: int) -> tuple[NDArray[np.uint8], int]:
    """The picture reduced by a whole factor to about ``long_side_px``, and the factor."""
    height, width = grey.shape
    factor = max(1, round(max(height, width) / long_side_px))
    if factor == 1:
        return grey, 1
    size = (width // factor, height // factor)
    cut = grey[: size[1] * factor, : size[0] * factor]
    return np.asarray(cv2.resize(cut, size, interpolation=cv2.INTER_AREA), np.uint8), factor


def rotated_cut(
    grey: NDArray[np.uint8], centre: Array, direction_rad: float, before: int, after: int, half_height: int
) -> NDArray[np.uint8]:
    """Cut along a line: column ``before`` and row ``half_height`` lie on ``centre``; linear interpolation."""
    c, s = math.cos(direction_rad), math.sin(direction_rad)
    matrix = np.array(
        [
            [c, -s, centre[0] - c * before + s * half_height],
            [s, c, centre[1] - s * before - c * half_height],
        ]
    )
    return np.asarray(
        cv2.warpAffine(
            grey,
            matrix,
            (before + after + 1, 2 * half_height + 1),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        np.uint8,
    )


def _direction_field(grey: NDArray[np.uint8], cell: int) -> tuple[Floats, Floats]:
    """Doubled-angle vector of each cell's change; its length is the coherence, 0 to 1.

    The cell's mean gradient is taken out first: shading and single edges have one, strokes have none.
    """
    rows, cols = grey.shape[0] // cell * cell, grey.shape[1] // cell * cell
    cut = grey[:rows, :cols]
    gx = cv2.Sobel(cut, cv2.CV_16S, 1, 0, ksize=3)
    gy = cv2.Sobel(cut, cv2.CV_16S, 0, 1, ksize=3)
    size = (cols // cell, rows // cell)

    def mean(values: NDArray[Any]) -> Floats:
        return np.asarray(cv2.resize(values, size, interpolation=cv2.INTER_AREA), np.float32)

    def product(a: NDArray[Any], b: NDArray[Any]) -> Floats:
        return np.asarray(cv2.multiply(a, b, dtype=cv2.CV_32F), np.float32)

    mx, my = mean(gx), mean(gy)
    xx = mean(product(gx, gx)) - mx * mx
    yy = mean(product(gy, gy)) - my * my
    xy = mean(product(gx, gy)) - mx * my
    # Twenty squared grey levels: the rounding to whole levels alone must not look like a direction.
    total = xx + yy + np.float32(20.0)
    return np.asarray((xx - yy) / total, np.float32), np.asarray(2 * xy / total, np.float32)


def _chains(
    cos2: Floats, sin2: Floats, settings: StripSettings
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats, Floats]:
    """Best chain through each seed cell: its column, row, direction and score."""
    rows, cols = cos2.shape
    coherence = np.hypot(cos2, sin2)
    iy, ix = np.nonzero(coherence > settings.min_coherence)
    if len(iy) > settings.max_seeds:
        keep = np.linspace(0, len(iy) - 1, settings.max_seeds).astype(np.int64)
        iy, ix = iy[keep], ix[keep]
    seed_cos = cos2[iy, ix] / coherence[iy, ix]
    seed_sin = sin2[iy, ix] / coherence[iy, ix]
    angle = 0.5 * np.arctan2(seed_sin, seed_cos)
    reach = round(settings.chain_px / 2 / settings.cell_px)
    aside = round(80 / settings.cell_px)
    pad = reach + aside + 2
    padded = np.zeros((rows + 2 * pad, cols + 2 * pad, 2), np.float32)
    padded[pad:-pad, pad:-pad, 0] = cos2
    padded[pad:-pad, pad:-pad, 1] = sin2
    stride = cols + 2 * pad
    flat = padded.reshape(-1, 2)
    base = ((iy + pad) * stride + ix + pad).astype(np.int32)
    steps = np.arange(-reach, reach + 1, 2, dtype=np.float32)[:, None]
    best = np.full(len(iy), -1.0, np.float32)
    best_angle = np.zeros(len(iy), np.float32)
    for shear in settings.shear_deg:
        along = angle + np.float32(math.radians(shear))
        dx, dy = np.cos(along), np.sin(along)
        score = np.zeros(len(iy), np.float32)
        # What lies to either side (wood grain, weave) counts against the chain.
        for off, weight in ((0, 1.0), (aside, -0.35), (-aside, -0.35)):
            x = np.rint(steps * dx - off * dy).astype(np.int32)
            y = np.rint(steps * dy + off * dx).astype(np.int32)
            seen = flat[base + y * stride + x]
            agree = seen[..., 0] * seed_cos + seen[..., 1] * seed_sin
            score += np.float32(weight) * np.clip(agree - 0.2, 0.0, 0.5).mean(axis=0)
        better = score > best
        best[better] = score[better]
        best_angle[better] = along[better]
    return ix, iy, best_angle, best


def _true_direction(reduced: NDArray[np.uint8], centre: Array, angle_rad: float) -> float:
    """Turn the strip until the band of strokes has its sharpest upper and lower limits."""
    half, cell = 256, 16
    half_height = 64
    cut = rotated_cut(reduced, centre, angle_rad, half, half, half_height).astype(np.float32)
    strokes = np.abs(cut[:, 2:] - cut[:, :-2])
    n = strokes.shape[1] // cell
    busy = np.sqrt(cv2.resize(strokes[:, : n * cell], (n, strokes.shape[0]), interpolation=cv2.INTER_AREA))
    x = (np.arange(n) - (n - 1) / 2) * cell
    slopes = np.linspace(-0.2, 0.2, 41)
    rows = np.arange(24, strokes.shape[0] - 24)
    index = np.rint(rows[None, :, None] + slopes[:, None, None] * x).astype(np.int64)
    index = np.clip(index, 0, strokes.shape[0] - 1)
    profile = busy[index, np.arange(n)].mean(axis=2)
    sharp = (np.diff(profile, axis=1) ** 2).sum(axis=1)
    return angle_rad + math.atan(float(slopes[int(np.argmax(sharp))]))


def find_strips(grey: NDArray[np.uint8], settings: StripSettings | None = None) -> list[Strip]:
    """Strips of strokes in the picture, best first, at most one within 20 px (reduced) of another alongside.

    Parameters
    ----------
    grey : uint8 array, shape (height, width)
    settings : StripSettings, optional
    """
    settings = settings or StripSettings()
    reduced, factor = reduce_grey(grey, settings.long_side_px)
    cell = settings.cell_px
    if min(reduced.shape) < 8 * cell:
        return []
    cos2, sin2 = _direction_field(reduced, cell)
    ix, iy, angle, score = _chains(cos2, sin2, settings)
    strips: list[Strip] = []
    left = score.copy()
    while len(strips) < settings.max_strips and len(left):
        i = int(np.argmax(left))
        if left[i] < 0.05:
            break
        centre = np.array([(ix[i] + 0.5) * cell - 0.5, (iy[i] + 0.5) * cell - 0.5])
        direction = _true_direction(reduced, centre, float(angle[i]))
        strips.append(
            Strip(
                centre_px=(centre + 0.5) * factor - 0.5,
                direction_rad=direction,
                score=float(score[i]),
            )
        )
        c, s = math.cos(direction), math.sin(direction)
        along = ((ix - ix[i]) * c + (iy - iy[i]) * s) * cell
        across = (-(ix - ix[i]) * s + (iy - iy[i]) * c) * cell
        turn = np.abs((angle - direction + math.pi / 2) % math.pi - math.pi / 2)
        left[(np.abs(across) < 20) & (np.abs(along) < 1.5 * settings.chain_px) & (turn < 0.5)] = -1.0
    return strips
