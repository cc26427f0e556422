"""What a rim's brightness says about its bore: a small network learned on drawn rims.

The rim of an old bore is rounded and runs smoothly into the wall, so no level
or steepest place of a profile is the bore. How light falls off across the
rounding, the wall and the limb tells the rounding, and that tells the bore;
the relation was learned on path-traced rims of all kinds (docs/rim-model.md
has the recipe). Everything is in units of a reference radius, in a frame
whose first axis is the horizontal run of the line of sight, away from the lens.
"""

import math
from concurrent.futures import ThreadPoolExecutor
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

ROOT_MIDDLE = 0.6
"""Taken off the square root of light against the face's, so that features lie round nothing (fixed by the network)."""

FACE_FROM = 1.55
"""The face's own brightness is taken beyond this radius, in reference radii: outside the widest rounding (fixed by the
network)."""

U_OWN_FACTOR, U_CENTRE_FACTOR = 1.2, 1.25
"""What the network says of its own errors is multiplied by these: on held-out drawn seats and on the sample set alike
its 2 u held 90 % instead of 95 % (measured, 2026-11). What it says of the error common to a seat stands as it is: 74 %
within 1 u and 96 % within 2 u of 288 drawn pictures of another tracer, 79 % and 100 % of 33 photographs."""

LUMA: Floats = np.array([0.2126, 0.7152, 0.0722], np.float32)
"""Luminance of linear sRGB, red first (ITU-R BT.709)."""

