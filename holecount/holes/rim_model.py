"""What a rim's brightness says about its bore: a small network learned on drawn rims.

The rim of an old bore is rounded and runs smoothly into the wall, so no level
or steepest place of a profile is the bore. How light falls off across the
rounding, the wall and the limb tells the rounding, and that tells the bore;
the relation was learned on path-traced rims of all kinds (docs/rim-model.md
has the recipe). Everything is in units of a reference radius, in a frame
whose first axis is the horizontal run of the line of sight, away from the lens.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

N_RAYS = 32
"""Rays round a hole (fixed by the network)."""

RADII: Floats = np.linspace(0.15, 2.1, 48, dtype=np.float32)
"""Radii of the polar patch in reference radii (fixed by the network)."""

COARSE: Floats = np.linspace(-2.2, 2.2, 32, dtype=np.float32)
"""Grid of the coarse patch along each axis in reference radii (fixed by the network)."""

FACE_FROM = 1.55
"""The face's own brightness is taken beyond this radius."""

LUMA: Floats = np.array([0.2126, 0.7152, 0.0722], np.float32)
"""Luminance of linear sRGB, red first (ITU-R BT.709)."""

_RINGS = (1, 2, 4, 8)
_MODEL_FILE = Path(__file__).with_name("rim_model.npz")


@dataclass(frozen=True, slots=True, kw_only=True)
class Rims:
    """Answers of the network for n holes, in reference radii.

    Attributes
    ----------
    ray_radius, ray_scale, ray_seen : shape (n, rays)
        Radius of the bore's circle along each ray, typical error of it, chance that it is in sight.
    correction : shape (n,)
        To be added to the radius of the circle through those points.
    u_own, u_centre : shape (n,)
        One standard uncertainty of radius (own) and of the centre along an axis.
    u_shared : float
        Of the radius, common to all holes given together.
    chamfer : shape (n,)
    hole, blocked : shape (n,)
        Chances.
    """

    ray_radius: Array
    ray_scale: Array
    ray_seen: Array
    correction: Array
    u_own: Array
    u_centre: Array
    u_shared: float
    chamfer: Array
    hole: Array
    blocked: Array


@lru_cache(maxsize=1)
def _weights() -> dict[str, Floats]:
    with np.load(_MODEL_FILE) as stored:
        return {k: stored[k].astype(np.float32) for k in stored.files}


def _relu(x: Floats) -> Floats:
    return np.maximum(x, np.float32(0), out=x)


def _dense(x: Floats, name: str) -> Floats:
    w = _weights()
    return np.asarray(x @ w[name + ".weight"] + w[name + ".bias"], np.float32)


def _chance(x: Floats) -> Array:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(x, -30, 30))), float)


def _conv(x: Floats, name: str, taps: tuple[int, int], stride: tuple[int, int]) -> Floats:
    """Convolution of an already padded (n, rows, cols, channels) block, then ReLU."""
    rows = (x.shape[1] - taps[0]) // stride[0] + 1
    cols = (x.shape[2] - taps[1]) // stride[1] + 1
    parts = [
        x[:, i : i + stride[0] * (rows - 1) + 1 : stride[0], j : j + stride[1] * (cols - 1) + 1 : stride[1]]
        for i in range(taps[0])
        for j in range(taps[1])
    ]
    return _relu(_dense(np.concatenate(parts, axis=-1), name))


