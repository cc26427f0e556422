"""What stands in a drawn picture: frame, holes, scales, legs, marks and light, built from a plan."""

from dataclasses import dataclass

import numpy as np
from drawn_faces import PAINTED, RAW_WOOD, WOODS, card_face, ruler_face
from drawn_geometry import Floats, Lens, Outline, Single, Solid, rounded_rectangle_mm, upright_box
from drawn_plan import Plan

FULL_FRAME_DIAGONAL_MM = 43.2666
CARD_MM = (85.60, 53.98)
"""ISO/IEC 7810 ID-1."""
CARD_TOP_MM = 0.78
"""Card thickness 0.76 mm (ISO/IEC 7810) and a little air, as on the sample set."""
IN_SIGHT = 0.70
"""Share of the rim from which a hole counts as visible, as in the shared truth."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Holes:
    """Bores of a seat and pits of its screws, one entry each.

    Attributes
    ----------
    x_mm, y_mm, bore_mm, chamfer_mm : float arrays
    lean : float array, shape (n, 2)
        Sideways run of the axis per mm of depth.
    plug_mm : float array
        Depth of a pit's bottom; infinite for a bore.
    plug_colour : float array, shape (n, 3)
    blocked : bool array
    strands : float array, shape (n, 5, 4)
        Old cane in a blocked bore: offset x, y, radius and depth of each strand's end; radius 0 for none.
    """

    x_mm: Floats
    y_mm: Floats
    bore_mm: Floats
    chamfer_mm: Floats
    lean: Floats
    plug_mm: Floats
    plug_colour: Floats
    blocked: np.ndarray
    strands: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlay:
    """A card or ruler lying on the frame: its face is ``top_mm`` above the holes."""

    kind: str
    corner_mm: Floats
    along: Floats
    across: Floats
    size_mm: tuple[float, float]
    round_mm: float
    top_mm: float
    face: Single
    side_colour: Floats
    shine: float
    truth: dict[str, object]

    def local_mm(self, x: Single, y: Single) -> tuple[Single, Single]:
        """Plane points in the face's own axes from its first corner."""
        dx, dy = x - np.float32(self.corner_mm[0]), y - np.float32(self.corner_mm[1])
        a, c = self.along.astype(np.float32), self.across.astype(np.float32)
        return dx * a[0] + dy * a[1], dx * c[0] + dy * c[1]

    def distance_mm(self, x: Single, y: Single) -> Single:
        """Signed distance of plane points to its outline."""
        u, v = self.local_mm(x, y)
        w, h = self.size_mm
        return rounded_rectangle_mm(u - np.float32(w / 2), v - np.float32(h / 2), w / 2, h / 2, self.round_mm)

    def corners_mm(self) -> Floats:
        w, h = self.size_mm
        flat = self.corner_mm + np.array([[0, 0], [w, 0], [w, h], [0, h]]) @ np.array([self.along, self.across])
        return np.c_[flat, np.full(4, self.top_mm)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """Sky, one key light and one broad side light; blue-green-red."""

    sky: Floats
    key: Floats
    key_from: Floats
    side: Floats
    side_from: Floats
    gradient: Floats
    window: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """All that is drawn."""

    plan: Plan
    lens: Lens
    outline: Outline
    opening: Outline
    line_sides: Floats
    holes: Holes
    rail: list[str]
    corner: list[bool]
    pits: Holes
    overlays: list[Overlay]
    posts: list[Solid]
    below: list[Solid]
    light: Light
    marks: list[dict[str, object]]
    cracks: list[tuple[int, int]]
    face_colour: Floats
    bore_colour: Floats
    wall_colour: Floats


def _hole_line(plan: Plan, r: np.random.Generator) -> tuple[Floats, list[str], list[bool], Outline, Floats]:
    """Ideal hole centres, rails, corner marks, the hole line as an outline, its straight sides (x0, y0, x1, y1)."""
    wide, deep = plan.seat_size * r.uniform(285, 400), plan.seat_size * r.uniform(285, 400)
    if plan.seat in ("round", "oval"):
        a = wide / 2
        b = a if plan.seat == "round" else a * r.uniform(0.86, 1.14)
        t = np.linspace(0, 2 * np.pi, 20001)
        x, y = a * np.sin(t), -b * np.cos(t)
        s = np.concatenate([[0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
        n = round(s[-1] / plan.pitch_mm)
        at = np.arange(n) * s[-1] / n
        points = np.c_[np.interp(at, s, x), np.interp(at, s, y)]
        line = Outline(lines=np.zeros((0, 3)), arcs=np.zeros((0, 3)), half_axes_mm=(a, b))
        return points, ["ring"] * n, [False] * n, line, np.zeros((0, 4))
    taper = 1.0 if plan.seat == "rect" else r.uniform(0.76, 0.94)
    corners = np.array(
        [[-wide / 2, -deep / 2], [wide / 2, -deep / 2], [wide / 2 * taper, deep / 2], [-wide / 2 * taper, deep / 2]]
    )
    sag = plan.seat_size * r.uniform(16, 42) if plan.seat == "bow" else 0.0
    points, rails, marks, lines, arcs = [], [], [], [], []
    for name, i in (("front", 0), ("right", 1), ("back", 2), ("left", 3)):
        p, q = corners[i], corners[(i + 1) % 4]
        way = (q - p) / np.hypot(*(q - p))
        out = np.array([way[1], -way[0]])
        long = float(np.hypot(*(q - p)))
        if name == "front" and sag > 0:
            radius = (long**2 / 4 + sag**2) / (2 * sag)
            centre = (p + q) / 2 - out * (radius - sag)
            half = np.arcsin(long / 2 / radius)
            n = round(2 * half * radius / plan.pitch_mm)
            turn = -half + 2 * half * np.arange(n) / n
            points.append(centre + radius * (np.sin(turn)[:, None] * way + np.cos(turn)[:, None] * out))
            arcs.append([*centre, radius])
        else:
            n = round(long / plan.pitch_mm)
            points.append(p + np.outer(np.arange(n) * long / n, way))
            lines.append([*out, out @ p])
        rails += [name] * n
        marks += [True] + [False] * (n - 1)
    sides = np.hstack([corners, np.roll(corners, -1, axis=0)])
    return np.vstack(points), rails, marks, Outline(lines=np.array(lines), arcs=np.array(arcs).reshape(-1, 3)), sides


def _misdrilled(
    plan: Plan, ideal: Floats, rail: list[str], corner: list[bool], r: np.random.Generator
) -> tuple[Floats, list[str], list[bool]]:
    """The row with some holes left out and some drilled once more about half a step on; corners stay."""
    inner = [i for i, at_corner in enumerate(corner) if not at_corner]
    some = r.permutation(inner)[: plan.missing_holes + plan.doubled_holes]
    left_out = set(some[: plan.missing_holes].tolist())
    doubled = set(some[plan.missing_holes :].tolist())
    points, rails, marks = [], [], []
    for i, point in enumerate(ideal):
        if i in left_out:
            continue
        points.append(point)
        rails.append(rail[i])
        marks.append(corner[i])
        if i in doubled:
            points.append(point + r.uniform(0.45, 0.55) * (ideal[(i + 1) % len(ideal)] - point))
            rails.append(rail[i])
            marks.append(False)
    return np.array(points), rails, marks


def _holes(plan: Plan, ideal: Floats, r: np.random.Generator) -> Holes:
    n = len(ideal)
    step = np.roll(ideal, -1, axis=0) - np.roll(ideal, 1, axis=0)
    step /= np.hypot(*step.T)[:, None]
    most = min(1.5, 0.13 * plan.pitch_mm)
    along = np.clip(r.normal(0, plan.jitter_along_mm, n), -most, most)
    across = np.clip(r.normal(0, plan.jitter_across_mm, n), -most, most)
    at = ideal + along[:, None] * step + across[:, None] * step[:, ::-1] * [1, -1]
    bore = plan.bore_mm + np.clip(r.normal(0, plan.bore_sd_mm, n), -2.2 * plan.bore_sd_mm, 2.2 * plan.bore_sd_mm)
    worn = r.random(n) < plan.worn_share
    bore = np.where(worn, plan.bore_mm * r.uniform(1.05, 1.16, n), bore)
    lean = np.tan(np.radians(plan.lean_deg)) * r.uniform(-1, 1, (n, 2)) / np.sqrt(2) + np.tan(
        np.radians(plan.lean_deg)
    ) * 0.4 * r.uniform(-1, 1, 2)
    blocked = r.random(n) < plan.blocked_share
    strands = np.zeros((n, 5, 4))
    for i in np.flatnonzero(blocked):
        count = int(r.integers(2, 6))
        radius = plan.bore_mm / 2 * {2: 0.5, 3: 0.46, 4: 0.41, 5: 0.37}[count]
        turn = r.uniform(0, 2 * np.pi) + np.arange(count) * 2 * np.pi / count
        far = (bore[i] / 2 - radius) * r.uniform(0.85, 1.0, count)
        strands[i, :count] = np.c_[
            far * np.cos(turn),
            far * np.sin(turn),
            radius * r.uniform(0.8, 1.02, count),
            r.uniform(0.1, 3.0) + r.uniform(-0.1, 1.0, count),
        ]
    chamfer = np.minimum(plan.chamfer_mm * r.uniform(0.7, 1.3, n), 0.13 * plan.pitch_mm)
    return Holes(
        x_mm=at[:, 0],
        y_mm=at[:, 1],
        bore_mm=bore,
        chamfer_mm=chamfer,
        lean=lean,
        plug_mm=np.full(n, np.inf),
        plug_colour=np.zeros((n, 3)),
        blocked=blocked,
        strands=strands,
    )


def _overlay_places(
    plan: Plan,
    kind: str,
    size: tuple[float, float],
    line: Outline,
    ideal: Floats,
    opening: Outline,
    outline: Outline,
    r: np.random.Generator,
) -> tuple[Floats, Floats, Floats]:
    """A random place beside the hole line: first corner, direction along, direction across."""
    i = int(r.integers(len(ideal)))
    tangent = ideal[(i + 1) % len(ideal)] - ideal[i - 1]
    tangent = tangent / np.hypot(*tangent)
    out = np.array([tangent[1], -tangent[0]])
    if kind == "card":
        turn = r.uniform(-35, 35) + r.choice([0, 90, 180, 270])
        middle = ideal[i] + out * r.uniform(12, 45)
    else:
        turn = r.normal(0, 4) + r.choice([0, 180])
        middle = ideal[i] + out * (r.uniform(4, 24) + size[1] / 2)
        if plan.seat not in ("round", "oval"):  # slide along the rail towards its middle
            middle = middle - tangent * (middle @ tangent) * r.uniform(0.5, 1.0)
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    along = np.array([c * tangent[0] - s * tangent[1], s * tangent[0] + c * tangent[1]])
    across = np.array([along[1], -along[0]])  # a face read from above: x right, y down
    return middle - along * size[0] / 2 - across * size[1] / 2, along, across


def _overlays(
    plan: Plan,
    lens_for_room: Lens,
    line: Outline,
    opening: Outline,
    outline: Outline,
    holes: Holes,
    ideal: Floats,
    posts: list[Solid],
    r: np.random.Generator,
    wood: Floats,
) -> list[Overlay]:
    wanted = {
        "card": ["card"],
        "card+ruler": ["card", "ruler"],
        "ruler-mm": ["ruler-mm"],
        "ruler-inch": ["ruler-inch"],
        "two-rulers": ["ruler", "ruler"],
        "none": [],
    }[plan.scale_kind]
    system = str(r.choice(["mm", "inch"]))
    found: list[Overlay] = []
    for kind in wanted:
        truth: dict[str, object]
        if kind == "card":
            size, top, corner = CARD_MM, CARD_TOP_MM, 3.18
            face, side, shine = card_face(r, wood), np.full(3, 0.6), float(r.choice([0.0, 0.3]))
            truth = {"kind": "card"}
        else:
            of = kind.removeprefix("ruler").removeprefix("-") or system
            steel = bool(r.random() < 0.55)
            length = float(r.choice([152.4, 304.8]) if of == "inch" else r.choice([150.0, 200.0, 300.0]))
            width = float(r.choice([13.0, 19.0, 25.0, 30.0]))
            thick = 0.8 if steel else float(r.uniform(2.5, 4.0))
            zero = float(r.choice([0.0, 3.0, 5.0], p=[0.6, 0.15, 0.25]))
            body = length + 8.0
            size, top, corner = (body, width), thick + 0.05, 0.3
            face = ruler_face(r, system=of, body_mm=body, width_mm=width, zero_mm=zero, length_mm=length, steel=steel)
            side, shine = (np.full(3, 0.3) if steel else wood * 0.3 + 0.15), 0.25 if steel else 0.0
            truth = {
                "kind": "ruler",
                "system": of,
                "length_mm": length,
                "width_mm": width,
                "thickness_mm": thick,
                "zero_mm": zero,
            }
        best: tuple[float, Overlay] | None = None
        for _ in range(60):
            at, along, across = _overlay_places(plan, kind, size, line, ideal, opening, outline, r)
            over = Overlay(
                kind=kind,
                corner_mm=at,
                along=along,
                across=across,
                size_mm=size,
                round_mm=corner,
                top_mm=top,
                face=face,
                side_colour=side,
                shine=shine,
                truth=truth,
            )
            corners = over.corners_mm()
            px = lens_for_room.project(corners)
            out_px = np.maximum(
                np.maximum(8 - px, px - [lens_for_room.width_px - 9, lens_for_room.height_px - 9]).max(), 0
            )
            covered = int(
                (
                    over.distance_mm(holes.x_mm.astype(np.float32), holes.y_mm.astype(np.float32))
                    < holes.bore_mm / 2 + 1
                ).sum()
            )
            grid_u, grid_v = np.meshgrid(np.linspace(0.03, 0.97, 12), np.linspace(0.05, 0.95, 6))
            spots = at + grid_u.reshape(-1, 1) * size[0] * along + grid_v.reshape(-1, 1) * size[1] * across
            sx, sy = spots.T.astype(np.float32)
            carried = float(((outline.distance_mm(sx, sy) < 0) & (opening.distance_mm(sx, sy) > 0)).mean())
            crossed = sum(float(np.mean(o.distance_mm(sx, sy) < 3)) for o in found)
            crossed += sum(
                float(np.mean(np.hypot(sx - p.corners_mm[:4, 0].mean(), sy - p.corners_mm[:4, 1].mean()) < 40))
                for p in posts
            )
            cost = (
                max(out_px, 0) * 0.5
                + max(covered - plan.cover_holes, 0) * 4
                + max(0.3 - carried, 0) * 100
                + crossed * 500
                + r.uniform(0, 3)
            )
            if best is None or cost < best[0]:
                best = (cost, over)
        assert best is not None
        found.append(best[1])
    return found


def _legs_and_posts(
    plan: Plan, outline: Outline, sides: Floats, line: Outline, colour: Floats, r: np.random.Generator
) -> tuple[list[Solid], list[Solid]]:
    legs, posts = [], []
    if line.half_axes_mm is not None:
        a, b = line.half_axes_mm
        turns = np.radians([225, 315, 45, 135]) + r.normal(0, 0.03)
        feet = np.c_[(a + 10) * np.cos(turns), (b + 10) * np.sin(turns)] * r.uniform(0.95, 1.12)
    else:
        feet = sides[:, :2] * r.uniform(0.93, 1.02)
    wide = r.uniform(30, 42)
    splay = r.uniform(0.95, 1.15)
    turn = r.uniform(-3, 3) if line.half_axes_mm is None else r.uniform(0, 90)
    for x, y in feet:
        if plan.legs:
            top = upright_box(x, y, wide, wide, turn, -plan.thickness_mm, 0, colour).corners_mm[:4]
            foot = upright_box(
                x * splay, y * splay, wide * 0.8, wide * 0.8, turn, -plan.floor_mm, 0, colour
            ).corners_mm[:4]
            legs.append(Solid(corners_mm=np.vstack([foot, top]), colour=colour))
    if plan.posts:
        high, back, apart = r.uniform(150, 330), r.uniform(-10, 90), r.uniform(-15, 35)
        clear = wide / 2 + plan.bore_mm / 2 + plan.chamfer_mm
        beside = r.random() < 0.5  # the posts stand beside the corner holes, or behind them
        for x, y in sides[2:, :2]:
            side = np.sign(x)
            near, free = clear + r.uniform(1, 14), r.uniform(-0.2, 1.0) * clear
            ox, oy = (near, free) if beside else (free, near)
            foot = upright_box(x + side * ox, y + oy, wide, wide, turn, -2.0, 0, colour).corners_mm[:4]
            top = upright_box(0, 0, wide * 0.85, wide * 0.75, turn, high, 0, colour).corners_mm[:4]
            top[:, :2] += foot[:, :2].mean(axis=0) + np.array([side * apart, back])
            posts.append(Solid(corners_mm=np.vstack([foot, top]), colour=colour))
    return legs, posts


def _marks(
    plan: Plan, outline: Outline, opening: Outline, holes: Holes, r: np.random.Generator
) -> tuple[list[dict[str, object]], Holes]:
    """Spots and screws beside the holes; screws as pits with a metal bottom."""
    marks: list[dict[str, object]] = []
    pits: list[tuple[float, float, float, float, Floats]] = []
    reach = np.array([np.abs(holes.x_mm).max() + 45, np.abs(holes.y_mm).max() + 45])
    for _ in range(plan.n_marks):
        kind = str(r.choice(["spot", "screw"], p=[0.62, 0.38]))
        d = float(r.uniform(1.2, 7.0)) if kind == "spot" else float(r.choice([2.4, 3.6, 7.6, 9.0]))
        for _ in range(200):
            x, y = r.uniform(-reach, reach)
            fx, fy = np.array([x], np.float32), np.array([y], np.float32)
            if outline.distance_mm(fx, fy)[0] > -d / 2 - 2 or opening.distance_mm(fx, fy)[0] < d / 2 + 3:
                continue
            near = np.hypot(holes.x_mm - x, holes.y_mm - y) - holes.bore_mm / 2 - holes.chamfer_mm - d / 2
            if near.min() < 1.0:
                continue
            marks.append({"kind": kind, "x": float(x), "y": float(y), "d": d})
            if kind == "screw":
                metal = (
                    np.array([0.05, 0.05, 0.05]),
                    np.array([0.35, 0.36, 0.38]),
                    np.array([0.12, 0.35, 0.5]),
                    np.array([0.01, 0.01, 0.01]),
                )[r.integers(4)]
                pits.append((float(x), float(y), d, float(r.choice([0.1, 0.6, 2.0, 6.0])), metal))
            break
    for _ in range(plan.line_marks):  # beside the row, of a hole's size
        kind, d = str(r.choice(["spot", "screw"])), plan.bore_mm * float(r.uniform(0.7, 1.2))
        for _ in range(200):
            i, turn, far = (
                int(r.integers(len(holes.x_mm))),
                r.uniform(0, 2 * np.pi),
                plan.pitch_mm * r.uniform(0.5, 1.4),
            )
            x, y = holes.x_mm[i] + far * np.cos(turn), holes.y_mm[i] + far * np.sin(turn)
            fx, fy = np.array([x], np.float32), np.array([y], np.float32)
            near = np.hypot(holes.x_mm - x, holes.y_mm - y) - holes.bore_mm / 2 - holes.chamfer_mm - d / 2
            clear = outline.distance_mm(fx, fy)[0] < -d / 2 - 2 and opening.distance_mm(fx, fy)[0] > d / 2 + 1
            if clear and near.min() > 0.5:
                marks.append({"kind": kind, "x": float(x), "y": float(y), "d": d})
                if kind == "screw":
                    pits.append((float(x), float(y), d, float(r.choice([0.6, 2.0, 6.0])), np.array([0.1, 0.1, 0.1])))
                break
    n = len(pits)
    pit = Holes(
        x_mm=np.array([p[0] for p in pits]),
        y_mm=np.array([p[1] for p in pits]),
        bore_mm=np.array([p[2] for p in pits]),
        chamfer_mm=np.full(n, 0.1),
        lean=np.zeros((n, 2)),
        plug_mm=np.array([p[3] for p in pits]),
        plug_colour=np.array([p[4] for p in pits]).reshape(n, 3),
        blocked=np.zeros(n, bool),
        strands=np.zeros((n, 5, 4)),
    )
    return marks, pit


def _light(plan: Plan, r: np.random.Generator) -> Light:
    turn, rise = r.uniform(0, 2 * np.pi), np.radians(r.uniform(35, 75))
    key_from = np.array([np.cos(turn) * np.cos(rise), np.sin(turn) * np.cos(rise), np.sin(rise)])
    turn2, rise2 = r.uniform(0, 2 * np.pi), np.radians(r.uniform(10, 35))
    side_from = np.array([np.cos(turn2) * np.cos(rise2), np.sin(turn2) * np.cos(rise2), np.sin(rise2)])
    warm = r.uniform(-0.15, 0.25)
    tint = np.array([1 - warm, 1.0, 1 + warm])
    sky = np.array([1 + 0.5 * warm, 1.0, 1 - 0.5 * warm]) * 0.45
    key, side = tint * plan.key_light, tint * plan.side_light * 0.8
    on_top = sky + key * key_from[2] + side * (side_from[2] + 0.4) / 1.4
    scale = 0.95 * plan.exposure / on_top.mean()
    window = np.array(
        [r.uniform(-0.5, 0.5), r.uniform(-0.5, 0.5), r.uniform(0.05, 0.2), r.uniform(0.05, 0.3), r.uniform(0.02, 0.08)]
    )
    return Light(
        sky=sky * scale,
        key=key * scale,
        key_from=key_from,
        side=side * scale,
        side_from=side_from,
        gradient=r.normal(0, 0.0009, 2),
        window=window,
    )


def build(plan: Plan, seed: int) -> Scene:
    """The scene of a plan; ``seed`` fixes what the plan leaves open."""
    streams = [np.random.default_rng([seed, 2, k]) for k in range(10)]
    ideal, rail, corner, line, sides = _hole_line(plan, streams[0])
    if plan.missing_holes or plan.doubled_holes:
        ideal, rail, corner = _misdrilled(plan, ideal, rail, corner, streams[8])
    holes = _holes(plan, ideal, streams[1])
    inside, outside = streams[2].uniform(9, 19), streams[2].uniform(22, 42)
    inside = max(inside, plan.bore_mm / 2 + plan.chamfer_mm * 1.3 + 3.5)
    opening = line.grown(-inside, streams[2].uniform(8, 22))
    outline = line.grown(outside, streams[2].uniform(8, 26))
    reach = np.hypot(np.abs(ideal[:, 0]).max() + outside, np.abs(ideal[:, 1]).max() + outside)
    height_px = plan.height_px or round(plan.width_px * 0.75)
    f_px = plan.focal_35mm * float(np.hypot(plan.width_px, height_px)) / FULL_FRAME_DIAGONAL_MM
    distance = plan.distance_mm
    for _ in range(40):  # step back until the holes are in the picture
        lens = Lens.above(
            width_px=plan.width_px,
            height_px=height_px,
            f_px=f_px,
            k1=plan.k1,
            target_mm=plan.target_mm,
            distance_mm=distance,
            tilt_deg=plan.tilt_deg,
            towards_deg=plan.towards_deg,
            roll_deg=plan.roll_deg,
        )
        px = lens.project(np.c_[holes.x_mm, holes.y_mm, np.zeros(len(ideal))])
        margin = 0.02 * plan.width_px
        within = ((px > margin) & (px < [plan.width_px - margin, height_px - margin])).all(axis=1)
        if within.mean() >= (1.0 if plan.fit_frame else 0.94):
            break
        distance *= 1.02
    colour = WOODS[plan.wood] * streams[3].uniform(0.85, 1.15) * streams[3].uniform(0.94, 1.06, 3)
    painted = plan.wood in PAINTED
    bore_colour = (RAW_WOOD * (1 - plan.paint_in_bore) + colour * plan.paint_in_bore if painted else colour) * streams[
        3
    ].uniform(0.15, 0.8)
    wall_colour = np.minimum((RAW_WOOD if painted else colour) * streams[3].uniform(0.55, 1.25), 0.9)
    legs, posts = _legs_and_posts(
        plan,
        outline,
        sides,
        line,
        RAW_WOOD * 0.5 if painted and streams[3].random() < 0.4 else colour * 0.9,
        streams[4],
    )
    overlays = _overlays(
        plan, lens, line, opening, outline, holes, ideal, posts, streams[5], WOODS["oak"] if painted else colour
    )
    marks, pits = _marks(plan, outline, opening, holes, streams[6])
    r = streams[7]
    boxes = []
    for _ in range(plan.n_objects):
        x, y = r.uniform(-1.1, 1.1, 2) * reach
        long, wide, high = r.uniform(40, 140), r.uniform(30, 110), r.uniform(8, 60)
        boxes.append(
            upright_box(
                x,
                y,
                long,
                wide,
                r.uniform(0, 180),
                -plan.floor_mm,
                -plan.floor_mm + high,
                r.uniform(0.02, 0.9, 3) ** 1.5,
            )
        )
    n = len(ideal)
    cracks = sorted({(int(i), int(i + 1) % n) for i in r.integers(0, n, plan.n_cracks)})
    return Scene(
        plan=plan,
        lens=lens,
        outline=outline,
        opening=opening,
        line_sides=sides,
        holes=holes,
        rail=rail,
        corner=corner,
        pits=pits,
        overlays=overlays,
        posts=posts,
        below=legs + boxes,
        light=_light(plan, streams[9]),
        marks=marks,
        cracks=cracks,
        face_colour=colour,
        bore_colour=bore_colour,
        wall_colour=wall_colour,
    )
