"""Gauge holes: centre, bore and rim of each, with what is known of their errors.

The one crossing from pixels to millimetres. Points of the bore's circle in the
plane of the top face are found along rays and kept in pixels, so that a camera
refined later only needs `regauge`.
"""

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holecount.edges import local_map, read_linear
from holecount.holes.circles import Circles, fit_circles
from holecount.holes.rim_model import (
    COARSE,
    FACE_FROM,
    LUMA,
    N_RAYS,
    RADII,
    ROOT_MIDDLE,
    Rims,
    chance,
    coarse,
    features,
    read_rims,
    scalars,
    what_is_there,
)
from holecount.photo import Photo
from holecount.scale.plane import Camera

Array = NDArray[np.float64]

SEEN = 0.5
"""Chance from which a point of the rim counts as in sight (derived: more likely than not)."""

LEAST_RAYS = 5
"""Fewest points for a circle (derived: three unknowns and something to check)."""

LEAST_RELIEF = 0.1
"""Root mean square of (square root of light against the face's, less 1) within the rim. Below it nothing is there to
be a hole; true holes show 0.27 and more (measured on the sample set, 2026-11)."""

SMALLEST_PX, STEEPEST = 2.9, 1.15
"""Radius in px and slope of the line of sight (tangent) between which the rim model was learned (docs/rim-model.md);
beyond them uncertainties grow with the square of the excess (common practice, no source)."""

