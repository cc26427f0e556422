"""The second graduated edge of a ruler, looked for along the geometry of the first.

Where strokes are followed on their own a second edge may be missed: its finest marks run together, or it is
darker or out of focus. From the first edge scale, perspective and the strokes' direction are known over the whole
face; what is open is only where across it strokes stand, and of which division.
"""

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.scale.lattice import Ruling, fit_period_map, half_height_px
from holecount.scale.ruler_edge import Edge, across_scale, periods_at
from holecount.scale.strips import rotated_cut
from holecount.scale.strokes import LONG_PERIOD_MM, System

Array = NDArray[np.float64]

_PER_LONG: dict[System, tuple[int, ...]] = {"mm": (10, 2), "inch": (16, 8, 4)}
"""Marks in a long period whose spacing is looked for: each a number of periods that readings know of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OppositeSettings:
    """How the second edge is looked for.

    Attributes
    ----------
    across_mm : tuple of float
        Where its strokes' middles may lie, from the first edge inwards: 10 mm of free face to a ruler of 50 mm
        (common practice, no source).
    band_mm : float
        Rows taken together: about the length of the shortest strokes (common practice, no source).
    min_spacing_px : float
        Marks closer than this are not looked for (two pixels is the sampling limit).
    min_share : float
        Least share of the band's fine structure at one spacing for it to be handed on (0.03 to 0.2; strokes as
        fine as the blur leave 0.1; measured on the sample set, 2026-11).
    """

    across_mm: tuple[float, float] = (10.0, 50.0)
    band_mm: float = 2.5
    min_spacing_px: float = 2.1
    min_share: float = 0.05


def opposite_ruling(grey: NDArray[np.uint8], edge: Edge, settings: OppositeSettings | None = None) -> Ruling | None:
    """Strokes opposite an edge, as a ruling with one of their own spacings as its period; None when there are none.

    Parameters
    ----------
    grey : uint8 array, shape (height, width)
        The picture the edge was read in.
    edge : Edge
    settings : OppositeSettings, optional
    """
    settings = settings or OppositeSettings()
    r, g, scale = edge.ruling, edge.graduation, edge.px_per_mm
    low, high = (edge.outer_row + g.inward * v * scale for v in settings.across_mm)
    rows = np.arange(min(low, high), max(low, high) + 1.0)
    mm = np.arange(edge.along_mm.min() - 3.0, edge.along_mm.max() + 3.0, 0.9 / scale)
    feet = r.map.place(periods_at(edge, mm))
    slant = r.shear[0] + r.shear[1] * (feet - r.map.x0)

    # Edges that are parallel on the ruler draw together with the distance.
    scaled = across_scale(np.abs(r.map.rate(feet)))
    below = rows[:, None] * scaled
    x = feet + below * slant
    y = np.polyval(r.line, x) + below
    px = r.to_px(x.ravel(), y.ravel()).astype(np.float32).reshape((*x.shape, 2))
    face = cv2.remap(grey, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    fine = face.astype(np.float32)
    fine = fine - np.asarray(cv2.blur(fine, (2 * math.ceil(6.5 / 0.9) + 1, 1)), np.float32)
    band = max(3, round(settings.band_mm * scale))
    power = cv2.blur((fine**2).mean(axis=1)[:, None], (1, band))[:, 0] + 1.0
    fine = np.asarray(cv2.blur(fine, (1, band)), np.float32)
    best: tuple[float, int, float, complex] | None = None
    for system, numbers in _PER_LONG.items():
        long = LONG_PERIOD_MM[system]
        for n in numbers:
            if long / n * scale < settings.min_spacing_px:
                continue
            # The longest strokes alone are as strong at the neighbouring numbers; marks at this spacing are not.
            waves = np.exp(-2j * np.pi * np.outer(mm, np.array([n, n - 1, n + 1])) / long) / len(mm)
            z = fine @ waves.astype(np.complex64)
            strength = np.abs(z) ** 2
            share = 2 * (strength[:, 0] - strength[:, 1:].max(axis=1)) / power
            k = int(np.argmax(share))
            if best is None or share[k] > best[0]:
                best = (float(share[k]), k, long / n, complex(z[k, 0]))
    if best is None or best[0] < settings.min_share:
        return None
    _, k, spacing, z0 = best
    # Brightest at whole periods, as where strokes are followed.
    periods = np.asarray(mm / spacing + float(np.angle(z0)) / (2 * np.pi))
    return _recut(grey, edge, float(rows[k]) * scaled, feet, slant, periods)


def _recut(grey: NDArray[np.uint8], edge: Edge, rows: Array, feet: Array, slant: Array, periods: Array) -> Ruling:
    """The ruling whose line runs ``rows`` (one for each foot) below an edge's, with its own cut of the picture."""
    r = edge.ruling

    def px_at(below: Array) -> Array:
        x = feet + below * slant
        return r.to_px(x, np.asarray(np.polyval(r.line, x) + below, np.float64))

    line, next_line = px_at(rows), px_at(rows + 10.0)
    ends = line[-1] - line[0]
    direction = math.atan2(ends[1], ends[0])
    c, s = math.cos(direction), math.sin(direction)
    half = half_height_px(grey.shape)
    spare = 4 * round(edge.px_per_mm) + 40
    length = math.ceil(float(np.hypot(*ends)))
    cut = rotated_cut(grey, line[0], direction, spare, length + spare, half)
    origin = line[0] - spare * np.array([c, s]) - half * np.array([-s, c])

    def in_cut(px: Array) -> tuple[Array, Array]:
        d = px - origin
        return d @ np.array([c, s]), d @ np.array([-s, c])

    (x, y), (x_next, y_next) = in_cut(line), in_cut(next_line)
    x0, reach = float(0.5 * (x[0] + x[-1])), float(0.5 * (x[-1] - x[0]))
    lean = np.polyfit(x - x0, (x_next - x) / (y_next - y), 1)[::-1]
    return replace(
        r,
        cut=cut,
        origin_px=origin,
        direction_rad=direction,
        map=fit_period_map(x, periods, np.ones(len(x)), x0, reach, True),
        line=np.polyfit(x, y, 2 if len(r.line) > 2 else 1),
        shear=lean.copy(),
        first_column=max(0.0, float(x[0])),
        last_column=min(cut.shape[1] - 1.0, float(x[-1])),
    )
