"""Straight edge pieces of a reduced picture, in brightness and in colour, and the long lines they add up to."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

N_DIRECTIONS = 12
"""Bins of 15 degrees in which `direction_map` keeps edges apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """Lines that several collinear pieces belong to.

    Attributes
    ----------
    point, direction : shape (n, 2)
        A point of each line and its unit direction.
    pieces : tuple of n arrays, shape (m, 2)
        Where along the line (px from the point) its pieces begin and end, sorted by beginning.
    length_px : shape (n,)
        Pieces added up.
    """

    point: Array
    direction: Array
    pieces: tuple[Array, ...]
    length_px: Array


def reduce_picture(bgr: NDArray[np.uint8], long_side_px: int) -> tuple[NDArray[np.uint8], float]:
    """Shrink to about ``long_side_px``, by whole factors from 2 on (fast); returns the picture and small/full scale.

    A full-size position p (pixel centres at whole numbers) is at ``(p + 0.5) * scale - 0.5`` in the small one.
    """
    h, w = bgr.shape[:2]
    factor = max(h, w) / long_side_px
    if factor >= 1.75:
        k = round(factor)
        hh, ww = h // k, w // k
        small = cv2.resize(bgr[: hh * k, : ww * k], (ww, hh), interpolation=cv2.INTER_AREA)
        return np.asarray(small, np.uint8), 1.0 / k
    if factor > 1.1:
        scale = round(w / factor) / w
        size = (round(w * scale), round(h * scale))
        return np.asarray(cv2.resize(bgr, size, interpolation=cv2.INTER_AREA), np.uint8), scale
    return bgr, 1.0


_OPPONENT = np.array([[0.07, 0.73, 0.2, 0.0], [0.17, -0.56, 0.39, 128.0], [-0.55, 0.41, 0.14, 128.0]], np.float32)
"""From blue, green and red to brightness, red against green and yellow against blue: the slopes of CIELAB at mid grey
(derived), without the tables that the exact conversion has to build first."""


def find_segments(small: NDArray[np.uint8], *, most: int = 1500) -> Array:
    """Straight edge pieces (x1, y1, x2, y2) of brightness and of both colour differences, shape (n, 4).

    Contrast is stretched first, so that a dark picture gives as many as a light one. A side that
    has no contrast in brightness (a grey-green card on a grey-brown floor) usually has some in colour.
    """
    if min(small.shape[:2]) < 16:
        return np.zeros((0, 4))
    opponent = cv2.transform(small, _OPPONENT)

    # Steps of 4 and 2 codes are the detector's idea of noise; colour is coarser (JPEG halves it), hence 0.5.
    def of_channel(k: int) -> Array:
        scale, noise_codes = ((0.8, 4.0), (0.5, 2.0), (0.5, 2.0))[k]
        lo, hi = np.percentile(opponent[::4, ::4, k], (1, 99))
        gain = 255.0 / max(hi - lo, 60.0) if k == 0 else min(4.0, max(2.0, 120.0 / max(hi - lo, 1.0)))
        offset = -lo * gain if k == 0 else 128.0 * (1.0 - gain)
        table = np.clip(np.arange(256) * gain + offset, 0, 255).astype(np.uint8)
        channel = cv2.LUT(cv2.extractChannel(opponent, k), table)
        got = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE, scale, 0.6, noise_codes).detect(channel)[0]
        return np.zeros((0, 4)) if got is None else np.asarray(got, float).reshape(-1, 4)

    with ThreadPoolExecutor(2) as both:
        all_of_them = np.vstack(list(both.map(of_channel, range(3))))
    length = np.hypot(all_of_them[:, 2] - all_of_them[:, 0], all_of_them[:, 3] - all_of_them[:, 1])
    return all_of_them[np.argsort(-length, kind="stable")[:most]]


