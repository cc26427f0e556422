"""The frame's top face as one picture in plane mm (grain, wear, marks, light and shadow), and the floor's shade."""

from dataclasses import dataclass

import cv2
import numpy as np
from drawn_faces import PAINTED, RAW_WOOD, look_up, look_up_clamped, noise_tile
from drawn_geometry import Floats, Single
from drawn_scene import Light, Scene
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Map:
    """A picture in plane millimetres: texel (0, 0) has its centre at ``left_mm, low_mm``."""

    picture: Single
    left_mm: float
    low_mm: float
    texel_mm: float

    def at(self, x: Single, y: Single) -> tuple[Single, Single]:
        """Texel coordinates of plane points."""
        return (x - np.float32(self.left_mm)) / np.float32(self.texel_mm), (y - np.float32(self.low_mm)) / np.float32(
            self.texel_mm
        )


def irradiance(light: Light, nx: Single, ny: Single, nz: Single, key_seen: Single, sky_seen: Single) -> Single:
    """Light on faces with given normals, shape (..., 3), blue-green-red."""
    f = np.float32
    kx, ky, kz = light.key_from.astype(f)
    sx, sy, sz = light.side_from.astype(f) / f(1.4)
    key = np.maximum(nx * kx + ny * ky + nz * kz, 0) * key_seen
    side = np.maximum(nx * sx + ny * sy + nz * sz + f(0.4 / 1.4), 0) * sky_seen
    sky = (f(0.5) + f(0.5) * nz) * sky_seen
    return np.stack(
        [sky * f(light.sky[k]) + key * f(light.key[k]) + side * f(light.side[k]) for k in range(3)], axis=-1
    )


def falloff(light: Light, x: Single, y: Single) -> Single:
    """Slow change of brightness over the plane."""
    return np.exp(np.clip(np.float32(light.gradient[0]) * x + np.float32(light.gradient[1]) * y, -1.2, 1.2))


def _hull_mask(points: Floats, left: float, low: float, texel: float, shape: tuple[int, int]) -> Single:
    mask = np.zeros(shape, np.float32)
    hull = cv2.convexHull(((points - [left, low]) / texel).astype(np.float32))
    cv2.fillConvexPoly(mask, np.round(hull * 16).astype(np.int32), 1.0, cv2.LINE_AA, 4)
    return mask


def floor_shade(scene: Scene) -> tuple[Map, Map]:
    """What share of the key light and of the sky reaches the floor, one texel 4 mm."""
    texel, half = 4.0, 1200.0
    n = int(2 * half / texel)
    axis = (np.arange(n) * texel - half).astype(np.float32)
    x, y = np.meshgrid(axis, axis)
    plan, light = scene.plan, scene.light
    slide = light.key_from[:2] / light.key_from[2]
    key = np.zeros((n, n), np.float32)
    for z in (0.0, -plan.thickness_mm):
        sx, sy = x + np.float32(slide[0] * (z + plan.floor_mm)), y + np.float32(slide[1] * (z + plan.floor_mm))
        key = np.maximum(
            key, ((scene.outline.distance_mm(sx, sy) < 0) & (scene.opening.distance_mm(sx, sy) > 0)).astype(np.float32)
        )
    for solid in [*scene.posts, *scene.below]:
        c = solid.corners_mm
        key = np.maximum(key, _hull_mask(c[:, :2] - slide * (c[:, 2:] + plan.floor_mm), -half, -half, texel, key.shape))
    key = 1 - cv2.GaussianBlur(key, (0, 0), max(plan.key_soft * plan.floor_mm / texel, 0.6))
    over = ((scene.outline.distance_mm(x, y) < 0) & (scene.opening.distance_mm(x, y) > 0)).astype(np.float32)
    sky = 1 - 0.75 * cv2.GaussianBlur(over, (0, 0), 90 / texel)
    for solid in scene.below:
        sky *= 1 - 0.35 * cv2.GaussianBlur(
            _hull_mask(solid.corners_mm[:4, :2], -half, -half, texel, sky.shape), (0, 0), 12 / texel
        )
    return Map(picture=key, left_mm=-half, low_mm=-half, texel_mm=texel), Map(
        picture=sky, left_mm=-half, low_mm=-half, texel_mm=texel
    )


