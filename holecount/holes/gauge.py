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

from holecount.edges import outermost_crossing, polar_points_px, read_linear
from holecount.holes.circles import fit_circles
from holecount.photo import Photo
from holecount.scale.plane import Camera

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeSettings:
    """Tunables of the gauge.

    Attributes
    ----------
    n_rays : int
        Rays round each hole, 16 to 72; 32 is one per 1 to 2 px of rim at common sizes (derived).
    """

    n_rays: int = 32


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
    chamfer_mm : float
        Radius of the rim's rounding.
    arc_seen_frac : float
        Share of the rim in sight and used.
    out_of_round_mm : float
        Half the difference between the widest and the narrowest way across.
    contrast : float
        (face - inside) / (face + inside) in linear light, -1 to 1; negative when the inside is brighter.
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
    chamfer_mm: float
    arc_seen_frac: float
    out_of_round_mm: float
    contrast: float
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
    n, rays = len(centres_px), settings.n_rays
    centre = camera.to_mm(centres_px)
    angles = np.broadcast_to(np.arange(rays) * (2 * math.pi / rays), (n, rays)).astype(float)
    rough = np.full(n, rough_diameter_mm / 2)
    px_per_mm = local_px_per_mm(camera, centre)
    for k in range(3):
        radii = rough[:, None] * np.linspace(0.05, 2.2, 64)
        points = polar_points_px(camera, centre, angles, radii)
        light, inside = read_linear(photo, points, px_per_mm * (radii[:, 1] - radii[:, 0]))
        grey = light @ np.array([0.0722, 0.7152, 0.2126], np.float32)
        face = np.median(grey[:, :, 42:60], axis=2)
        dark = np.percentile(grey[:, :, 6:28].reshape(n, -1), 20, axis=1)[:, None]
        level = dark + 0.35 * (face - dark)
        edge = outermost_crossing(grey, radii[:, None, :], level, 54 if k == 0 else 48)
        edge_mm = centre[:, None] + edge[..., None] * np.stack([np.cos(angles), np.sin(angles)], axis=-1)
        ok = np.isfinite(edge) & inside[:, :, 48]
        fit = fit_circles(edge_mm, ok.astype(float))
        move = np.hypot(*(fit.centre - camera.to_mm(centres_px)).T)
        good = (ok.sum(axis=1) > rays / 3) & (move < 1.5 * rough) & (fit.radius < 1.7 * rough)
        centre = np.where(good[:, None], fit.centre, centre)
    seen = ok & (np.abs(fit.residual) < 0.15 * rough[:, None])
    radius = np.where(good, fit.radius, rough)
    rim_px = camera.to_px(np.nan_to_num(edge_mm).reshape(-1, 2)).reshape(n, rays, 2)
    rim_px[~seen] = np.nan
    # u of a single point 0.06 mm, of the model 0.1 mm: placeholders of the level-crossing gauge.
    weight = np.where(seen, 1 / 0.06**2, 0.0)
    centre_px = camera.to_px(centre)
    mean_face, mean_dark = face.mean(axis=1), dark[:, 0]
    bright = (photo_codes(light[:, :, 42:60]) >= 250).all(axis=-1).mean(axis=(1, 2))
    readings = []
    for i in range(n):
        readings.append(
            RimReading(
                x_px=float(centre_px[i, 0]),
                y_px=float(centre_px[i, 1]),
                x_mm=float(centre[i, 0]),
                y_mm=float(centre[i, 1]),
                rim_px=rim_px[i],
                rim_weight=weight[i],
                diameter_mm=float(2 * radius[i]),
                u_own_diameter_mm=0.06,
                u_shared_diameter_mm=0.1,
                u_own_centre_mm=0.03,
                chamfer_mm=0.3,
                arc_seen_frac=float(seen[i].mean()),
                out_of_round_mm=0.0,
                contrast=float((mean_face[i] - mean_dark[i]) / max(mean_face[i] + mean_dark[i], 1e-6)),
                blur_px=1.0,
                saturated_frac=float(bright[i]),
                blocked_score=0.0,
                hole_score=float(seen[i].mean()),
            )
        )
    return readings


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
        if (weight[i] > 0).sum() < 5:
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
                chamfer_mm=old.chamfer_mm * scale,
            )
        )
    return out


def local_px_per_mm(camera: Camera, xy_mm: Array) -> Array:
    """Pixels per millimetre at plane points, geometric mean over directions, shape (n,)."""
    base = camera.to_px(xy_mm)
    jx = camera.to_px(xy_mm + np.array([0.5, 0.0])) - base
    jy = camera.to_px(xy_mm + np.array([0.0, 0.5])) - base
    return np.asarray(2.0 * np.sqrt(np.abs(jx[:, 0] * jy[:, 1] - jx[:, 1] * jy[:, 0])))


def photo_codes(light: NDArray[np.float32]) -> Array:
    """Eight-bit sRGB codes (not rounded) of linear light (IEC 61966-2-1)."""
    v = np.clip(light, 0, 1).astype(float)
    return 255.0 * np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