def join_lines(
    segments: Array, *, seed_px: float = 14.0, angle_deg: float = 4.0, off_px: float = 1.5, most: int = 260
) -> Lines:
    """Join collinear pieces, longest first, into lines; pieces shorter than ``seed_px`` start none."""
    p, q = segments[:, :2], segments[:, 2:]
    d = q - p
    length = np.hypot(d[:, 0], d[:, 1])
    angle = np.arctan2(d[:, 1], d[:, 0])
    free = np.ones(len(segments), bool)
    points: list[Array] = []
    directions: list[Array] = []
    pieces: list[Array] = []
    total: list[float] = []
    for i in np.argsort(-length, kind="stable"):
        if length[i] < seed_px or len(points) >= 2 * most:
            break
        if not free[i]:
            continue
        u = d[i] / length[i]
        turn = np.abs((angle - angle[i] + np.pi / 2) % np.pi - np.pi / 2)
        idx = np.flatnonzero(free & (turn < np.radians(angle_deg)))
        rel_p, rel_q = p[idx] - p[i], q[idx] - p[i]
        along_p, along_q = rel_p @ u, rel_q @ u
        beyond = np.minimum(np.abs(along_p - length[i] / 2), np.abs(along_q - length[i] / 2)) - length[i] / 2
        allowed = off_px + 0.01 * np.maximum(beyond, 0.0)
        across = np.array([-u[1], u[0]])
        off = np.maximum(np.abs(rel_p @ across), np.abs(rel_q @ across))
        idx = idx[off < allowed]
        free[idx] = False
        ends = np.vstack([p[idx], q[idx]])
        weight = np.tile(length[idx], 2)
        centre = (ends * weight[:, None]).sum(axis=0) / weight.sum()
        rel = ends - centre
        sxx, syy, sxy = ((weight * v).sum() for v in (rel[:, 0] ** 2, rel[:, 1] ** 2, rel[:, 0] * rel[:, 1]))
        theta = 0.5 * np.arctan2(2 * sxy, sxx - syy)
        u = np.array([np.cos(theta), np.sin(theta)])
        t = np.sort(np.column_stack([(p[idx] - centre) @ u, (q[idx] - centre) @ u]), axis=1)
        points.append(centre)
        directions.append(u)
        pieces.append(t[np.argsort(t[:, 0], kind="stable")])
        total.append(float(length[idx].sum()))
    keep = np.argsort(-np.array(total), kind="stable")[:most]
    return Lines(
        point=np.array(points, float).reshape(-1, 2)[keep],
        direction=np.array(directions, float).reshape(-1, 2)[keep],
        pieces=tuple(pieces[k] for k in keep),
        length_px=np.array(total, float)[keep],
    )


def direction_map(segments: Array, width_px: int, height_px: int) -> NDArray[np.uint8]:
    """Draw the pieces at half size, each into the maps of its own direction and the two next to it.

    Returns
    -------
    uint8 array, shape (N_DIRECTIONS, height // 2 + 1, width // 2 + 1)
        1 within about 2 px of an edge of about that direction.
    """
    maps = np.zeros((N_DIRECTIONS, height_px // 2 + 1, width_px // 2 + 1), np.uint8)
    d = segments[:, 2:] - segments[:, :2]
    bins = direction_bin(d)
    ends = np.round(segments.reshape(-1, 2, 2) * 8).astype(np.int32)  # halves, in sixteenths
    for k in range(N_DIRECTIONS):
        apart = np.abs((bins - k + N_DIRECTIONS // 2) % N_DIRECTIONS - N_DIRECTIONS // 2)
        drawn = list(ends[apart <= 1])
        if drawn:
            cv2.polylines(maps[k], drawn, False, 1, 2, cv2.LINE_8, 4)
    return maps


def direction_bin(d: Array) -> NDArray[np.int64]:
    """Which map an edge of direction d (shape (..., 2)) is found in."""
    angle = np.degrees(np.arctan2(d[..., 1], d[..., 0])) % 180.0
    return np.asarray(np.round(angle / (180.0 / N_DIRECTIONS)).astype(np.int64) % N_DIRECTIONS)


def edge_share(
    maps: NDArray[np.uint8], a: Array, b: Array, *, start: float, stop: float, samples: int
) -> tuple[Array, Array]:
    """Share of the stretch from a to b (shape (..., 2)) on edges of its own direction, and share in the picture.

    ``start`` and ``stop`` are fractions of the way from a to b; they may lie beyond the ends.
    """
    t = np.linspace(start, stop, samples).reshape(-1, *(1,) * (a.ndim - 1))
    h, w = maps.shape[1:]
    x = np.rint(a[..., 0] / 2 + (b - a)[..., 0] / 2 * t).astype(np.int64)
    y = np.rint(a[..., 1] / 2 + (b - a)[..., 1] / 2 * t).astype(np.int64)
    inside = (x >= 0) & (y >= 0) & (x < w) & (y < h)
    at = direction_bin(b - a) * (h * w) + np.clip(y, 0, h - 1) * w + np.clip(x, 0, w - 1)
    hit = maps.reshape(-1)[at] * inside
    return hit.sum(axis=0) / samples, inside.sum(axis=0) / samples
