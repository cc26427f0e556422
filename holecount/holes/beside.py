"""Holes beside the row: drilled twice, or another row's. They are in no count, so the worker has to be told.

Looked at are clear marks near the row, and what lies half way between two holes where that is not as light or dark as
between their neighbours: a mark so near to two holes has no rim of its own for the finder.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.holes.find import Found
from holecount.holes.gauge import RimReading, gauge_holes, regauge
from holecount.photo import Photo
from holecount.scale.plane import Camera


@dataclass(frozen=True, slots=True, kw_only=True)
class BesideSettings:
    """When a mark beside the row is taken for a hole.

    Measured on drawn pictures, 2026-11: holes drilled twice have a score of 0.94 and more and a bore within 4 % of
    the usual one; of the screws and knots made as large as the holes few do.

    least_score, least_score_gap : of the rim model; in the middle of a gap, where a knot seldom is, less will do.
    least_arc : share of the rim in sight.
    size_rel : share by which the bore may differ from the row's.
    away_steps : distance from the row's own holes, in steps.
    off_line_steps : distance from the line through the row's holes, in steps: screws stand beside it.
    n_clear : so many marks like that, anywhere near, are holes whether they stand on the line or not.
    n_most : clearest marks that are looked at.
    room_bores : length of a gap in bores from which a third hole has room in it.
    gap_contrast : how unlike the wood between its neighbours the middle of a gap has to be, as a share of how unlike
        a hole is.
    n_gaps, n_near : most unlike gaps that are looked at; neighbours on either side that it is held against.
    n_row : holes of the row gauged along, for what a seat's holes have in common.
    """

    least_score: float = 0.9
    least_score_gap: float = 0.25
    least_arc: float = 0.7
    size_rel: float = 0.08
    away_steps: float = 0.3
    off_line_steps: float = 0.3
    n_clear: int = 4
    n_most: int = 16
    room_bores: float = 1.6
    gap_contrast: float = 0.35
    n_gaps: int = 6
    n_near: int = 5
    n_row: int = 12


def holes_beside(
    photo: Photo,
    camera: Camera,
    found: Found,
    readings: Sequence[RimReading],
    settings: BesideSettings | None = None,
) -> tuple[RimReading, ...]:
    """Marks near a closed row that have the rim and the bore of its holes and are none of them.

    Parameters
    ----------
    readings : of the row's holes.
    """
    s = settings or BesideSettings()
    if not found.closed or len(readings) < s.n_row:
        return ()
    own = camera.to_mm(np.array([[r.x_px, r.y_px] for r in readings]))
    strays = camera.to_mm(found.strays_px)
    away = np.hypot(*(strays[:, None] - own[None]).transpose(2, 0, 1)).min(axis=1)
    strays_px = found.strays_px[away > s.away_steps * found.step_mm][: s.n_most]
    gaps_px = _unlike_gaps(photo, readings, s)
    strays_px = np.vstack([gaps_px, strays_px])
    if not len(strays_px):
        return ()
    row = regauge(readings[:: len(readings) // s.n_row], camera)
    usual = float(np.median([r.diameter_mm for r in row]))
    beside_px = np.array([[r.x_px, r.y_px] for r in row])
    tried = gauge_holes(photo, camera, np.vstack([strays_px, beside_px]), usual)[: len(strays_px)]
    out: list[RimReading] = []
    for k, r in enumerate(tried):
        near = np.vstack([own, *([o.x_mm, o.y_mm] for o in out)])
        if (
            r.hole_score >= (s.least_score_gap if k < len(gaps_px) else s.least_score)
            and r.arc_seen_frac >= s.least_arc
            and abs(r.diameter_mm / usual - 1) <= s.size_rel
            and np.hypot(*(near - [r.x_mm, r.y_mm]).T).min() > s.away_steps * found.step_mm
        ):
            out.append(r)
    if len(out) >= s.n_clear:
        return tuple(out)
    line = camera.to_mm(found.xy_px)
    return tuple(r for r in out if _off_line(np.array([r.x_mm, r.y_mm]), line) <= s.off_line_steps * found.step_mm)


def _unlike_gaps(photo: Photo, readings: Sequence[RimReading], s: BesideSettings) -> NDArray[np.float64]:
    """Middles (k, 2) in px of gaps between neighbouring holes that look unlike those of the gaps around them."""
    px = np.array([[r.x_px, r.y_px] for r in readings])
    seen = [r for r in readings if np.isfinite(r.rim_px).any()]
    if not seen:
        return np.zeros((0, 2))
    usual = float(np.median([np.nanmedian(np.hypot(*(r.rim_px - [r.x_px, r.y_px]).T)) for r in seen]))
    middle = (px + np.roll(px, -1, axis=0)) / 2
    gap = np.hypot(*(np.roll(px, -1, axis=0) - px).T)
    dark, light = (_log_light(photo, at, 0.3 * usual) for at in (px, middle))
    around = np.stack([np.roll(light, k) for k in range(-s.n_near, s.n_near + 1) if k])
    unlike = np.abs(light - np.median(around, axis=0)) / max(float(np.median(np.abs(dark - light))), 1e-3)
    room = (gap > 2 * s.room_bores * usual) & (gap < 1.6 * np.median(gap))
    some = np.argsort(-np.where(room, unlike, 0.0), kind="stable")[: s.n_gaps]
    return np.asarray(middle[some[room[some] & (unlike[some] > s.gap_contrast)]])


def _log_light(photo: Photo, at_px: NDArray[np.float64], half_px: float) -> NDArray[np.float64]:
    """Logarithm of the coded light (n,) over small squares about places (n, 2)."""
    across = np.linspace(-half_px, half_px, 5)
    x = (at_px[:, 0, None, None] + across[None, None, :]).astype(np.float32) + np.zeros((1, 5, 1), np.float32)
    y = (at_px[:, 1, None, None] + across[None, :, None]).astype(np.float32) + np.zeros((1, 1, 5), np.float32)
    seen = cv2.remap(
        photo.grey,
        x.reshape(len(at_px), -1),
        y.reshape(len(at_px), -1),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(np.log(seen.astype(float).mean(axis=1) + 4.0))


def _off_line(at: NDArray[np.float64], line: NDArray[np.float64]) -> float:
    """Distance of a place (2,) from the closed line through the points (n, 2)."""
    way = np.roll(line, -1, axis=0) - line
    share = np.clip(((at - line) * way).sum(axis=1) / np.maximum((way**2).sum(axis=1), 1e-12), 0, 1)
    return float(np.hypot(*(line + share[:, None] * way - at).T).min())