_RINGS = (1, 2, 4, 8, 1)
_TALK_AFTER = 2
"""Rings of rays read before the holes of a seat hear of each other (fixed by the network)."""

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
    shift : shape (n, 2)
        To be added to its centre.
    u_own, u_centre : shape (n,)
        One standard uncertainty of radius (own) and of the centre along an axis.
    u_shared : float
        Of the radius, common to all holes given together.
    rounding : shape (n,)
        Radius of the rim's rounding.
    summary : shape (n, channels)
        What `what_is_there` needs.
    """

    ray_radius: Array
    ray_scale: Array
    ray_seen: Array
    correction: Array
    shift: Array
    u_own: Array
    u_centre: Array
    u_shared: float
    rounding: Array
    summary: Floats


@lru_cache(maxsize=1)
def _weights() -> dict[str, Floats]:
    # All values in one array: opening fifty takes longer than reading them.
    with np.load(_MODEL_FILE) as stored:
        names, shapes, values = (stored[k] for k in ("names", "shapes", "values"))
    sizes = shapes.prod(axis=1)
    parts = np.split(values.astype(np.float32), np.cumsum(sizes)[:-1])
    return {
        str(name): part.reshape(shape[shape > 0] if name.endswith(".weight") else -1)
        for name, shape, part in zip(names, shapes, parts, strict=True)
    }


def _relu(x: Floats) -> Floats:
    return np.maximum(x, np.float32(0), out=x)


def _dense(x: Floats, name: str) -> Floats:
    w = _weights()
    return np.asarray(x @ w[name + ".weight"] + w[name + ".bias"], np.float32)


def chance(x: NDArray[np.floating]) -> Array:
    """Probability of log odds."""
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(x, -30, 30))), float)


def _conv_square(x: Floats, name: str) -> Floats:
    """3 x 3 convolution with stride 2 of (n, rows, cols, channels), padded by one, then ReLU."""
    x = np.pad(x, ((0, 0), (1, 1), (1, 1), (0, 0)))
    rows, cols = (x.shape[1] - 1) // 2, (x.shape[2] - 1) // 2
    parts = [x[:, i : i + 2 * rows - 1 : 2, j : j + 2 * cols - 1 : 2] for i in range(3) for j in range(3)]
    return _relu(_dense(np.concatenate(parts, axis=-1), name))


def _conv_polar(x: Floats, name: str, width: int) -> Floats:
    """Convolution over 3 rays (which close round) and ``width`` radii with radial stride 2, then ReLU.

    x has shape (n, rays, radii, channels); radii are padded with nothing.
    """
    n, rays, radii, channels = x.shape
    pad, cols = width // 2, radii // 2
    wide = np.zeros((n, rays + 2, radii + 2 * pad, channels), np.float32)
    wide[:, 1:-1, pad : pad + radii] = x
    wide[:, 0], wide[:, -1] = wide[:, -2], wide[:, 1]
    taps = np.concatenate([wide[:, :, j : j + 2 * cols - 1 : 2] for j in range(width)], axis=-1)
    taps = taps.reshape(n, (rays + 2) * cols, width * channels)
    w, bias = _weights()[name + ".weight"], _weights()[name + ".bias"]
    step = width * channels
    out = taps[:, : rays * cols] @ w[:step]
    for i in (1, 2):
        out += taps[:, i * cols : (i + rays) * cols] @ w[i * step : (i + 1) * step]
    out += bias
    return _relu(np.asarray(out, np.float32)).reshape(n, rays, cols, -1)


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
    face = np.median(light[:, ::2][:, ring[::2]], axis=1)  # every other row says as much
    for i in np.flatnonzero(~inside.all(axis=(1, 2))):
        some = light[i][ring & inside[i]]
        face[i] = np.median(some, axis=0) if len(some) else 0.3
    face = np.maximum(face, np.float32(2e-3))
    x = np.empty((*light.shape[:3], 4), np.float32)
    np.sqrt(np.clip(light / face[:, None, None], 0, 4), out=x[..., :3])
    x[..., :3] -= ROOT_MIDDLE
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
    """From the square patch: shift of the centre (n, 2), log of the radius, log odds of a hole."""
    for name in ("c1", "c2", "c3"):
        x = _conv_square(x, "coarse." + name)
    h = _relu(_dense(np.concatenate([x.reshape(len(x), -1), s], axis=1), "coarse.f1"))
    out = _dense(h, "coarse.f2")
    shift, log_size = np.clip(out[:, :2], -0.9, 0.9), np.clip(out[:, 2], -0.3, 0.3)
    return shift.astype(float), log_size.astype(float), out[:, 3].astype(float)


def _wrapped(x: Floats, d: int = 1) -> Floats:
    return np.concatenate([x[:, -d:], x, x[:, :d]], axis=1)


def _profiles(x: Floats, s: Floats) -> Floats:
    """Each ray by itself and its neighbours: (n, rays, channels)."""
    n = len(x)
    for name, width in (("c1", 5), ("c2", 3), ("c3", 3)):
        x = _conv_polar(x, "fine." + name, width)
    angle = np.arange(N_RAYS) * (2 * math.pi / N_RAYS)
    run = s[:, :1, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)[None].astype(np.float32)
    spread = np.broadcast_to(s[:, None], (n, N_RAYS, s.shape[1]))
    return _relu(_dense(np.concatenate([x.reshape(n, N_RAYS, -1), spread, run], axis=2), "fine.flat"))


def _ring(x: Floats, k: int) -> Floats:
    """Each ray with those d to either side."""
    d = _RINGS[k]
    w = _wrapped(x, d)
    near = np.concatenate([w[:, :N_RAYS], w[:, d : d + N_RAYS], w[:, 2 * d :]], axis=2)
    return x + _relu(_dense(near, f"fine.ring.{k}"))


def _summary(x: Floats, *more: Floats) -> Floats:
    return np.concatenate([x.mean(axis=1), x.max(axis=1), *more], axis=1)


def _in_common(x: Floats, name: str, share: Floats) -> Floats:
    """What the holes of a seat say together, repeated for each."""
    seat = (_relu(_dense(x, name)) * share[:, None]).sum(axis=0, keepdims=True)
    return np.broadcast_to(seat, x.shape)


def read_rims(x: Floats, s: Floats, weight: Array, batch: int = 24) -> Rims:
    """From polar patches of one photograph to the bore of each hole.

    Parameters
    ----------
    x : shape (n, rays, radii, 4)
    s : shape (n, 5)
    weight : shape (n,)
        How much each counts for what the holes of a seat have in common.
    batch : int
        Holes handled at a time, at most; keeps the work in the processor's cache.
    """
    share = (weight / max(float(weight.sum()), 1e-6)).astype(np.float32)
    slices = [slice(a, a + batch) for a in range(0, len(x), batch)]

    def alone(part: slice) -> Floats:
        y = _profiles(x[part], s[part])
        for k in range(_TALK_AFTER):
            y = _ring(y, k)
        return y

    def together(z: Floats) -> Floats:
        for k in range(_TALK_AFTER, len(_RINGS)):
            z = _ring(z, k)
        return z

    # Most of it is multiplying matrices, which needs no interpreter: two batches at a time.
    with ThreadPoolExecutor(2) as pair:
        y = np.concatenate(list(pair.map(alone, slices)))
        one = _relu(_dense(_summary(y, s), "fine.emb1"))
        seat = _in_common(one, "fine.share1", share)
        y += _relu(_dense(np.concatenate([one, seat], axis=1), "fine.ctx"))[:, None]
        y = np.concatenate(list(pair.map(together, [y[part] for part in slices])))
    rays = _dense(y, "fine.ray")
    summary = _summary(y, s, seat)
    two = _relu(_dense(summary, "fine.emb2"))
    both = _in_common(two, "fine.share2", share)
    per = _dense(_relu(_dense(np.concatenate([two, both], axis=1), "fine.h1")), "fine.h2").astype(float)
    of_seat = _dense(_relu(_dense(both[:1], "fine.s1")), "fine.s2").astype(float)[0]
    seen = chance(rays[..., 2])
    u_own, u_centre = np.clip(per[:, 1], -4, 3) - 4.0, np.clip(per[:, 2], -4, 3) - 4.0
    answers = np.stack([per[:, 3], u_own, u_centre, seen.mean(axis=1)], axis=1).astype(np.float32)
    return Rims(
        ray_radius=1.0 + 0.25 * rays[..., 0].astype(float),
        ray_scale=np.exp(np.clip(rays[..., 1].astype(float), -5, 2) - 3.0),
        ray_seen=seen,
        correction=0.1 * per[:, 0] + 0.1 * of_seat[0],
        shift=0.1 * per[:, 5:7],
        u_own=U_OWN_FACTOR * np.exp(u_own),
        u_centre=U_CENTRE_FACTOR * np.exp(u_centre),
        u_shared=float(np.exp(np.clip(of_seat[1], -4, 3) - 4.5)),
        rounding=np.exp(per[:, 3]),
        summary=np.concatenate([summary, answers], axis=1),
    )


def what_is_there(rims: Rims, log_size: Array, coarse_odds: Array, weight: Array) -> tuple[Array, Array]:
    """Chance that each is a drilled hole, and that a hole is packed with old cane.

    Parameters
    ----------
    log_size : shape (n,)
        Logarithm of the radius found against the one expected.
    coarse_odds : shape (n,)
        Log odds of a hole from `coarse`.
    weight : shape (n,)
        As for `read_rims`.
    """
    share = (weight / max(float(weight.sum()), 1e-6)).astype(np.float32)
    more = np.stack([log_size, np.clip(coarse_odds, -8, 8) / 4], axis=1).astype(np.float32)
    n_answers = 4
    x = np.concatenate([rims.summary[:, :-n_answers], more, rims.summary[:, -n_answers:]], axis=1)
    h = _relu(_dense(x, "judge.j1"))
    seat = np.broadcast_to((h * share[:, None]).sum(axis=0, keepdims=True), h.shape)
    out = _dense(_relu(_dense(np.concatenate([h, seat], axis=1), "judge.j2")), "judge.j3")
    return chance(out[:, 0]), chance(out[:, 1])
