"""Sub-pixel brightness along rays: windows of the photograph read in linear light.

The photograph is never resampled as a whole. Each point asked for is read by
bilinear interpolation in a small window round its hole, brought to linear light
first and, where the sampling step is far above a pixel, box-averaged to about
the step.
"""

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.photo import LINEAR_FROM_SRGB, Photo
from holecount.scale.plane import Camera

Array = NDArray[np.float64]
Rays = NDArray[np.float32]


def polar_points_px(camera: Camera, centres_mm: Array, angles_rad: Array, radii_mm: Array) -> Array:
    """Pixels of points on rays in the plane.

    Parameters
    ----------
    centres_mm : shape (n, 2)
    angles_rad : shape (n, rays)
        From plane x towards plane y.
    radii_mm : shape (n, radii)

    Returns
    -------
    array, shape (n, rays, radii, 2)
    """
    ray = np.stack([np.cos(angles_rad), np.sin(angles_rad)], axis=-1)
    mm = centres_mm[:, None, None, :] + ray[:, :, None, :] * radii_mm[:, None, :, None]
    return camera.to_px(mm.reshape(-1, 2)).reshape(mm.shape)


def read_linear(photo: Photo, points_px: Array, step_px: Sequence[float] | Array) -> tuple[Rays, NDArray[np.bool_]]:
    """Linear light at points, hole by hole.

    Parameters
    ----------
    points_px : shape (n, ..., 2)
        (x, y) of each hole's points.
    step_px : length n
        Distance between neighbouring points; from 1.5 px on the window is averaged over
        whole blocks of about that size before it is read.

    Returns
    -------
    light : float32 array, shape (n, ..., 3)
        Blue, green, red, 0..1. Points outside the picture repeat its border.
    inside : bool array, shape (n, ...)
        Whether the point lies in the picture.
    """
    n = len(points_px)
    light = np.zeros((*points_px.shape[:-1], 3), np.float32)
    w, h = photo.width_px, photo.height_px
    x, y = points_px[..., 0], points_px[..., 1]
    inside = (x >= 0) & (x <= w - 1) & (y >= 0) & (y <= h - 1)
    for i in range(n):
        block = max(1, round(float(step_px[i]) / 1.5 + 0.17))
        x0 = min(max(math.floor(float(x[i].min())) - 1, 0), w - 2)
        y0 = min(max(math.floor(float(y[i].min())) - 1, 0), h - 2)
        x1 = max(min(math.ceil(float(x[i].max())) + 2, w), x0 + 2)
        y1 = max(min(math.ceil(float(y[i].max())) + 2, h), y0 + 2)
        window = LINEAR_FROM_SRGB[photo.bgr[y0:y1, x0:x1]]
        if block > 1 and min(window.shape[:2]) >= 4 * block:
            rows, cols = window.shape[0] // block, window.shape[1] // block
            whole = window[: rows * block, : cols * block]
            window = np.asarray(cv2.resize(whole, (cols, rows), interpolation=cv2.INTER_AREA), np.float32)
        else:
            block = 1
        u = (x[i] - x0 - (block - 1) / 2) / block
        v = (y[i] - y0 - (block - 1) / 2) / block
        flat = cv2.remap(
            window,
            u.reshape(len(u), -1).astype(np.float32),
            v.reshape(len(v), -1).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        light[i] = flat.reshape(light[i].shape)
    return light, inside


def outermost_crossing(profiles: Rays, radii: Array, level: Array, start: int) -> Array:
    """Where profiles first fall below a level, coming from outside.

    Parameters
    ----------
    profiles : shape (..., radii)
    radii : shape (..., radii) or (radii,)
    level : shape (...)
    start : int
        Index of the outermost radius looked at.

    Returns
    -------
    array, shape (...)
        Radius by linear interpolation; nan where the level is not crossed. A dip of a single
        sample does not count.
    """
    below = profiles[..., : start + 1] < level[..., None]
    pair = below[..., 1:] & below[..., :-1]
    last = pair.shape[-1] - 1 - np.argmax(pair[..., ::-1], axis=-1) + 1
    found = pair.any(axis=-1) & (last < start)
    last = np.minimum(last, profiles.shape[-1] - 2)
    r = np.broadcast_to(radii, profiles.shape)

    def at(a: NDArray[np.floating], k: NDArray[np.int64]) -> Array:
        return np.asarray(np.take_along_axis(a, k[..., None], axis=-1)[..., 0], float)

    p0, p1 = at(profiles, last), at(profiles, last + 1)
    t = np.clip((level - p0) / np.where(p1 > p0, p1 - p0, 1.0), 0, 1)
    r0, r1 = at(r, last), at(r, last + 1)
    return np.where(found, r0 + t * (r1 - r0), np.nan)
