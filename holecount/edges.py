"""Sub-pixel brightness along rays: windows of the photograph read in linear light.

The photograph is never resampled as a whole. Each point asked for is read by
bilinear interpolation in a small window round its hole, brought to linear light
first and, where the sampling step is far above a pixel, box-averaged to about
the step.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.photo import LINEAR_FROM_SRGB, Photo
from holecount.scale.plane import Camera

Array = NDArray[np.float64]
Rays = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalMap:
    """Plane millimetres to pixels near n places, to second order.

    Attributes
    ----------
    origin_px : shape (n, 2)
    first : shape (n, 2, 2)
        Columns: pixels per millimetre along the local axes.
    second : shape (n, 2, 3)
        Pixels per square millimetre with x^2, x y and y^2.
    px_per_mm : shape (n,)
        Geometric mean over directions.
    """

    origin_px: Array
    first: Array
    second: Array
    px_per_mm: Array

    def to_px(self, local_mm: Rays) -> Rays:
        """Points (n, m, 2) in mm along the local axes to pixels less the origin, shape (2, n, m): x, then y."""
        x, y = np.ascontiguousarray(local_mm[..., 0]), np.ascontiguousarray(local_mm[..., 1])
        f, s = self.first.astype(np.float32)[:, :, :, None], self.second.astype(np.float32)[:, :, :, None]
        return np.stack(
            [(f[:, k, 0] + s[:, k, 0] * x + s[:, k, 1] * y) * x + (f[:, k, 1] + s[:, k, 2] * y) * y for k in (0, 1)]
        )


def local_map(camera: Camera, centres_mm: Array, turn_rad: Array, reach_mm: float) -> LocalMap:
    """Quadratic maps round places of the plane, exact at nine points out to ``reach_mm``.

    Parameters
    ----------
    centres_mm : shape (n, 2)
    turn_rad : shape (n,)
        Direction of the local x axis, from plane x towards plane y.
    """
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    ex, ey = np.stack([c, s], axis=1) * reach_mm, np.stack([-s, c], axis=1) * reach_mm
    at = {(i, j): camera.to_px(centres_mm + i * ex + j * ey) for i in (-1, 0, 1) for j in (-1, 0, 1)}
    middle = at[0, 0]
    first = np.stack([at[1, 0] - at[-1, 0], at[0, 1] - at[0, -1]], axis=2) / (2 * reach_mm)
    second = np.stack(
        [
            (at[1, 0] + at[-1, 0] - 2 * middle) / 2,
            (at[1, 1] - at[1, -1] - at[-1, 1] + at[-1, -1]) / 4,
            (at[0, 1] + at[0, -1] - 2 * middle) / 2,
        ],
        axis=2,
    ) / reach_mm**2  # fmt: skip
    scale = np.sqrt(np.abs(first[:, 0, 0] * first[:, 1, 1] - first[:, 0, 1] * first[:, 1, 0]))
    return LocalMap(origin_px=middle, first=first, second=second, px_per_mm=scale)


def read_linear(
    photo: Photo, places: LocalMap, local_mm: Rays, block: NDArray[np.int64]
) -> tuple[Rays, NDArray[np.bool_]]:
    """Linear light at points round each place.

    Parameters
    ----------
    local_mm : shape (n, rows, cols, 2)
        Along the local axes of ``places``.
    block : shape (n,)
        The window is averaged over whole blocks of this many pixels before it is read.

    Returns
    -------
    light : float32 array, shape (n, rows, cols, 3)
        Red, green, blue, 0..1. Points outside the picture repeat its border.
    inside : bool array, shape (n, rows, cols)
        Whether the point lies in the picture.
    """
    n, rows, cols = local_mm.shape[:3]
    dx, dy = places.to_px(local_mm.reshape(n, rows * cols, 2))
    light = np.empty((n, rows, cols, 3), np.float32)
    w, h = photo.width_px, photo.height_px
    left, right = dx.min(axis=1) + places.origin_px[:, 0], dx.max(axis=1) + places.origin_px[:, 0]
    top, bottom = dy.min(axis=1) + places.origin_px[:, 1], dy.max(axis=1) + places.origin_px[:, 1]
    inside = np.ones((n, rows, cols), np.bool_)
    for i in range(n):
        ox, oy = float(places.origin_px[i, 0]), float(places.origin_px[i, 1])
        k = int(block[i])
        x0 = min(max(math.floor(left[i]) - k, 0), w - 2)
        y0 = min(max(math.floor(top[i]) - k, 0), h - 2)
        x1 = max(min(math.ceil(right[i]) + k + 1, w), x0 + 2)
        y1 = max(min(math.ceil(bottom[i]) + k + 1, h), y0 + 2)
        window = LINEAR_FROM_SRGB[photo.bgr[y0:y1, x0:x1]]
        if k > 1 and min(window.shape[:2]) >= 4 * k:
            r, c = window.shape[0] // k, window.shape[1] // k
            window = np.asarray(cv2.resize(window[: r * k, : c * k], (c, r), interpolation=cv2.INTER_AREA), np.float32)
        else:
            k = 1
        u = (dx[i] + np.float32(ox - x0 - (k - 1) / 2)) / np.float32(k)
        v = (dy[i] + np.float32(oy - y0 - (k - 1) / 2)) / np.float32(k)
        read = cv2.remap(
            window, u.reshape(rows, cols), v.reshape(rows, cols), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        light[i] = read[..., ::-1]
        if left[i] < 0 or top[i] < 0 or right[i] > w - 1 or bottom[i] > h - 1:
            x, y = (dx[i] + ox).reshape(rows, cols), (dy[i] + oy).reshape(rows, cols)
            inside[i] = (x >= 0) & (x <= w - 1) & (y >= 0) & (y <= h - 1)
    return light, inside
