"""The seat seen flat: a reduced picture in plane millimetres, for finding only.

Seen flat, every rim is a circle of its true size whatever the tilt, so one set of
filters fits all holes. Nothing is measured here: the gauge goes back to the photograph.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.photo import Photo
from holecount.scale.plane import Camera

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatSettings:
    """Size of the flat picture.

    mm_per_px : sampling; the smallest bores (about 3.5 mm) keep 3.5 px radius at 0.5 (sane 0.3 to 0.8).
    half_side_mm : half the side of the square looked at round the picture's middle; seats are up to
        about 500 mm across (common practice, no source), so 360 leaves room for poor aim.
    """

    mm_per_px: float = 0.5
    half_side_mm: float = 360.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatPicture:
    """Log brightness of the plane, with y up in millimetres and rows downwards.

    Attributes
    ----------
    log_light : float32 array, shape (rows, cols)
        Natural logarithm of the coded grey value (+8), so that shading becomes an offset.
    inside : bool array, shape (rows, cols)
        Where the photograph has something to show.
    left_mm, top_mm : float
        Plane coordinates of pixel (0, 0).
    mm_per_px : float
    """

    log_light: NDArray[np.float32]
    inside: NDArray[np.bool_]
    left_mm: float
    top_mm: float
    mm_per_px: float

    def to_mm(self, flat_px: Array) -> Array:
        """Flat-picture pixels (n, 2) to plane mm (n, 2)."""
        return np.column_stack(
            [self.left_mm + flat_px[:, 0] * self.mm_per_px, self.top_mm - flat_px[:, 1] * self.mm_per_px]
        )

    def to_flat_px(self, xy_mm: Array) -> Array:
        """Plane mm (n, 2) to flat-picture pixels (n, 2)."""
        return np.column_stack([(xy_mm[:, 0] - self.left_mm), (self.top_mm - xy_mm[:, 1])]) / self.mm_per_px


_GRID = 49
"""Nodes a side at which the lens is followed exactly, straight between them. Own choice."""


def flatten(photo: Photo, camera: Camera, settings: FlatSettings | None = None) -> FlatPicture:
    """Draw the flat picture of the part of the plane the photograph shows."""
    s = settings or FlatSettings()
    w, h = photo.width_px, photo.height_px
    middle = camera.to_mm(np.array([[(w - 1) / 2, (h - 1) / 2]]))[0]
    xs, ys = np.linspace(0, w - 1, 9), np.linspace(0, h - 1, 9)
    border = np.array([(x, y) for x in xs for y in (0, h - 1)] + [(x, y) for y in ys for x in (0, w - 1)])
    seen = camera.to_mm(border)
    lo = np.maximum(seen.min(axis=0), middle - s.half_side_mm)
    hi = np.minimum(seen.max(axis=0), middle + s.half_side_mm)
    cols, rows = (max(2, int(v)) for v in (hi - lo) / s.mm_per_px)
    # The plane-to-photo map is smooth: computed on a coarse grid, enlarged for every pixel.
    gx, gy = np.meshgrid(
        lo[0] + np.linspace(0, cols - 1, _GRID) * s.mm_per_px, hi[1] - np.linspace(0, rows - 1, _GRID) * s.mm_per_px
    )
    px = camera.to_px(np.column_stack([gx.ravel(), gy.ravel()]))
    px_per_mm = float(np.linalg.norm(np.diff(camera.to_px(np.array([middle, middle + np.array([1.0, 0.0])])), axis=0)))
    shrink = max(1, int(px_per_mm * s.mm_per_px + 0.35))
    source = photo.bgr
    if shrink > 1:
        source = np.asarray(cv2.resize(source, (w // shrink, h // shrink), interpolation=cv2.INTER_AREA), np.uint8)
    grey = cv2.cvtColor(source, cv2.COLOR_BGR2GRAY)
    coarse = (((px + 0.5) / shrink - 0.5).astype(np.float32)).reshape(_GRID, _GRID, 2)
    # cv2.resize samples at pixel centres; stretch so that the grid's end nodes fall on the end pixels.
    stretch = np.array([[(cols - 1) / (_GRID - 1), 0.0, 0.0], [0.0, (rows - 1) / (_GRID - 1), 0.0]], np.float64)
    full = cv2.warpAffine(coarse, stretch, (cols, rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    flat = cv2.remap(grey, full, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    inside = (
        (full[..., 0] >= 0)
        & (full[..., 0] <= grey.shape[1] - 1)
        & (full[..., 1] >= 0)
        & (full[..., 1] <= grey.shape[0] - 1)
    )
    table = np.log(np.arange(256, dtype=np.float32) + 8.0)
    return FlatPicture(
        log_light=np.asarray(cv2.LUT(flat, table), np.float32),
        inside=np.asarray(inside),
        left_mm=float(lo[0]),
        top_mm=float(hi[1]),
        mm_per_px=s.mm_per_px,
    )
