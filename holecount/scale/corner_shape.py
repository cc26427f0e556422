"""How round the corners of a rectangle are: a bank card's are, those of boxes, sheets and tiles are not."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.scale.known_objects import KnownObject
from holecount.scale.rectangle_pose import rectangle_mm

Array = NDArray[np.float64]

RADII_MM = np.linspace(0.0, 6.0, 25)
"""Radii tried, for an object the size of a bank card; in proportion for others. Own choice, twice a card's."""
_CARD_SHORT_MM = 53.98
"""ISO/IEC 7810, ID-1."""
_COLOUR_BLUR_PX = 1.0
"""What halved colour adds to the blur of a JPEG; it rounds any corner (derived: a box of 2 px and linear interpolation,
variances 1/3 and 2/3)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CornerShapes:
    """What each corner looks like, as two colours parted by a rounded corner.

    Attributes
    ----------
    radii_mm : shape (n,)
    log_p : shape (4, n)
        Log likelihood of each radius over no corner at all, 0 where the corner is outside the picture.
    explained : shape (4, n)
        Share of the colour variance that the two colours account for.
    """

    radii_mm: Array
    log_p: Array
    explained: Array

    def radius_mm(self) -> tuple[float, float]:
        """Radius all corners agree on best and its standard uncertainty."""
        total = self.log_p.sum(axis=0)
        p = np.exp(total - total.max())
        p /= p.sum()
        mean = float(p @ self.radii_mm)
        return mean, float(np.sqrt(max(p @ self.radii_mm**2 - mean**2, 0.0)))

    def agrees(self, known: KnownObject) -> bool:
        """Whether all corners together have this object's radius, give or take half of it, and surely are not sharp."""
        if known.corner_radius_mm is None or known.corner_radius_mm == 0:
            return False
        mean, u = self.radius_mm()
        return abs(mean - known.corner_radius_mm) < 0.5 * known.corner_radius_mm and mean > 5 * u

    def points_each(self, known: KnownObject) -> Array:
        """-6 to 6 for each corner, for looking as this object's corners do rather than sharp (or round).

        When the object's radius is not known, 0 to 6 for looking like a corner at all.
        """
        rows = np.arange(4)
        best = self.radii_mm[self.log_p.argmax(axis=1)]
        if known.corner_radius_mm is None:
            return np.where(self.log_p.max(axis=1) > 4, 6 * self.explained[rows, self.log_p.argmax(axis=1)], 0.0)
        scale = known.short_mm / _CARD_SHORT_MM
        is_round = known.corner_radius_mm > 0
        here = int(np.abs(self.radii_mm - known.corner_radius_mm).argmin())
        rival = 0 if is_round else int(np.abs(self.radii_mm - 3.2 * scale).argmin())
        gain = (self.log_p[:, here] - self.log_p[:, rival]) * self.explained[:, here if is_round else rival]
        like = (best > 1.9 * scale) & (best < 4.4 * scale) if is_round else best < 1.3 * scale
        return np.clip(np.where(like, gain, np.minimum(gain, 0.0)), -6.0, 6.0)

    def points(self, known: KnownObject) -> float:
        """All four corners' points together."""
        return float(self.points_each(known).sum())


def _outside(grid_mm: Array, radius_mm: float) -> Array:
    """Distance of points (..., 2) outside a corner at (0, 0) rounded by a radius, negative inside."""
    x, y = radius_mm - grid_mm[..., 0], radius_mm - grid_mm[..., 1]
    beyond = np.sqrt(np.maximum(x, 0) ** 2 + np.maximum(y, 0) ** 2)
    return np.asarray(beyond + np.minimum(np.maximum(x, y), 0) - radius_mm)