def features(light: Floats, inside: NDArray[np.bool_], ring: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Square root of light against the face's, and the face's light.

    Parameters
    ----------
    light : shape (n, rows, cols, 3)
        Linear, red first.
    inside : shape (n, rows, cols)
        Whether the point lies in the picture.
    ring : bool, shape (rows, cols)
        Points on the face.

    Returns
    -------
    x : shape (n, rows, cols, 4)
    face : shape (n, 3)
    """
    face = np.median(light[:, ring], axis=1)
    for i in np.flatnonzero(~inside.all(axis=(1, 2))):
        some = light[i][ring & inside[i]]
        face[i] = np.median(some, axis=0) if len(some) else 0.3
    face = np.maximum(face, np.float32(2e-3))
    x = np.empty((*light.shape[:3], 4), np.float32)
    np.sqrt(np.clip(light / face[:, None, None], 0, 4), out=x[..., :3])
    x[..., :3] -= 0.6
    x[..., 3] = 1.0
    x *= inside[..., None]
    return x, face


def scalars(slope: Array, ref_px: Array, ref_mm: Array, face: Floats) -> Floats:
    """Per hole: slope of the line of sight, size in px, brightness of the face, size in mm; shape (n, 5)."""
    lum = face @ LUMA
    return np.stack(
        [slope, np.log(ref_px / 8.0), np.sqrt(lum), np.sqrt(face.max(axis=1)), np.log(ref_mm / 2.5)], axis=1
    ).astype(np.float32)


def coarse(x: Floats, s: Floats) -> tuple[Array, Array, Array]:
    """From the square patch: shift of the centre (n, 2), log of the radius, chance of a hole."""
    for name in ("c1", "c2", "c3"):
        x = _conv(np.pad(x, ((0, 0), (1, 1), (1, 1), (0, 0))), "coarse." + name, (3, 3), (2, 2))
    h = _relu(_dense(np.concatenate([x.reshape(len(x), -1), s], axis=1), "coarse.f1"))
    out = _dense(h, "coarse.f2")
    return np.clip(out[:, :2], -0.9, 0.9).astype(float), np.clip(out[:, 2], -0.3, 0.3).astype(float), _chance(out[:, 3])


def _wrapped(x: Floats, d: int = 1) -> Floats:
    return np.concatenate([x[:, -d:], x, x[:, :d]], axis=1)


def _rays(x: Floats, s: Floats) -> tuple[Floats, Floats]:
    """Per-ray answers (n, rays, 3) and the hole's summary."""
    n = len(x)
    for name, width in (("c1", 5), ("c2", 3), ("c3", 3)):
        pad = width // 2
        x = _conv(np.pad(_wrapped(x), ((0, 0), (0, 0), (pad, pad), (0, 0))), "fine." + name, (3, width), (1, 2))
    angle = np.arange(N_RAYS) * (2 * math.pi / N_RAYS)
    run = s[:, :1, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)[None].astype(np.float32)
    spread = np.broadcast_to(s[:, None], (n, N_RAYS, s.shape[1]))
    x = _relu(_dense(np.concatenate([x.reshape(n, N_RAYS, -1), spread, run], axis=2), "fine.flat"))
    for k, d in enumerate(_RINGS):
        w = _wrapped(x, d)
        near = np.concatenate([w[:, :N_RAYS], w[:, d : d + N_RAYS], w[:, 2 * d :]], axis=2)
        x = x + _relu(_dense(near, f"fine.ring.{k}"))
        if k == 1:
            pooled = np.concatenate([x.mean(axis=1), x.max(axis=1)], axis=1)
            x = x + _relu(_dense(pooled, "fine.pool"))[:, None]
    summary = np.concatenate([x.mean(axis=1), x.max(axis=1), s], axis=1)
    return _dense(x, "fine.ray"), _relu(_dense(summary, "fine.emb"))


def read_rims(x: Floats, s: Floats, weight: Array, batch: int = 32) -> Rims:
    """From polar patches of one photograph to the bore of each hole.

    Parameters
    ----------
    x : shape (n, rays, radii, 4)
    s : shape (n, 5)
    weight : shape (n,)
        How much each counts for what the holes of a seat have in common.
    batch : int
        Holes handled at a time; keeps the work in the processor's cache.
    """
    parts = [_rays(x[a : a + batch], s[a : a + batch]) for a in range(0, len(x), batch)]
    rays = np.concatenate([p[0] for p in parts])
    emb = np.concatenate([p[1] for p in parts])
    common = _relu(_dense(emb, "fine.share"))
    share = (weight / max(float(weight.sum()), 1e-6)).astype(np.float32)
    seat = (common * share[:, None]).sum(axis=0, keepdims=True)
    both = np.concatenate([emb, np.broadcast_to(seat, emb.shape)], axis=1)
    per = _dense(_relu(_dense(both, "fine.h1")), "fine.h2").astype(float)
    of_seat = _dense(_relu(_dense(seat, "fine.s1")), "fine.s2").astype(float)[0]
    logit = _dense(emb, "fine.hole")
    return Rims(
        ray_radius=1.0 + 0.25 * rays[..., 0].astype(float),
        ray_scale=np.exp(np.clip(rays[..., 1].astype(float), -5, 2) - 3.0),
        ray_seen=_chance(rays[..., 2]),
        correction=0.1 * per[:, 0] + 0.1 * of_seat[0],
        u_own=np.exp(np.clip(per[:, 1], -4, 3) - 4.0),
        u_centre=np.exp(np.clip(per[:, 2], -4, 3) - 4.0),
        u_shared=float(np.exp(np.clip(of_seat[1], -4, 3) - 4.5)),
        chamfer=np.exp(per[:, 3]),
        hole=_chance(logit[:, 0]),
        blocked=_chance(logit[:, 1]),
    )
