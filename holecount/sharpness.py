"""How sharp a picture is: the blur of its sharpest edges, from profiles across them."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.photo import Photo


@dataclass(frozen=True, slots=True, kw_only=True)
class Sharpness:
    """Blur of the sharpest edges, as one standard deviation in pixels.

    ``best_px`` and ``worst_px`` are those of the sharpest and the most blurred direction; all None
    where the picture has too few edges.
    """

    blur_px: float | None
    best_px: float | None
    worst_px: float | None


_HALF_LENGTH_PX, _STEP_PX = 16.0, 0.5
"""How far a profile reaches to either side of its edge, and its sampling. Own choice: room for blurs up to 5 px."""
_LEAST_CONTRAST = 30.0
"""Grey levels across an edge that is used. Own choice: well above noise."""
_FINE_PX, _COARSE_PX = 1.0, 3.0
"""Standard deviations of the two blurs a profile gets. Own choice: either side of the blurs of interest."""
_OWN_VARIANCE_PX2 = 0.2
"""What sampling adds to the variance of an edge: a pixel's width (1/12), bilinear interpolation (on
average 1/12) and the difference taken over one step (0.5^2/12). Derived."""


def sharpness_of(photo: Photo) -> Sharpness:
    """Blur of the sharpest edges of the picture, from profiles across them at full resolution.

    Each profile is blurred again by two known amounts: an edge of blur s that is blurred by a has its
    steepest slope in proportion to 1 / sqrt(s^2 + a^2), so the two slopes tell s whatever the contrast.
    The sharpest fifth of the edges tells the lens and the hand; the others are round or shadows.
    """
    grey = photo.grey
    points, directions = _edges(grey)
    if len(points) == 0:
        return Sharpness(blur_px=None, best_px=None, worst_px=None)
    blur, ok = _profile_blur(grey, points, directions)
    blur, angle = blur[ok], np.arctan2(directions[ok, 1], directions[ok, 0])
    if len(blur) < 20:
        return Sharpness(blur_px=None, best_px=None, worst_px=None)
    sector = np.round(angle / (np.pi / 4)).astype(int) % 4
    by_direction = [float(np.quantile(blur[sector == k], 0.2)) for k in range(4) if (sector == k).sum() >= 15]
    return Sharpness(
        blur_px=float(np.quantile(blur, 0.2)),
        best_px=min(by_direction, default=None),
        worst_px=max(by_direction, default=None),
    )


def _edges(grey: NDArray[np.uint8]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Strong edges spread over the picture: points (n, 2) in pixels and unit directions across them (n, 2)."""
    factor = min(1.0, 1000.0 / max(grey.shape))
    small = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA) if factor < 1 else grey
    small = cv2.GaussianBlur(small, (0, 0), 1.0)
    gx, gy = cv2.Sobel(small, cv2.CV_32F, 1, 0), cv2.Sobel(small, cv2.CV_32F, 0, 1)
    strength = np.hypot(gx, gy)
    cell = 24
    points, directions = [], []
    for top in range(cell // 2, small.shape[0] - cell, cell):
        for left in range(cell // 2, small.shape[1] - cell, cell):
            block = strength[top : top + cell, left : left + cell]
            row, column = np.unravel_index(int(block.argmax()), block.shape)
            y, x = top + int(row), left + int(column)
            g = float(strength[y, x])
            if g > 40.0:  # About 5 grey levels a pixel of the reduced picture (Sobel weighs 8).
                points.append(((x + 0.5) / factor - 0.5, (y + 0.5) / factor - 0.5))
                directions.append((gx[y, x] / g, gy[y, x] / g))
    return np.array(points, float).reshape(-1, 2), np.array(directions, float).reshape(-1, 2)


def _profile_blur(
    grey: NDArray[np.uint8], points: NDArray[np.float64], directions: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Blur in pixels at each edge (n,), and which of them can be used."""
    t = np.arange(-_HALF_LENGTH_PX, _HALF_LENGTH_PX + _STEP_PX / 2, _STEP_PX)
    along = np.column_stack([-directions[:, 1], directions[:, 0]])
    mean = np.zeros((len(points), len(t)), np.float32)
    beside = np.arange(-2, 3)
    for k in beside:
        x = points[:, :1] + k * along[:, :1] + t * directions[:, :1]
        y = points[:, 1:] + k * along[:, 1:] + t * directions[:, 1:]
        mean += cv2.remap(
            grey, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        ).astype(np.float32)
    profile = np.asarray(mean / len(beside), np.float32)
    fine, fine_at = _steepest(profile, _FINE_PX)
    coarse, coarse_at = _steepest(profile, _COARSE_PX)
    ratio2 = (fine / np.maximum(coarse, 1e-6)) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        blur2 = (_COARSE_PX**2 - ratio2 * _FINE_PX**2) / (ratio2 - 1.0) - _OWN_VARIANCE_PX2
    blur = np.sqrt(np.clip(np.nan_to_num(blur2, nan=0.0, posinf=0.0), 0.01, None))
    contrast = coarse * np.sqrt(2 * np.pi * (np.minimum(blur, 10.0) ** 2 + _COARSE_PX**2))
    ok = (contrast >= _LEAST_CONTRAST) & (ratio2 > 1.05) & (np.abs(fine_at - coarse_at) * _STEP_PX <= 2.0)
    return blur, ok & (profile.max(axis=1) < 250)


def _steepest(profile: NDArray[np.float32], blur_px: float) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Greatest rise per pixel of each profile (n, samples) blurred by ``blur_px``, and at which sample."""
    smooth = cv2.GaussianBlur(profile, (0, 0), sigmaX=blur_px / _STEP_PX, sigmaY=1e-6, borderType=cv2.BORDER_REPLICATE)
    slope = np.diff(smooth, axis=1)[:, 8:-8] / _STEP_PX
    return np.asarray(slope.max(axis=1), np.float64), np.asarray(slope.argmax(axis=1), np.int64)