def _grain(scene: Scene, x: Single, y: Single, r: np.random.Generator) -> tuple[Single, NDArray[np.bool_]]:
    """Brightness of the face about 1 (fibres along each rail, blank under paint) and where two rails meet."""
    plan, f = scene.plan, np.float32
    if plan.wood in PAINTED:
        tile = noise_tile(r, 512, 1.0, 1.0)
        value = (
            1
            + f(0.025) * look_up(tile, x / f(0.4), y / f(0.4))
            + f(0.05) * look_up(noise_tile(r, 512, 20, 20), x / f(0.8), y / f(0.8))
        )
        return value, np.zeros(x.shape, bool)
    if len(scene.line_sides):
        starts, ends = scene.line_sides[:, :2], scene.line_sides[:, 2:]
        way = ((ends - starts) / np.hypot(*(ends - starts).T)[:, None]).astype(f)
        away = [np.abs((x - f(p[0])) * w[1] - (y - f(p[1])) * w[0]) for p, w in zip(starts, way, strict=True)]
    else:
        turns = np.arange(4) * np.pi / 2 + np.pi / 4
        way = np.c_[-np.sin(turns), np.cos(turns)].astype(f)
        away = [-(x * f(np.cos(t)) + y * f(np.sin(t))) for t in turns]
    sorted_away = np.sort(np.stack(away), axis=0)
    which = np.argmin(np.stack(away), axis=0)
    along = x * way[which, 0] + y * way[which, 1]
    across = y * way[which, 0] - x * way[which, 1] + f(97) * which.astype(f)
    wave = f(2.5) * np.sin(along / f(90) + which.astype(f))
    broad, fine, fibre = noise_tile(r, 512, 22, 2.2), noise_tile(r, 512, 14, 0.9), noise_tile(r, 512, 7, 0.6)
    value = (
        1
        + f(0.13) * look_up(broad, along / f(1.6), (across + wave) / f(0.9))
        + f(0.06) * look_up(fine, along / f(0.8), (across + wave) / f(0.5))
    )
    value *= 1 - f(0.22) * np.clip(look_up(fibre, along / f(0.45), across / f(0.3)) - f(1.3), 0, 1)
    return np.clip(value, 0.25, 1.8), sorted_away[1] - sorted_away[0] < 0.25


def _stain(
    scene: Scene, shape: tuple[int, int], left: float, low: float, texel: float, r: np.random.Generator
) -> Single:
    """What soils the face: strand marks, dirt round the rims, spots, cracks: factor, shape (h, w)."""
    plan, holes = scene.plan, scene.holes
    dark = np.zeros(shape, np.float32)

    def px(p: Floats) -> tuple[int, int]:
        q = np.round((np.asarray(p) - [left, low]) / texel * 16).astype(int)
        return int(q[0]), int(q[1])

    at = np.c_[holes.x_mm, holes.y_mm]
    n = len(at)
    if plan.strand_marks:
        lines = np.zeros(shape, np.float32)
        for i in range(n):
            to_middle = -at[i] / np.hypot(*at[i])
            for _ in range(2):
                turn = r.normal(0, 0.45)
                way = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ to_middle
                cv2.line(
                    lines,
                    px(at[i]),
                    px(at[i] + way * 26),
                    float(r.uniform(0.1, 0.45)),
                    max(int(2.2 / texel), 1),
                    cv2.LINE_AA,
                    4,
                )
        dark = np.maximum(dark, cv2.GaussianBlur(lines, (0, 0), 0.5 / texel))
    if plan.rim_dirt > 0:
        rings = np.zeros(shape, np.float32)
        for i in range(n):
            radius = holes.bore_mm[i] / 2 + holes.chamfer_mm[i] + r.uniform(0, 1.0)
            cv2.circle(
                rings,
                px(at[i] + r.normal(0, 0.3, 2)),
                int(radius / texel * 16),
                plan.rim_dirt * float(r.uniform(0.1, 0.9)),
                -1,
                cv2.LINE_AA,
                4,
            )
        dark = np.maximum(dark, cv2.GaussianBlur(rings, (0, 0), 0.8 / texel))
    for mark in scene.marks:
        if mark["kind"] != "spot":
            continue
        d = float(mark["d"])  # type: ignore[arg-type]
        size = (int(d / 2 / texel * 16), int(d / 2 / texel * 16 * r.uniform(0.62, 1.0)))
        here = px(np.array([mark["x"], mark["y"]]))
        half = int(d / texel) + 8
        col, row = here[0] // 16 - half, here[1] // 16 - half
        spot = np.zeros((2 * half, 2 * half), np.float32)
        strength = float(r.choice([r.uniform(0.25, 0.7), r.uniform(0.8, 0.97)]))
        cv2.ellipse(
            spot,
            (here[0] - col * 16, here[1] - row * 16),
            size,
            float(r.uniform(0, 180)),
            0,
            360,
            strength,
            -1,
            cv2.LINE_AA,
            4,
        )
        soft = float(r.choice([0.15, 0.35, 0.7])) / texel
        spot = cv2.GaussianBlur(spot, (0, 0), soft) if d > 2 else spot
        into = dark[row : row + 2 * half, col : col + 2 * half]
        np.maximum(into, spot[: into.shape[0], : into.shape[1]], out=into)
    for i, j in scene.cracks:
        steps = np.linspace(0, 1, 9)[:, None]
        path = at[i] * (1 - steps) + at[j] * steps
        path[1:-1] += r.normal(0, 0.35, (7, 2))
        points = np.array([px(p) for p in path], np.int32)
        cv2.polylines(
            dark,
            [points.reshape(-1, 1, 2)],
            False,
            0.85,
            max(round(float(r.uniform(0.2, 0.5)) / texel), 1),
            cv2.LINE_AA,
            4,
        )
    return np.asarray(1 - dark, np.float32)


