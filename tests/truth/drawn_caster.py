"""Casts rays at a drawn scene: one a pixel, many where there are edges, holes or scales."""

import cv2
import numpy as np
from drawn_bores import into_holes
from drawn_faces import FACE_PX_PER_MM, PAINTED, floor, look_up, look_up_clamped, noise_tile
from drawn_geometry import Floats, Lens, Outline, Single, Solid
from drawn_scene import Holes, Overlay, Scene
from drawn_top import falloff, floor_shade, irradiance, top_face
from numpy.typing import NDArray

FINE = 4
"""Rays per pixel and direction at edges, holes and scales."""


def _box_px(lens: Lens, corners_mm: Floats, margin: float) -> tuple[float, float, float, float]:
    px = lens.project(corners_mm)
    return px[:, 0].min() - margin, px[:, 1].min() - margin, px[:, 0].max() + margin, px[:, 1].max() + margin


def _within(box: tuple[float, float, float, float], px: Single, py: Single) -> NDArray[np.bool_]:
    return (px >= box[0]) & (px <= box[2]) & (py >= box[1]) & (py <= box[3])


def ring_mm(holes: Holes, i: int, grow_mm: float, n: int) -> Floats:
    t = np.arange(n) * 2 * np.pi / n
    r = holes.bore_mm[i] / 2 + grow_mm
    return np.c_[holes.x_mm[i] + r * np.cos(t), holes.y_mm[i] + r * np.sin(t), np.zeros(n)]


def covered(scene: Scene, x: Single, y: Single, mx: Single, my: Single) -> NDArray[np.bool_]:
    """Whether something lies between the lens and points of the top plane, rays running ``mx, my`` per mm."""
    out = np.zeros(len(x), bool)
    for over in scene.overlays:
        for z in np.linspace(0, over.top_mm, 5):
            out |= over.distance_mm(x - mx * np.float32(z), y - my * np.float32(z)) < 0
    for post in scene.posts:
        first, _ = post.enter(mx, my, scene.lens.origin_mm)
        out |= first < np.float32(scene.lens.origin_mm[2])
    return out