@lru_cache(maxsize=64)
def _patterns(step_mm: float, blur_mm: float, scale: float) -> tuple[Array, Array]:
    """Grid points (n, 2) about a corner with the face at positive x and y, and a pattern (radii, n) for each radius.

    A pattern is 1 outside, 0 on the face, blurred, less its mean. Print and stripes begin further in: only a band along
    the edge is looked at.
    """
    half = step_mm / 2
    reach = 3 * max(blur_mm, 0.8 * scale)
    n_before, n_after = int(np.ceil((0.7 * scale + reach) / step_mm)), int(np.ceil((4.6 * scale + reach) / step_mm))
    axis = np.arange(-2 * n_before, 2 * n_after + 1) * half
    fine = np.stack(np.meshgrid(axis, axis), axis=-1)
    coarse = np.abs(axis[::2] - 1.95 * scale) <= 2.65 * scale
    grid = fine[::2, ::2][coarse][:, coarse].reshape(-1, 2)
    band = _outside(grid, 5.0 * scale) > -1.3 * scale
    patterns = []
    for radius in RADII_MM * scale:
        sharp = np.clip(0.5 + _outside(fine, float(radius)) / half, 0, 1)
        soft = cv2.GaussianBlur(sharp, (0, 0), blur_mm / half, borderType=cv2.BORDER_REPLICATE)
        patterns.append(soft[::2, ::2][coarse][:, coarse].reshape(-1)[band])
    w = np.array(patterns)
    return grid[band], w - w.mean(axis=1, keepdims=True)


def corner_shapes(
    bgr: NDArray[np.uint8], to_px: Callable[[Array], Array], known: KnownObject, blur_px: float = 0.7
) -> CornerShapes:
    """Look at the four corners of a rectangle.

    Parameters
    ----------
    to_px : callable
        Takes millimetres of the face, shape (n, 2), to pixels, shape (n, 2).
    blur_px : float
        Standard deviation of the picture's blur; a blurred sharp corner is not to be taken for a round one.
    """
    scale = known.short_mm / _CARD_SHORT_MM
    mm = rectangle_mm(known.long_mm, known.short_mm)
    middle = np.array([[known.long_mm / 2, known.short_mm / 2], [known.long_mm / 2 + 1, known.short_mm / 2 + 1]])
    px_per_mm = float(np.linalg.norm(np.diff(to_px(middle), axis=0))) / np.sqrt(2.0)
    px_per_mm = float(2.0 ** (np.round(6 * np.log2(px_per_mm)) / 6))  # in steps, so that patterns serve again
    step = float(np.clip(0.8 / px_per_mm, 0.25 * scale, 0.6 * scale))
    blur_px = float(2.0 ** (np.round(3 * np.log2(max(blur_px, 0.6))) / 3))
    blurs_px = blur_px, float(np.hypot(blur_px, _COLOUR_BLUR_PX))
    (grid, w), (_, w_colour) = (_patterns(step, max(0.17 * scale, b / px_per_mm), scale) for b in blurs_px)
    power, power_colour = (w**2).sum(axis=1), (w_colour**2).sum(axis=1)
    h, width = bgr.shape[:2]
    n = len(grid)
    independent = n * min(1.0, (step * px_per_mm) ** 2)
    radii = RADII_MM * scale
    log_p, explained = np.zeros((4, len(radii))), np.zeros((4, len(radii)))
    inward = np.sign(np.array([known.long_mm, known.short_mm]) / 2 - mm)
    q = to_px((mm[:, None] + grid[None] * inward[:, None]).reshape(-1, 2)).reshape(4, n, 2)
    for k in range(4):
        inside = (q[k] >= 0).all(axis=1) & (q[k] <= [width - 1, h - 1]).all(axis=1)
        if inside.mean() < 0.95:
            continue
        m = q[k].astype(np.float32)[None]
        colour = cv2.remap(bgr, m[..., 0], m[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        c = colour.reshape(-1, 3).astype(float)
        c -= c.mean(axis=0)
        luma = c @ np.array([0.114, 0.587, 0.299])
        hue = c[:, [0, 2]] - luma[:, None]
        total = float(3 * (luma**2).sum() + (hue**2).sum())
        part = 3 * (w @ luma) ** 2 / power + ((w_colour @ hue) ** 2).sum(axis=1) / power_colour
        floor = 3.0**2 * 3 * n  # three codes of noise in each channel
        log_p[k] = np.maximum(0.25 * independent * np.log((total + floor) / (total - part + floor)), 0.0)
        explained[k] = part / max(total, 1e-9)
    return CornerShapes(radii_mm=radii, log_p=log_p, explained=explained)