SATURATED = 0.956
"""Linear light of sRGB code 250 (IEC 61966-2-1)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeSettings:
    """Tunables of the gauge.

    Attributes
    ----------
    n_passes : int
        Times the rim is read, each from the last centre and size; 1 to 3. 2 takes most of what a start half a
        radius off leaves (measured on the sample set, 2026-11).
    block_above_px : float
        Windows are averaged over blocks so that a hole's radius stays below this many samples; the rim model
        was learned on radii of 3.4 to 20 px (derived).
    least_weight : float
        Share with which even an unlikely hole counts for what the holes of a seat have in common, 0 to 1 (derived:
        keeps the sum above nothing).
    """

    n_passes: int = 2
    block_above_px: float = 22.0
    least_weight: float = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class RimReading:
    """What the photograph shows of one hole.

    Attributes
    ----------
    x_px, y_px, x_mm, y_mm : float
        Centre of the bore in the plane of the top face.
    rim_px : float array, shape (rays, 2)
        Points of the bore's circle in that plane, in pixels; nan where unseen.
    rim_weight : float array, shape (rays,)
        Inverse variance in mm^-2 of each point along its radius, 0 where unseen.
    diameter_mm : float
        Bore: the drill bit that would just fill it.
    u_own_diameter_mm, u_shared_diameter_mm : float
        One standard uncertainty: independent of the other holes, and common to all holes of the
        photograph (what is left of the rim model's error). Neither holds the scale's.
    u_own_centre_mm : float
        One standard uncertainty of the centre along each axis.
    rounding_mm : float
        Radius of the rim's rounding.
    arc_seen_frac : float
        Share of the rim in sight and used.
    out_of_round_mm : float
        Half the difference between the widest and the narrowest way across.
    blur_px : float
        Sigma of the sharpest part of the rim, px.
    saturated_frac : float
        Share of the surrounding face at or above code 250 in all colours.
    blocked_score, hole_score : float
        0 to 1: packed with old cane; a drilled hole rather than a spot, knot, screw or worm hole.
    """

    x_px: float
    y_px: float
    x_mm: float
    y_mm: float
    rim_px: Array
    rim_weight: Array
    diameter_mm: float
    u_own_diameter_mm: float
    u_shared_diameter_mm: float
    u_own_centre_mm: float
    rounding_mm: float
    arc_seen_frac: float
    out_of_round_mm: float
    blur_px: float
    saturated_frac: float
    blocked_score: float
    hole_score: float


def gauge_holes(
    photo: Photo,
    camera: Camera,
    centres_px: Array,
    rough_diameter_mm: float,
    settings: GaugeSettings | None = None,
) -> list[RimReading]:
    """Measure holes near the given centres.

    Parameters
    ----------
    centres_px : shape (n, 2)
        Good to about half a hole radius.
    rough_diameter_mm : float
        Common bore, good to about 15 %.

    Returns
    -------
    list of RimReading, in the order of ``centres_px``
    """
    settings = settings or GaugeSettings()
    centres_px = np.asarray(centres_px, float).reshape(-1, 2)
    if len(centres_px) == 0:
        return []
    centre, radius, odds = _centred(photo, camera, camera.to_mm(centres_px), rough_diameter_mm / 2, settings)
    weight = np.maximum(chance(odds), settings.least_weight)
    for k in range(settings.n_passes):
        patch = _polar(photo, camera, centre, radius, settings)
        rims = read_rims(patch.features, patch.scalars, weight)
        fit = fit_circles(_local_points(rims), _ray_weight(rims))
        if k + 1 < settings.n_passes:
            centre = centre + _turned(np.clip(fit.centre + rims.shift, -0.3, 0.3) * radius[:, None], patch.turn_rad)
            radius = radius * np.clip(fit.radius + rims.correction, 0.8, 1.25)
    found = np.clip(fit.radius + rims.correction, 0.3, 2.0) * patch.ref_mm
    hole, blocked = what_is_there(rims, np.log(found / (rough_diameter_mm / 2)), odds, weight)
    hole *= np.minimum(_relief(patch) / LEAST_RELIEF, 1.0) ** 2
    return _readings(camera, patch, rims, fit, hole, blocked)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Patch:
    """Polar patches as the rim model takes them, and where they came from."""

    centre_mm: Array
    ref_mm: Array
    slope: Array
    turn_rad: Array
    px_per_mm: Array
    light: NDArray[np.float32]
    features: NDArray[np.float32]
    scalars: NDArray[np.float32]


def _turned(local: Array, turn_rad: Array) -> Array:
    """Vectors (n, ..., 2) of the holes' own frames in plane axes."""
    shape = (-1,) + (1,) * (local.ndim - 2)
    c, s = np.cos(turn_rad).reshape(shape), np.sin(turn_rad).reshape(shape)
    return np.stack([c * local[..., 0] - s * local[..., 1], s * local[..., 0] + c * local[..., 1]], axis=-1)


def _line_of_sight(camera: Camera, centre_mm: Array) -> tuple[Array, Array]:
    """Slope against the plane's normal and direction of its horizontal run, per hole."""
    run = camera.slope(centre_mm)
    return np.hypot(run[:, 0], run[:, 1]), np.arctan2(run[:, 1], run[:, 0])


def _blocks(ref_px: Array, settings: GaugeSettings) -> NDArray[np.int64]:
    return np.maximum(np.ceil(ref_px / settings.block_above_px), 1).astype(np.int64)


_SQUARE = np.stack(np.meshgrid(COARSE, COARSE), axis=-1)
_SQUARE_RING = np.hypot(_SQUARE[..., 0], _SQUARE[..., 1]) > 1.5
_ANGLES = np.arange(N_RAYS) * (2 * math.pi / N_RAYS)
_RAYS = np.stack([np.cos(_ANGLES), np.sin(_ANGLES)], axis=-1)
_POLAR = (_RAYS[:, None, :] * RADII[None, :, None]).astype(np.float32)
_POLAR_RING = np.broadcast_to(RADII > FACE_FROM, (N_RAYS, len(RADII)))


def _centred(
    photo: Photo, camera: Camera, centre_mm: Array, radius_mm: float, settings: GaugeSettings
) -> tuple[Array, Array, Array]:
    """Better centres and radii from a square patch, and the log odds that there is a hole."""
    slope, turn = _line_of_sight(camera, centre_mm)
    ref = np.full(len(centre_mm), radius_mm)
    places = local_map(camera, centre_mm, turn, 1.5 * radius_mm)
    ref_px = places.px_per_mm * ref
    block = _blocks(ref_px, settings)
    grid = np.broadcast_to(_SQUARE * np.float32(radius_mm), (len(ref), *_SQUARE.shape))
    light, inside = read_linear(photo, places, grid, block)
    x, face = features(light, inside, _SQUARE_RING)
    shift, log_size, odds = coarse(x, scalars(slope, ref_px / block, ref, face))
    return centre_mm + _turned(shift * ref[:, None], turn), ref * np.exp(log_size), odds


def _polar(photo: Photo, camera: Camera, centre_mm: Array, ref_mm: Array, settings: GaugeSettings) -> _Patch:
    slope, turn = _line_of_sight(camera, centre_mm)
    places = local_map(camera, centre_mm, turn, 1.5 * float(np.median(ref_mm)))
    ref_px = places.px_per_mm * ref_mm
    block = _blocks(ref_px, settings)
    light, inside = read_linear(photo, places, _POLAR * ref_mm[:, None, None, None].astype(np.float32), block)
    x, face = features(light, inside, _POLAR_RING)
    return _Patch(
        centre_mm=centre_mm,
        ref_mm=ref_mm,
        slope=slope,
        turn_rad=turn,
        px_per_mm=places.px_per_mm,
        light=light,
        features=x,
        scalars=scalars(slope, ref_px / block, ref_mm, face),
    )


def _local_points(rims: Rims) -> Array:
    return np.asarray(rims.ray_radius[..., None] * _RAYS)


def _ray_weight(rims: Rims) -> Array:
    """Inverse variance of the points, in reference radii, up to a factor; rays out of sight count for nothing.

    With too few rays in sight all count, by what little is known of them: their uncertainty says so.
    """
    weight = rims.ray_seen**2 / np.maximum(rims.ray_scale, math.exp(-6.0)) ** 2
    seen = rims.ray_seen > SEEN
    enough = seen.sum(axis=1, keepdims=True) >= LEAST_RAYS
    return np.where(seen | ~enough, weight, 0.0)


def _readings(camera: Camera, patch: _Patch, rims: Rims, fit: Circles, hole: Array, blocked: Array) -> list[RimReading]:
    n, ref = len(patch.ref_mm), patch.ref_mm
    radius = np.maximum(fit.radius + rims.correction, 0.05)
    middle = fit.centre + rims.shift
    local = middle[:, None] + (_local_points(rims) - fit.centre[:, None]) * (radius / fit.radius)[:, None, None]
    rim_mm = patch.centre_mm[:, None] + _turned(local * ref[:, None, None], patch.turn_rad)
    rim_px = camera.to_px(rim_mm.reshape(-1, 2)).reshape(n, N_RAYS, 2)
    seen = rims.ray_seen > SEEN
    rim_px[~seen] = np.nan
    centre = patch.centre_mm + _turned(middle * ref[:, None], patch.turn_rad)
    centre_px = camera.to_px(centre)
    strange = np.maximum(np.maximum(SMALLEST_PX / (ref * patch.px_per_mm), patch.slope / STEEPEST), 1.0) ** 2
    u_centre = rims.u_centre * ref * strange
    weight = np.where(seen, _ray_weight(rims), 0.0)
    # Points of a full circle of total weight W fix its centre to sqrt(2 / W) along each axis.
    weight *= (2.0 / u_centre**2 / np.maximum(weight.sum(axis=1), 1e-12))[:, None]
    outer = patch.light[:, :, RADII > FACE_FROM]
    out = []
    oval = _out_of_round(fit, rims, weight) * ref
    blur = _blur_px(patch)
    for i in range(n):
        out.append(
            RimReading(
                x_px=float(centre_px[i, 0]),
                y_px=float(centre_px[i, 1]),
                x_mm=float(centre[i, 0]),
                y_mm=float(centre[i, 1]),
                rim_px=rim_px[i],
                rim_weight=weight[i],
                diameter_mm=float(2 * radius[i] * ref[i]),
                u_own_diameter_mm=float(2 * rims.u_own[i] * ref[i] * strange[i]),
                u_shared_diameter_mm=float(2 * rims.u_shared * ref[i] * strange[i]),
                u_own_centre_mm=float(u_centre[i]),
                rounding_mm=float(rims.rounding[i] * ref[i]),
                arc_seen_frac=float(seen[i].mean()),
                out_of_round_mm=float(oval[i]),
                blur_px=float(blur[i]),
                saturated_frac=float((outer[i] >= SATURATED).all(axis=-1).mean()),
                blocked_score=float(blocked[i]),
                hole_score=float(hole[i]),
            )
        )
    return out


def _out_of_round(fit: Circles, rims: Rims, weight: Array) -> Array:
    """Twice the amplitude of the second harmonic of the rim's radius, in reference radii."""
    d = _local_points(rims) - fit.centre[:, None]
    angle = 2 * np.arctan2(d[..., 1], d[..., 0])
    wave = np.stack([np.cos(angle), np.sin(angle), np.ones_like(angle)], axis=-1)
    away = np.hypot(d[..., 0], d[..., 1]) - fit.radius[:, None]
    normal = np.einsum("np,npi,npj->nij", weight, wave, wave)
    normal += 1e-6 * np.maximum(weight.sum(axis=1), 1e-9)[:, None, None] * np.eye(3)
    got = np.linalg.solve(normal, np.einsum("np,npi,np->ni", weight, wave, away)[..., None])[..., 0]
    return np.asarray(2 * np.hypot(got[:, 0], got[:, 1]))


def _relief(patch: _Patch) -> Array:
    """How far the light within the rim differs from the face's."""
    within = patch.features[:, :, RADII < 1.2]
    inside = within[..., 3:]
    away = (within[..., :3] + np.float32(ROOT_MIDDLE - 1.0)) * inside
    mean = (away**2).sum(axis=(1, 2, 3)) / np.maximum(3 * inside.sum(axis=(1, 2, 3)), 1.0)
    return np.asarray(np.sqrt(mean), float)


def _blur_px(patch: _Patch) -> Array:
    """Sigma of the sharpest tenth of the rays' edges: height over greatest slope, over root two pi, in px."""
    grey = patch.light @ LUMA
    near = grey[:, :, (RADII > 0.5) & (RADII < 1.8)]
    height = np.quantile(near, 0.9, axis=2) - near.min(axis=2)
    step_px = patch.ref_mm * patch.px_per_mm * float(RADII[1] - RADII[0])
    slope = np.diff(near, axis=2).max(axis=2) / step_px[:, None]
    sigma = height / np.maximum(slope, 1e-9) / math.sqrt(2 * math.pi)
    return np.asarray(np.quantile(sigma, 0.1, axis=1), float)


def regauge(readings: Sequence[RimReading], camera: Camera) -> list[RimReading]:
    """The same readings under another camera: rim points mapped anew and circles fitted in mm.

    Takes milliseconds for a hundred holes. Uncertainties in mm scale with the diameter.
    """
    if not readings:
        return []
    rim_px = np.stack([r.rim_px for r in readings])
    weight = np.stack([r.rim_weight for r in readings])
    n, rays = weight.shape
    mm = camera.to_mm(np.nan_to_num(rim_px).reshape(-1, 2)).reshape(n, rays, 2)
    fit = fit_circles(mm, weight)
    centre_px = camera.to_px(fit.centre)
    out = []
    for i, old in enumerate(readings):
        if (weight[i] > 0).sum() < LEAST_RAYS:
            x_mm, y_mm = camera.to_mm(np.array([[old.x_px, old.y_px]]))[0]
            out.append(dataclasses.replace(old, x_mm=float(x_mm), y_mm=float(y_mm)))
            continue
        new = float(2 * fit.radius[i])
        scale = new / old.diameter_mm
        out.append(
            dataclasses.replace(
                old,
                x_px=float(centre_px[i, 0]),
                y_px=float(centre_px[i, 1]),
                x_mm=float(fit.centre[i, 0]),
                y_mm=float(fit.centre[i, 1]),
                diameter_mm=new,
                u_own_diameter_mm=old.u_own_diameter_mm * scale,
                u_shared_diameter_mm=old.u_shared_diameter_mm * scale,
                u_own_centre_mm=old.u_own_centre_mm * scale,
                rounding_mm=old.rounding_mm * scale,
                out_of_round_mm=old.out_of_round_mm * scale,
            )
        )
    return out
