"""Rays into holes: rounded rim, leaning bore, old cane, pits of screws, and what is seen through."""

from dataclasses import dataclass

import numpy as np
from drawn_geometry import Single
from drawn_scene import Holes, Scene
from drawn_top import falloff, irradiance
from numpy.typing import NDArray

CANE = np.array([0.26, 0.52, 0.68])
"""Old cane's reflectance, blue-green-red (made up)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Struck:
    """What rays through a hole met.

    Attributes
    ----------
    radiance : float array, shape (n, 3)
    through : bool array, shape (n,)
        Rays that went right through.
    on_rim : bool array, shape (n,)
        Rays that met the rounding.
    normal : float array, shape (n, 3)
    depth_mm : float array, shape (n,)
        Of the wood or pit bottom met, before old cane.
    """

    radiance: Single
    through: NDArray[np.bool_]
    on_rim: NDArray[np.bool_]
    normal: Single
    depth_mm: Single


def into_holes(
    scene: Scene, holes: Holes, which: NDArray[np.intp], x: Single, y: Single, mx: Single, my: Single, top: Single
) -> Struck:
    """Follow rays that meet the top plane at (x, y) within the rounded rim of hole ``which``.

    ``top`` is the radiance of the top face there, shape (n, 3): the rim takes its colour from it.
    """
    f = np.float32
    radius, rim = (holes.bore_mm[which] / 2).astype(f), holes.chamfer_mm[which].astype(f)
    dx, dy = x - holes.x_mm[which].astype(f), y - holes.y_mm[which].astype(f)
    sx, sy = mx - holes.lean[which, 0].astype(f), my - holes.lean[which, 1].astype(f)
    deep = np.minimum(holes.plug_mm[which], scene.plan.thickness_mm).astype(f)
    n = len(dx)
    # the rounding: first depth at which the ray is outside rho(t) = radius + rim - sqrt(t (2 rim - t))
    hit = np.zeros(n, bool)
    depth = np.zeros(n, f)
    low, high = np.zeros(n, f), np.zeros(n, f)

    def outside(t: Single) -> Single:
        return np.hypot(dx + sx * t, dy + sy * t) - (radius + rim - np.sqrt(np.maximum(t * (2 * rim - t), 0)))

    before = np.zeros(n, f)
    for k in range(1, 13):
        t = rim * f((k / 12) ** 2)
        crosses = ~hit & (outside(t) >= 0)
        low, high = np.where(crosses, before, low), np.where(crosses, t, high)
        hit |= crosses
        before = t
    for _ in range(7):
        t = (low + high) / 2
        past = outside(t) >= 0
        low, high = np.where(past, low, t), np.where(past, t, high)
    depth = np.where(hit, (low + high) / 2, depth)
    on_rim = hit
    # the bore
    a = np.maximum(sx * sx + sy * sy, f(1e-12))
    b = dx * sx + dy * sy
    c = dx * dx + dy * dy - radius * radius
    wall = (-b + np.sqrt(np.maximum(b * b - a * c, 0))) / a
    wall = np.where(on_rim, depth, np.maximum(wall, rim))
    reach = np.minimum(wall, deep)
    on_wall = ~on_rim & (wall < deep)
    on_plug = ~on_rim & ~on_wall & np.isfinite(holes.plug_mm[which])
    px, py = dx + sx * reach, dy + sy * reach
    far = np.maximum(np.hypot(px, py), f(1e-6))
    # normals: of the wall inwards, of the rounding from its centre of curvature
    ux, uy = px / far, py / far
    safe = np.maximum(rim, f(1e-6))
    inwards = np.where(on_rim, np.clip((radius + rim - far) / safe, 0, 1), f(1))
    up = np.where(on_rim, np.sqrt(np.maximum(1 - inwards * inwards, 0)), f(0))
    nx, ny = np.where(on_plug, f(0), -ux * inwards), np.where(on_plug, f(0), -uy * inwards)
    nz = np.where(on_plug, f(1), up)
    # light that comes down the bore: sky by its opening's form factor, key light by its shadow edge
    light = scene.light
    mouth = np.where(on_plug, 1 / (1 + (reach / radius) ** 2), 1 - reach / np.sqrt(reach * reach + 4 * radius * radius))
    mouth = np.where(on_rim, 1 - 0.25 * (reach / safe) ** 2, mouth * np.where(on_plug, f(1), f(0.75)))
    slide = (light.key_from[:2] / light.key_from[2]).astype(f)
    at_mouth = np.hypot(
        px + holes.lean[which, 0].astype(f) * reach + slide[0] * reach,
        py + holes.lean[which, 1].astype(f) * reach + slide[1] * reach,
    )
    soft = f(0.08) + f(2 * scene.plan.key_soft) * reach
    key_seen = np.clip((radius + f(0.5) * rim - at_mouth) / soft + f(0.5), 0, 1)
    key_seen = np.where(on_rim & (up > 0.6), np.maximum(key_seen, (up - f(0.6)) / f(0.4)), key_seen)
    lit = irradiance(light, nx, ny, nz, key_seen, mouth)
    here = falloff(light, x, y)[:, None]
    rise = np.where(
        np.isfinite(holes.plug_mm[which]),
        f(0),
        f(0.10) * (1 - (deep - reach) / np.sqrt((deep - reach) ** 2 + 4 * radius * radius)),
    )
    lit = lit + rise[:, None] * scene.light.sky.astype(f)
    flat = irradiance(light, np.zeros(1, f), np.zeros(1, f), np.ones(1, f), np.ones(1, f), np.ones(1, f))
    face = top / (flat * here)  # reflectance of the face beside the rim
    worn_in = np.clip((far - radius) / safe, 0, 1) ** f(scene.plan.rim_fade)
    blend = np.where(on_rim, worn_in, f(0))[:, None]
    skin = face * blend + scene.bore_colour.astype(f) * (1 - blend)
    skin = np.where(on_plug[:, None], holes.plug_colour[which].astype(f), skin)
    radiance = skin * lit * here
    through = ~on_rim & ~on_wall & ~on_plug
    cane = np.flatnonzero(holes.blocked[which] & ~on_rim)
    if len(cane):
        _old_cane(scene, holes, which, cane, dx, dy, sx, sy, reach, radiance, through, here)
    normal = np.stack([nx, ny, nz], axis=1)
    return Struck(
        radiance=np.asarray(radiance, np.float32), through=through, on_rim=on_rim, normal=normal, depth_mm=reach
    )


def _old_cane(
    scene: Scene,
    holes: Holes,
    which: NDArray[np.intp],
    some: NDArray[np.intp],
    dx: Single,
    dy: Single,
    sx: Single,
    sy: Single,
    reach: Single,
    radiance: Single,
    through: NDArray[np.bool_],
    here: Single,
) -> None:
    """Ends and flanks of the strands, written into ``radiance``."""
    bundle = holes.strands[which[some]].astype(np.float32)
    best = np.where(through[some], np.float32(np.inf), reach[some])
    flat = irradiance(scene.light, *(np.full(1, v, np.float32) for v in (0, 0, 1, 0.8, 0.9)))
    for k in range(5):
        ox, oy, size, end = bundle[:, k].T
        for drop, shade in ((0.0, 1.0), (0.35, 0.45), (0.8, 0.35), (1.5, 0.25), (2.5, 0.16), (4.0, 0.10), (6.0, 0.06)):
            t = end + np.float32(drop)
            off = np.hypot(dx[some] + sx[some] * t - ox, dy[some] + sy[some] * t - oy)
            meets = (off < size) & (t < best) & (size > 0)
            if meets.any():
                hollow = 1 / (1 + (t[meets] / (holes.bore_mm[which[some[meets]]] / 2)) ** 2)
                edge = 1 - 0.35 * (off[meets] / size[meets]) ** 2 if drop == 0 else 1.0
                pale = (shade * edge * (0.35 + 0.65 * hollow)).astype(np.float32)[:, None]
                radiance[some[meets]] = CANE.astype(np.float32) * flat * pale * here[some[meets]]
                best = np.where(meets, t, best)
                through[some[meets]] = False