def top_face(scene: Scene, seed: int) -> Map:
    """Radiance of the top face (without gloss)."""
    plan, light, f = scene.plan, scene.light, np.float32
    r = np.random.default_rng([seed, 3])
    texel = float(np.clip(0.7 * plan.distance_mm / scene.lens.f_px, 0.16, 0.4))
    reach_x, reach_y = np.abs(scene.holes.x_mm).max() + 60, np.abs(scene.holes.y_mm).max() + 70
    wide, deep = np.arange(-reach_x, reach_x, texel, dtype=f), np.arange(-reach_y, reach_y, texel, dtype=f)
    x, y = np.meshgrid(wide, deep)
    left, low, shape = float(wide[0]), float(deep[0]), x.shape
    from_edge, from_opening = -scene.outline.distance_mm(x, y), scene.opening.distance_mm(x, y)
    kept = (from_edge > -1.5) & (from_opening > -1.5)
    x, y, from_edge, from_opening = x[kept], y[kept], from_edge[kept], from_opening[kept]
    value, seam = _grain(scene, x, y, r)
    colour = scene.face_colour.astype(f) * value[:, None]
    if plan.band:
        ragged = noise_tile(r, 512, 7, 7)
        width = (
            f(r.uniform(2.5, 6.5))
            + f(1.1) * look_up(ragged, x / f(0.8), y / f(0.8))
            + f(0.5) * np.abs(np.sin((x + y) / f(r.uniform(3, 7))))
        )
        raw = np.clip((width - from_opening) / f(0.35) + f(0.5), 0, 1)[:, None]
        rough = (1 + f(0.10) * look_up(ragged, x / f(0.25), y / f(0.25)))[:, None]
        lighter = (RAW_WOOD if plan.wood in PAINTED else np.minimum(scene.face_colour * 1.35 + 0.05, 0.9)).astype(f)
        colour = colour * (1 - raw) + lighter * rough * raw
    colour *= _stain(scene, shape, left, low, texel, r)[kept][:, None]
    # eased edges: the normal leans outwards over the last millimetres
    gx, gy, lean = np.zeros_like(x), np.zeros_like(x), np.zeros_like(x)
    for outline, away, ease, sign in (
        (scene.outline, from_edge, r.uniform(1.0, 4.0), 1),
        (scene.opening, from_opening, r.uniform(0.8, 2.5), -1),
    ):
        near = np.flatnonzero(away < ease)
        px, py, e = x[near], y[near], f(0.4)
        dx = outline.distance_mm(px + e, py) - outline.distance_mm(px - e, py)
        dy = outline.distance_mm(px, py + e) - outline.distance_mm(px, py - e)
        norm = np.maximum(np.hypot(dx, dy), f(1e-6)) * f(sign)
        lean[near] = np.clip(1 - away[near] / f(ease), 0, 0.97)
        gx[near], gy[near] = dx / norm * lean[near], dy / norm * lean[near]
    key_seen, sky_seen = np.where(seam, f(0.75), f(1)), np.where(seam, f(0.75), f(1))
    slide = light.key_from[:2] / light.key_from[2]
    for post in scene.posts:
        c = post.corners_mm
        mask = _hull_mask(c[:, :2] - slide * np.maximum(c[:, 2:], 0), left, low, texel, shape)
        key_seen *= 1 - cv2.GaussianBlur(mask, (0, 0), max(plan.key_soft * 60, 0.8) / texel)[kept]
        foot = _hull_mask(c[:4, :2], left, low, 4.0, (int(shape[0] * texel / 4) + 2, int(shape[1] * texel / 4) + 2))
        sky_seen *= 1 - f(0.4) * look_up_clamped(
            cv2.GaussianBlur(foot, (0, 0), 3), (x - f(left)) / f(4), (y - f(low)) / f(4)
        )
    for over in scene.overlays:
        beside = over.distance_mm(x, y)
        near = np.flatnonzero(beside < 12)
        away = over.distance_mm(x[near] + f(slide[0] * over.top_mm), y[near] + f(slide[1] * over.top_mm))
        key_seen[near] *= np.clip(away / f(0.15 + 2 * plan.key_soft * over.top_mm) + f(0.5), 0, 1)
        sky_seen[near] *= 1 - f(0.5) * np.exp(-np.maximum(beside[near], 0) / f(0.8 * over.top_mm))
    lit = irradiance(light, gx, gy, np.sqrt(1 - lean * lean), key_seen, sky_seen)
    picture = np.zeros((*shape, 3), f)
    picture[kept] = colour * lit * falloff(light, x, y)[:, None]
    return Map(picture=picture, left_mm=left, low_mm=low, texel_mm=texel)