class Caster:
    """Casts the rays of one scene."""

    def __init__(self, scene: Scene, seed: int) -> None:
        self.scene = scene
        self.top = top_face(scene, seed)
        self.floor = floor(np.random.default_rng([seed, 6]), scene.plan.floor_kind)
        self.key_floor, self.sky_floor = floor_shade(scene)
        lens = scene.lens
        self.boxes_below = [_box_px(lens, s.corners_mm, 2) for s in scene.below]
        self.boxes_posts = [_box_px(lens, s.corners_mm, 2) for s in scene.posts]
        self.boxes_over = [
            _box_px(lens, np.vstack([o.corners_mm(), o.corners_mm() * [1, 1, 0]]), 2) for o in scene.overlays
        ]
        self.labels = np.full((lens.height_px, lens.width_px), -1, np.int16)
        self.n_bores = len(scene.holes.x_mm)
        for holes, start in ((scene.holes, 0), (scene.pits, self.n_bores)):
            for i in range(len(holes.x_mm)):
                ring = lens.project(ring_mm(holes, i, float(holes.chamfer_mm[i]) + 0.05, 32))
                ring += (ring - ring.mean(axis=0)) / np.hypot(*(ring - ring.mean(axis=0)).T)[:, None] * 1.6
                cv2.fillPoly(self.labels, [np.round(ring * 16).astype(np.int32)], start + i, cv2.LINE_8, 4)
        self.waviness = noise_tile(np.random.default_rng([seed, 5]), 256, 3, 3)

    def cast(self) -> Single:
        """Radiance, shape (height, width, 3): one ray a pixel, sixteen where it matters."""
        lens = self.scene.lens
        h, w = lens.height_px, lens.width_px
        picture = np.zeros((h, w, 3), np.float32)
        kinds = np.zeros((h, w), np.uint8)
        rows = max(1, 131072 // w)
        xs = np.arange(w, dtype=np.float32)
        for y0 in range(0, h, rows):
            ys = np.arange(y0, min(y0 + rows, h), dtype=np.float32)
            px, py = np.broadcast_to(xs, (len(ys), w)).ravel(), np.repeat(ys, w)
            rgb, kind = self.shade(px, py, np.full(len(px), -1, np.intp))
            picture[y0 : y0 + len(ys)] = rgb.reshape(len(ys), w, 3)
            kinds[y0 : y0 + len(ys)] = kind.reshape(len(ys), w)
        fine = cv2.morphologyEx(kinds, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) > 0
        fine |= self.labels >= 0
        for over in self.scene.overlays:
            ring = np.round(lens.project(over.corners_mm()) * 16).astype(np.int32)
            mask = np.zeros((h, w), np.uint8)
            cv2.fillConvexPoly(mask, ring, 1, cv2.LINE_8, 4)
            fine |= mask > 0
        ys_i, xs_i = np.nonzero(fine)
        step = (np.arange(FINE, dtype=np.float32) + 0.5) / FINE - 0.5
        oy, ox = (v.ravel() for v in np.meshgrid(step, step, indexing="ij"))
        block = 8192
        for k in range(0, len(xs_i), block):
            yi, xi = ys_i[k : k + block], xs_i[k : k + block]
            px = (xi[:, None].astype(np.float32) + ox).ravel()
            py = (yi[:, None].astype(np.float32) + oy).ravel()
            rgb, _ = self.shade(px, py, np.repeat(self.labels[yi, xi].astype(np.intp), FINE * FINE))
            picture[yi, xi] = rgb.reshape(-1, FINE * FINE, 3).mean(axis=1)
        return picture

    def shade(self, px: Single, py: Single, label: NDArray[np.intp]) -> tuple[Single, NDArray[np.uint8]]:
        """Radiance of rays and the kind of thing they met."""
        scene, lens, f = self.scene, self.scene.lens, np.float32
        n = len(px)
        rgb, kind = np.zeros((n, 3), f), np.zeros(n, np.uint8)
        mx, my = lens.runs(px, py)
        origin = lens.origin_mm
        free = np.ones(n, bool)
        for i, (post, box) in enumerate(zip(scene.posts, self.boxes_posts, strict=True)):
            self._solid(post, box, px, py, mx, my, free, rgb, kind, 10 + 8 * i, float(origin[2]))
        x, y = f(origin[0]) + mx * f(origin[2]), f(origin[1]) + my * f(origin[2])
        for i, (over, box) in enumerate(zip(scene.overlays, self.boxes_over, strict=True)):
            self._overlay(over, box, px, py, x, y, mx, my, free, rgb, kind, 40 + 3 * i)
        out, inn = scene.outline.distance_mm(x, y), scene.opening.distance_mm(x, y)
        top = free & (out < 0) & (inn > 0)
        at = np.flatnonzero(top)
        if len(at):
            rgb[at] = look_up_clamped(self.top.picture, *self.top.at(x[at], y[at]))
            kind[at] = 1
            self._holes(at, label, x, y, mx, my, px, py, rgb, kind)
            self._gloss(at[kind[at] == 1], mx, my, x, y, rgb)
        thick = f(scene.plan.thickness_mm)
        low_x, low_y = x + mx * thick, y + my * thick
        for shape, start, sign in ((scene.opening, inn, 1.0), (scene.outline, out, -1.0)):
            side = np.flatnonzero(free & ~top & ((inn <= 0) if sign > 0 else (out >= 0)))
            if not len(side):
                continue
            end = shape.distance_mm(low_x[side], low_y[side])
            hits = (end > 0) if sign > 0 else (end < 0)
            side, end = side[hits], end[hits]
            if len(side):
                self._wall(shape, side, start[side], end, sign, x, y, mx, my, rgb)
                kind[side] = 2 if sign > 0 else 3
                free[side] = False
        rest = np.flatnonzero(free & ~top)
        if len(rest):
            rgb[rest], kind[rest] = self.below(px[rest], py[rest], mx[rest], my[rest])
        return rgb, kind

    def _solid(
        self,
        solid: Solid,
        box: tuple[float, float, float, float],
        px: Single,
        py: Single,
        mx: Single,
        my: Single,
        free: NDArray[np.bool_],
        rgb: Single,
        kind: NDArray[np.uint8],
        number: int,
        before: float,
    ) -> None:
        """Rays that meet a solid above the frame."""
        if box[0] > px.max() or box[2] < px.min() or box[1] > py.max() or box[3] < py.min():
            return
        some = np.flatnonzero(_within(box, px, py) & free)
        t, face = solid.enter(mx[some], my[some], self.scene.lens.origin_mm)
        hit = t < before
        some, t, face = some[hit], t[hit], face[hit]
        if len(some):
            rgb[some] = self._solid_light(solid, t, face, mx[some], my[some], 1.0, 1.0)
            kind[some] = number + face
            free[some] = False

    def _solid_light(
        self,
        solid: Solid,
        t: Single,
        face: NDArray[np.intp],
        mx: Single,
        my: Single,
        key: Single | float,
        sky: Single | float,
    ) -> Single:
        origin, f = self.scene.lens.origin_mm, np.float32
        x, y, z = f(origin[0]) + mx * t, f(origin[1]) + my * t, f(origin[2]) - t
        normal = solid.planes()[face, :3].astype(f)
        fibre = 1 + f(0.05) * np.sin((x + y) * f(1.7)) * np.sin((x - y) * f(0.9) + z * f(0.02))
        one = np.ones_like(t)
        lit = irradiance(self.scene.light, normal[:, 0], normal[:, 1], normal[:, 2], one * key, one * sky)
        return np.asarray(solid.colour.astype(f) * lit * (fibre * falloff(self.scene.light, x, y))[:, None], f)

    def _overlay(
        self,
        over: Overlay,
        box: tuple[float, float, float, float],
        px: Single,
        py: Single,
        x: Single,
        y: Single,
        mx: Single,
        my: Single,
        free: NDArray[np.bool_],
        rgb: Single,
        kind: NDArray[np.uint8],
        number: int,
    ) -> None:
        if box[0] > px.max() or box[2] < px.min() or box[1] > py.max() or box[3] < py.min():
            return
        f, light = np.float32, self.scene.light
        some = np.flatnonzero(_within(box, px, py) & free)
        up = f(over.top_mm)
        face_x, face_y = x[some] - mx[some] * up, y[some] - my[some] * up
        on_face = over.distance_mm(face_x, face_y) < 0
        hit = some[on_face]
        if len(hit):
            u, v = over.local_mm(face_x[on_face], face_y[on_face])
            art = look_up_clamped(over.face, u * f(FACE_PX_PER_MM) - f(0.5), v * f(FACE_PX_PER_MM) - f(0.5))
            one = np.ones(len(hit), f)
            lit = (
                irradiance(light, one * 0, one * 0, one, one, one)
                * falloff(light, face_x[on_face], face_y[on_face])[:, None]
            )
            sheen = self._sheen(mx[hit], my[hit], f(over.shine), f(12 if over.kind != "card" else 60))
            rgb[hit] = art * lit + sheen[:, None] * light.key.astype(f)
            kind[hit] = number
            free[hit] = False
        beside = np.zeros(len(some), bool)
        for share in (0.75, 0.5, 0.25, 0.0):
            beside |= over.distance_mm(x[some] - mx[some] * up * f(share), y[some] - my[some] * up * f(share)) < 0
        hit = some[beside & ~on_face]
        if len(hit):
            one = np.ones(len(hit), f)
            away = -np.stack([mx[hit], my[hit]]) / np.maximum(np.hypot(mx[hit], my[hit]), f(1e-6))
            lit = irradiance(light, away[0], away[1], one * 0, one * 0.8, one * 0.7)
            rgb[hit] = over.side_colour.astype(f) * lit * falloff(light, x[hit], y[hit])[:, None]
            kind[hit] = number + 1
            free[hit] = False

    def _sheen(
        self, mx: Single, my: Single, strength: np.float32, power: np.float32, normal: Single | None = None
    ) -> Single:
        """Highlight of the key light, on level faces or on given normals, shape (n, 3)."""
        seen = np.stack([-mx, -my, np.ones_like(mx)])
        seen /= np.sqrt((seen**2).sum(axis=0))
        half = seen + self.scene.light.key_from[:, None].astype(np.float32)
        half /= np.sqrt((half**2).sum(axis=0))
        facing = half[2] if normal is None else np.maximum((half * normal.T).sum(axis=0), 0)
        return np.asarray(strength * facing**power, np.float32)

    def _gloss(
        self,
        at: NDArray[np.intp],
        mx: Single,
        my: Single,
        x: Single,
        y: Single,
        rgb: Single,
        normal: Single | None = None,
    ) -> None:
        """Varnish: the key light's highlight and a window's reflection; on the level face or on normals (n, 3)."""
        f = np.float32
        gloss = f(self.scene.plan.gloss)
        if gloss <= 0 or not len(at):
            return
        light = self.scene.light
        add = self._sheen(mx[at], my[at], gloss * f(0.35), f(90 if self.scene.plan.wood in PAINTED else 45), normal)
        rx, ry, up = mx[at], my[at], f(1)
        if normal is not None:  # mirrored ray d - 2 (d n) n
            against = 2 * (rx * normal[:, 0] + ry * normal[:, 1] - normal[:, 2])
            up = np.maximum(-1 - against * normal[:, 2], f(1e-3))
            rx, ry = rx - against * normal[:, 0], ry - against * normal[:, 1]
        cx, cy, wx, wy, soft = (f(v) for v in light.window)
        jog = f(0.006) * look_up(self.waviness, x[at] / f(0.9), y[at] / f(0.9))
        pane = np.clip((wx - np.abs(rx / up + jog - cx)) / soft + f(0.5), 0, 1) * np.clip(
            (wy - np.abs(ry / up - jog - cy)) / soft + f(0.5), 0, 1
        )
        add = add + gloss * f(0.22) * pane
        rgb[at] += add[:, None] * (light.sky + 0.5 * light.key).astype(f)

    def _holes(
        self,
        at: NDArray[np.intp],
        label: NDArray[np.intp],
        x: Single,
        y: Single,
        mx: Single,
        my: Single,
        px: Single,
        py: Single,
        rgb: Single,
        kind: NDArray[np.uint8],
    ) -> None:
        marked = at[label[at] >= 0]
        for holes, start, stop in ((self.scene.holes, 0, self.n_bores), (self.scene.pits, self.n_bores, 1 << 15)):
            some = marked[(label[marked] >= start) & (label[marked] < stop)]
            if not len(some):
                continue
            which = label[some] - start
            inside = (
                np.hypot(x[some] - holes.x_mm[which], y[some] - holes.y_mm[which])
                < holes.bore_mm[which] / 2 + holes.chamfer_mm[which]
            )
            some, which = some[inside], which[inside]
            if not len(some):
                continue
            struck = into_holes(self.scene, holes, which, x[some], y[some], mx[some], my[some], rgb[some])
            rgb[some] = struck.radiance
            kind[some] = 4
            rim = some[struck.on_rim]
            self._gloss(rim, mx, my, x, y, rgb, struck.normal[struck.on_rim])
            on = some[struck.through]
            if len(on):
                rgb[on], _ = self.below(px[on], py[on], mx[on], my[on])

    def _wall(
        self,
        outline: Outline,
        some: NDArray[np.intp],
        start: Single,
        end: Single,
        sign: float,
        x: Single,
        y: Single,
        mx: Single,
        my: Single,
        rgb: Single,
    ) -> None:
        """Inner and outer walls of the frame."""
        f, scene = np.float32, self.scene
        share = start / (start - end)
        deep = share * f(scene.plan.thickness_mm)
        wx, wy = x[some] + mx[some] * deep, y[some] + my[some] * deep
        e = f(0.5)
        gx = outline.distance_mm(wx + e, wy) - outline.distance_mm(wx - e, wy)
        gy = outline.distance_mm(wx, wy + e) - outline.distance_mm(wx, wy - e)
        norm = np.maximum(np.hypot(gx, gy), f(1e-6)) * f(-sign)
        one = np.ones_like(deep)
        key = np.clip(1 - deep / f(30), 0.2, 1) if sign > 0 else one
        lit = irradiance(
            scene.light,
            gx / norm,
            gy / norm,
            one * 0,
            one * key,
            one * (f(0.8) - f(0.3) * deep / f(scene.plan.thickness_mm)),
        )
        streak = 1 + f(0.12) * np.sin((wx - wy) * f(1.3)) * np.sin((wx + wy) * f(0.31))
        colour = scene.wall_colour if sign > 0 else scene.face_colour
        rgb[some] = colour.astype(f) * lit * (streak * falloff(scene.light, wx, wy))[:, None]

    def below(self, px: Single, py: Single, mx: Single, my: Single) -> tuple[Single, NDArray[np.uint8]]:
        """What rays meet under the frame: legs, boxes, floor."""
        scene, f = self.scene, np.float32
        origin, light = scene.lens.origin_mm, scene.light
        nearest = np.full(len(px), origin[2] + scene.plan.floor_mm, f)
        which, face = np.full(len(px), -1), np.zeros(len(px), np.intp)
        for i, (solid, box) in enumerate(zip(scene.below, self.boxes_below, strict=True)):
            if box[0] > px.max() or box[2] < px.min() or box[1] > py.max() or box[3] < py.min():
                continue
            some = np.flatnonzero(_within(box, px, py))
            t, entered = solid.enter(mx[some], my[some], origin)
            closer = t < nearest[some]
            some = some[closer]
            nearest[some], which[some], face[some] = t[closer], i, entered[closer]
        rgb, kind = np.empty((len(px), 3), f), np.full(len(px), 5, np.uint8)
        ground = np.flatnonzero(which < 0)
        x, y = f(origin[0]) + mx * nearest, f(origin[1]) + my * nearest
        if len(ground):
            gx, gy = x[ground], y[ground]
            turn = np.radians(self.floor.turn_deg)
            c, s = f(np.cos(turn) / self.floor.texel_mm), f(np.sin(turn) / self.floor.texel_mm)
            tile = look_up(self.floor.tile, gx * c - gy * s, gx * s + gy * c)
            key = look_up_clamped(self.key_floor.picture, *self.key_floor.at(gx, gy))
            sky = look_up_clamped(self.sky_floor.picture, *self.sky_floor.at(gx, gy))
            one = np.ones(len(ground), f)
            rgb[ground] = (
                tile
                * f(scene.plan.floor_light)
                * irradiance(light, one * 0, one * 0, one, key, sky)
                * falloff(light, gx * f(0.5), gy * f(0.5))[:, None]
            )
        for i, solid in enumerate(scene.below):
            some = np.flatnonzero(which == i)
            if len(some):
                z = f(origin[2]) - nearest[some]
                slide = (light.key_from[:2] / light.key_from[2]).astype(f)
                rise = z + f(scene.plan.floor_mm)
                key = look_up_clamped(
                    self.key_floor.picture, *self.key_floor.at(x[some] - slide[0] * rise, y[some] - slide[1] * rise)
                )
                low = look_up_clamped(self.sky_floor.picture, *self.sky_floor.at(x[some], y[some]))
                rgb[some] = self._solid_light(
                    solid, nearest[some], face[some], mx[some], my[some], key, 0.5 + 0.5 * low
                )
                kind[some] = (64 + 6 * i + face[some]).astype(np.uint8)
        return rgb, kind
