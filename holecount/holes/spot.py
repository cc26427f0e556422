"""Where holes may be: round marks with an edge all round, seen flat. Recall first; the row decides later."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.holes.flat import FlatPicture

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotSettings:
    """What a hole may look like from above.

    radii_mm : radii at which edges vote; bores are 1/8 to 5/16 in (3.2 to 8 mm: trade charts) and up to 9 mm worn.
    rim_radius_mm : range in which a rim is looked for.
    seen_quantile : share of rim rays that may lack the edge (floor shining through, old cane).
    bright_vote : weight of an edge's vote for its brighter side.
    edge_floor : slopes (log light per flat pixel) between which the least edge that votes is kept, else the steepest
        tenth of the picture votes (rims of the sample set have 0.15 to 0.6, faint ones 0.09, 2026-11): before a
        patterned rug the rims themselves must not fall short.
    n_most : candidates kept, strongest first.
    """

    radii_mm: tuple[float, ...] = (2.0, 2.7, 3.5, 4.5)
    rim_radius_mm: tuple[float, float] = (1.4, 4.9)
    seen_quantile: float = 0.38
    bright_vote: float = 0.7
    edge_floor: tuple[float, float] = (0.012, 0.06)
    n_most: int = 700


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidates:
    """Marks that may be holes, strongest rim first.

    Attributes
    ----------
    xy_mm : float array, shape (n, 2)
    rim : float array, shape (n,)
        Edge evidence: the step in log light that all but ``seen_quantile`` of the rays show at one
        radius, less the unrest around it. Open holes on light wood have about 1, faint ones 0.1.
    radius_mm : float array, shape (n,)
        Where that edge is steepest: rough.
    """

    xy_mm: Array
    rim: Array
    radius_mm: Array


_N_RAYS = 24
"""Rays round a place. Own choice."""
_STEP_MM = 0.25
"""Between samples along a ray. Own choice."""
_HALF_SPAN = 3
"""In steps: the edge is the drop over 1.5 mm, as wide as rims are rounded (sample set, 2026-11)."""


def rim_evidence(flat: FlatPicture, xy_mm: Array, settings: SpotSettings | None = None) -> tuple[Array, Array]:
    """Edge evidence (n,) and rough radius in mm (n,) of circles centred at ``xy_mm`` (n, 2)."""
    s = settings or SpotSettings()
    n = len(xy_mm)
    if n == 0:
        return np.zeros(0), np.zeros(0)
    radii = np.arange(0.5, 6.5 + 1e-6, _STEP_MM)
    angle = np.arange(_N_RAYS) * 2 * np.pi / _N_RAYS
    at = flat.to_flat_px(xy_mm)
    x = (at[:, 0, None, None] + np.cos(angle)[None, :, None] * radii / flat.mm_per_px).astype(np.float32)
    y = (at[:, 1, None, None] + np.sin(angle)[None, :, None] * radii / flat.mm_per_px).astype(np.float32)
    light = cv2.remap(
        flat.log_light, x.reshape(n, -1), y.reshape(n, -1), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).reshape(x.shape)
    drop = light[:, :, 2 * _HALF_SPAN :] - light[:, :, : -2 * _HALF_SPAN]
    at_mm = radii[_HALF_SPAN:-_HALF_SPAN]
    use = (at_mm >= s.rim_radius_mm[0]) & (at_mm <= s.rim_radius_mm[1])
    # Either sign: a rim of raw wood or a lit floor can be brighter than the face on one side and darker on the other.
    common = np.sort(np.abs(drop[:, :, use]), axis=1)[:, int(_N_RAYS * s.seen_quantile)]
    unrest = light[:, :, radii > 5.0].std(axis=(1, 2)) + 0.03
    return common.max(axis=1) - unrest, at_mm[use][common.argmax(axis=1)]


def spot(flat: FlatPicture, settings: SpotSettings | None = None) -> Candidates:
    """All marks of the right size, dark or bright inside, with their rim evidence.

    Radial voting alone: a blob filter beside it found nothing more (36 sample and 60 drawn pictures, 2026-11).
    """
    s = settings or SpotSettings()
    usable = cv2.erode(flat.inside.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    xy = flat.to_mm(_rim_votes(flat.log_light, usable, flat.mm_per_px, s))
    rim, radius_mm = rim_evidence(flat, xy, s)
    order = np.argsort(-rim, kind="stable")
    order = order[_apart(xy[order], 2.5)][: s.n_most]
    return Candidates(xy_mm=xy[order], rim=rim[order], radius_mm=radius_mm[order])


def _rim_votes(light: NDArray[np.float32], usable: NDArray[np.bool_], mm_per_px: float, s: SpotSettings) -> Array:
    """Centres (n, 2) in flat pixels that most edges point at, at one radius.

    Radial voting: every edge element votes for the place one radius away on its darker side, and less for that
    on its brighter side. Unlike a
    blob's middle it is not drawn to the bright crescent of floor or the lit far wall seen through a hole.
    """
    smooth = cv2.GaussianBlur(light, (0, 0), 1.0)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / 8)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / 8)
    size = cv2.magnitude(gx, gy)
    sample = size[::4, ::4]
    floor = float(np.clip(np.quantile(sample, 0.9), *s.edge_floor))
    row, col = np.nonzero((size > floor) & usable)
    strength = size[row, col]
    ux, uy = gx[row, col] / strength, gy[row, col] / strength
    # Strong edges (glare against black) count little more than middling ones: evenness round the rim matters.
    strength = np.minimum(strength, 4 * floor)
    height, width = light.shape
    best = np.zeros(light.shape, np.float32)
    for radius in s.radii_mm:
        reach = radius / mm_per_px
        votes = np.zeros(height * width)
        for side, share in ((-reach, 1.0), (reach, s.bright_vote)):
            x = np.rint(col + ux * side).astype(np.int64)
            y = np.rint(row + uy * side).astype(np.int64)
            ok = (x >= 0) & (x < width) & (y >= 0) & (y < height)
            votes += np.bincount(y[ok] * width + x[ok], weights=share * strength[ok], minlength=height * width)
        votes = cv2.GaussianBlur(votes.reshape(height, width).astype(np.float32), (0, 0), 1.3)
        np.maximum(best, votes / np.float32(radius), out=best)
    peak = (best >= cv2.dilate(best, np.ones((5, 5), np.uint8))) & (best > 0) & usable
    row, col = np.nonzero(peak)
    strongest = np.argsort(-best[row, col], kind="stable")[: s.n_most]
    return np.column_stack([col, row])[strongest].astype(float)


def _apart(xy_mm: Array, least_mm: float) -> NDArray[np.int64]:
    """Indices to keep so that no two points are nearer than ``least_mm``; earlier points win."""
    cell: dict[tuple[int, int], list[int]] = {}
    keep: list[int] = []
    for i, (x, y) in enumerate(xy_mm):
        cx, cy = int(np.floor(x / least_mm)), int(np.floor(y / least_mm))
        near = (k for dx in (-1, 0, 1) for dy in (-1, 0, 1) for k in cell.get((cx + dx, cy + dy), ()))
        if all((xy_mm[k, 0] - x) ** 2 + (xy_mm[k, 1] - y) ** 2 >= least_mm**2 for k in near):
            cell.setdefault((cx, cy), []).append(i)
            keep.append(i)
    return np.array(keep, int)
