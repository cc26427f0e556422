"""Random seats of bored holes for the rim tracer: what is drawn, and its truth.

Run as a script it writes ``rim_fields.h``, the tracer's parameter struct, so that the two never disagree.
All lengths in mm in the hole's own frame: x along the line of sight's horizontal run (away from the lens),
z up. Light and wood are drawn once a seat, in the seat's frame, and turned into each hole's frame.
"""

import sys

import numpy as np

FIELDS = [
    "radius",
    "chamfer",
    "chamfer_ax",
    "chamfer_ay",
    "oval_c",
    "oval_s",
    "lean_x",
    "lean_y",
    "thick",
    "exit_round",
    "top",
    "edge_at",
    "edge_x",
    "edge_y",
    "edge_round",
    "cover_h",
    "cover_at",
    "cover_x",
    "cover_y",
    "cover_f",
    "cover_t",
    "cover_k",
    "cover_lines",
    "cov_r",
    "cov_g",
    "cov_b",
    "p1x",
    "p1y",
    "p1z",
    "p1r",
    "p1tx",
    "p1ty",
    "p2x",
    "p2y",
    "p2z",
    "p2r",
    "p2tx",
    "p2ty",
    "p3x",
    "p3y",
    "p3z",
    "p3r",
    "p3tx",
    "p3ty",
    "p4x",
    "p4y",
    "p4z",
    "p4r",
    "p4tx",
    "p4ty",
    "plug_round",
    "plug_r",
    "plug_g",
    "plug_b",
    "plug_ks",
    "plug_rough",
    "plug_tex",
    "plug_metal",
    "slot_x",
    "slot_y",
    "slot_w",
    "sky0",
    "sky_gx",
    "sky_gy",
    "sky_gz",
    "sky_lo",
    "sky_floor",
    "sky_r",
    "sky_g",
    "sky_b",
    "floor_depth",
    "floor_x",
    "floor_y",
    "floor_at",
    "floor_soft",
    "floor1",
    "floor2",
    "fl_r",
    "fl_g",
    "fl_b",
    "fm_r",
    "fm_g",
    "fm_b",
    "win_x",
    "win_y",
    "win_z",
    "win_a",
    "win_r",
    "win_g",
    "win_b",
    "sun",
    "sun_x",
    "sun_y",
    "sun_z",
    "sun_a",
    "sun_r",
    "sun_g",
    "sun_b",
    "face_r",
    "face_g",
    "face_b",
    "face_tex",
    "face_ks",
    "face_rough",
    "raw_r",
    "raw_g",
    "raw_b",
    "raw_tex",
    "raw_ks",
    "raw_rough",
    "ring_a",
    "ring_f",
    "finish_off",
    "finish_soft",
    "finish_n",
    "dirt",
    "dirt_d",
    "grain_x",
    "grain_y",
    "grain_f",
    "grain_a",
    "pore_a",
    "band_at",
    "band_x",
    "band_y",
    "band_soft",
    "band_r",
    "band_g",
    "band_b",
    "halo_a",
    "halo_w",
    "mark_a",
    "mark_x",
    "mark_y",
    "mark_w",
    "crack_w",
    "crack_x",
    "crack_y",
    "spot_a",
    "spot_x",
    "spot_y",
    "spot_c",
    "spot_s",
    "spot_rx",
    "spot_ry",
    "spot_soft",
    "spot_n",
    "spot_ring",
    "spot_r",
    "spot_g",
    "spot_b",
    "slope_x",
    "slope_y",
    "eye_h",
    "m00",
    "m01",
    "m10",
    "m11",
    "off_x",
    "off_y",
    "reach_px",
    "spp",
    "clip",
    "seed",
]

DTYPE = np.dtype([(f, "<f4") for f in FIELDS])

# Linear-light albedos of woods and paints, from memory, spread widely below.
WOODS = np.array(
    [
        [0.50, 0.20, 0.11],
        [0.72, 0.52, 0.33],
        [0.52, 0.33, 0.17],
        [0.22, 0.13, 0.08],
        [0.28, 0.10, 0.07],
        [0.62, 0.42, 0.26],
        [0.04, 0.04, 0.045],
        [0.80, 0.78, 0.74],
        [0.12, 0.19, 0.15],
        [0.60, 0.45, 0.24],
        [0.35, 0.22, 0.12],
        [0.10, 0.05, 0.03],
        [0.15, 0.18, 0.28],
        [0.45, 0.44, 0.42],
    ]
)


def _wood(rng: np.random.Generator, n: int) -> np.ndarray:
    a = (
        WOODS[rng.integers(0, len(WOODS), n)]
        * np.exp(rng.normal(0, 0.25, (n, 1)))
        * np.exp(rng.normal(0, 0.10, (n, 3)))
    )
    return np.clip(a, 0.015, 0.88)


def _dir(rng: np.random.Generator, n: int, lo: float, hi: float) -> tuple[np.ndarray, np.ndarray]:
    """Azimuth and z of n directions between two elevations in degrees."""
    return rng.uniform(0, 2 * np.pi, n), np.sin(np.radians(rng.uniform(lo, hi, n)))


def _kinds(rng: np.random.Generator, S: int, H: int) -> tuple[np.ndarray, np.ndarray]:
    """What is where: kind 0 open, 1 blocked, 2 no hole, and which sort of no hole."""

    def some(p: float) -> np.ndarray:
        return rng.uniform(size=(S, H)) < p

    kind = np.where(some(0.10), 1, np.where(some(0.18), 2, 0))
    kind[:, 0] = np.where(kind[:, 0] == 2, 0, kind[:, 0])
    what = np.where(kind == 2, rng.choice(np.arange(1, 9), (S, H), p=[0.2, 0.1, 0.2, 0.1, 0.08, 0.1, 0.15, 0.07]), 0)
    return kind, what


def seats(
    rng: np.random.Generator, n_seats: int, n_holes: int, px: tuple[float, float] = (3.1, 20.0)
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Scenes, shape (n_seats, n_holes) of DTYPE, and truth arrays of the same shape.

    Truth: kind (0 open hole, 1 blocked, 2 no hole), rough_ratio is drawn later by the reader.
    """
    S, H = n_seats, n_holes
    u = rng.uniform
    s = np.zeros((S, H), DTYPE)
    one = np.ones((1, H))

    def seat(v: np.ndarray) -> np.ndarray:
        return np.asarray(v)[:, None] * one

    def some(p: float, shape: tuple[int, ...] = (S,)) -> np.ndarray:
        return u(size=shape) < p

    # sizes
    bore = np.exp(u(np.log(3.4), np.log(9.0), S))
    spread = np.where(some(0.5), u(0.002, 0.012, S), u(0.01, 0.05, S))
    d = seat(bore) * (1 + seat(spread) * rng.normal(size=(S, H)))
    worn = some(0.07, (S, H)) & seat(some(0.7)).astype(bool)
    d = np.where(worn, d * u(1.05, 1.22, (S, H)), d)
    R = d / 2
    # half of the seats have roundings from 0.05 mm, even in log; chamfers vary +-30 % over a seat, more when worn
    c0 = np.where(some(0.6), np.exp(u(np.log(0.06), np.log(1.3), S)), u(0.05, 1.3, S))
    c = seat(c0) * u(0.65, 1.35, (S, H)) * np.where(worn, u(0.8, 1.5, (S, H)), 1.0)
    c = np.minimum(np.clip(c, 0.03, 1.7), 0.6 * R)
    thick = np.maximum(seat(u(15, 30, S)), c + 4)
    s["thick"] = thick
    s["exit_round"] = seat(np.where(some(0.5), 0.05, u(0.05, 1.0, S)))
    a = np.where(some(0.4, (S, H)), u(0, 0.3, (S, H)), 0.03)
    f = u(0, 2 * np.pi, (S, H))
    s["chamfer_ax"], s["chamfer_ay"] = a * np.cos(f), a * np.sin(f)
    oval = np.abs(rng.normal(0, 0.006, (S, H))) + np.where(worn, u(0, 0.03, (S, H)), 0)
    f = u(0, 2 * np.pi, (S, H))
    s["oval_c"], s["oval_s"] = oval * np.cos(f), oval * np.sin(f)
    lean_max = np.tan(np.radians(np.where(some(0.85), u(0, 3, S), u(3, 10, S))))
    lean0, az = lean_max * u(0, 1, S), u(0, 2 * np.pi, S)
    lx = seat(lean0 * np.cos(az)) + 0.02 * rng.normal(size=(S, H))
    ly = seat(lean0 * np.sin(az)) + 0.02 * rng.normal(size=(S, H))

    # the line of sight, in the seat's frame, then everything is turned so that it runs along +x
    t0, az = np.where(some(0.6), u(0.0, 0.4, S), u(0.0, 0.75, S)), u(0, 2 * np.pi, S)
    q, qa = 0.4 * np.sqrt(u(0, 1, (S, H))), u(0, 2 * np.pi, (S, H))
    vx, vy = seat(t0 * np.cos(az)) + q * np.cos(qa), seat(t0 * np.sin(az)) + q * np.sin(qa)
    slope = np.hypot(vx, vy)
    turn = np.arctan2(vy, vx)
    co, si = np.cos(turn), np.sin(turn)

    def turned(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return x * co + y * si, -x * si + y * co

    s["lean_x"], s["lean_y"] = turned(lx, ly)
    s["slope_x"], s["slope_y"] = slope, 0
    s["eye_h"] = seat(u(300, 700, S))

    # light
    s["sky0"] = seat(u(0.3, 1.0, S))
    for k in ("sky_gx", "sky_gy"):
        s[k] = seat(rng.normal(0, 0.35, S))
    s["sky_gx"], s["sky_gy"] = turned(s["sky_gx"], s["sky_gy"])
    s["sky_gz"] = seat(u(-0.3, 1.2, S))
    s["sky_lo"] = seat(u(-0.2, 0.5, S))
    s["sky_floor"] = seat(u(0.1, 1.0, S))
    for k in "rgb":
        s["sky_" + k] = seat(np.exp(rng.normal(0, 0.08, S)))
    az, z = _dir(rng, S, 15, 85)
    az = seat(az) + rng.normal(0, 0.08, (S, H))
    z = np.clip(seat(z) + rng.normal(0, 0.02, (S, H)), 0.15, 0.998)
    h = np.sqrt(1 - z**2)
    s["win_x"], s["win_y"] = turned(h * np.cos(az), h * np.sin(az))
    s["win_z"] = z
    wa = np.radians(np.exp(u(np.log(4), np.log(38), S)))
    s["win_a"] = seat(wa)
    e = np.where(some(0.85), np.exp(u(np.log(0.15), np.log(4.0), S)), 0.0)  # irradiance against the sky's pi * sky0
    tint = np.exp(rng.normal(0, 0.08, (S, 3)))
    for j, k in enumerate("rgb"):
        s["win_" + k] = seat(e * tint[:, j] / (2 * (1 - np.cos(wa))))
    az, z = _dir(rng, S, 18, 80)
    az, z = seat(az) + rng.normal(0, 0.02, (S, H)), seat(z)
    h = np.sqrt(1 - z**2)
    s["sun_x"], s["sun_y"] = turned(h * np.cos(az), h * np.sin(az))
    s["sun_z"] = z
    sun = np.where(some(0.35), np.exp(u(np.log(0.5), np.log(12.0), S)), 0.0)
    s["sun"] = seat(sun) * np.where(some(0.85, (S, H)), 1.0, 0.0)
    s["sun_a"] = seat(np.radians(np.exp(u(np.log(0.25), np.log(4), S))))
    tint = np.exp(rng.normal(0, 0.1, (S, 3)))
    for j, k in enumerate("rgb"):
        s["sun_" + k] = seat(tint[:, j])

    # floor below
    s["floor_depth"] = seat(u(60, 450, S))
    f = u(0, 2 * np.pi, (S, H))
    s["floor_x"], s["floor_y"] = np.cos(f), np.sin(f)
    run = slope * s["floor_depth"]
    s["floor_at"] = run * s["floor_x"] + rng.normal(0, 1, (S, H)) * 0.15 * s["floor_depth"]
    s["floor_soft"] = seat(np.exp(u(np.log(0.3), np.log(60), S)))
    lum = seat(s["sky0"][:, 0] + e / np.pi)
    bright = seat(np.where(some(0.4), u(0.0, 0.08, S), np.exp(u(np.log(0.03), np.log(1.6), S))))
    s["floor1"] = lum * bright
    s["floor2"] = s["floor1"] * np.where(some(0.35, (S, H)), np.exp(rng.normal(0, 1.0, (S, H))), 1.0)
    fc = np.clip(np.exp(rng.normal(0, 0.35, (S, 3))), 0.2, 3)
    fd = np.where(some(0.5)[:, None], fc, np.clip(np.exp(rng.normal(0, 0.45, (S, 3))), 0.15, 3))
    for j, k in enumerate("rgb"):
        s["fl_" + k], s["fm_" + k] = seat(fc[:, j]), seat(fd[:, j])

    # wood
    face = _wood(rng, S)
    raw = np.where(
        some(0.5)[:, None],
        face * u(0.35, 1.15, (S, 1)) * np.exp(rng.normal(0, 0.12, (S, 3))),
        _wood(rng, S) * u(0.4, 1.0, (S, 1)),
    )
    raw = np.where(some(0.2)[:, None], face, raw)
    hole_raw = np.exp(rng.normal(0, 0.08, (S, H)))
    for j, k in enumerate("rgb"):
        s["face_" + k] = seat(face[:, j]) * np.exp(rng.normal(0, 0.04, (S, H)))
        s["raw_" + k] = np.clip(seat(raw[:, j]) * hole_raw, 0.01, 0.9)
    s["face_tex"] = seat(np.where(some(0.25), 0.15, 1.0))
    s["raw_tex"] = seat(u(0.2, 1.0, S))
    s["face_ks"] = seat(np.where(some(0.25), 0.0, u(0.01, 0.07, S)))
    s["face_rough"] = seat(np.exp(u(np.log(0.06), np.log(0.5), S)))
    s["raw_ks"] = seat(np.where(some(0.5), 0.0, u(0.0, 0.04, S)))
    s["raw_rough"] = seat(u(0.25, 0.6, S))
    s["ring_a"], s["ring_f"] = seat(u(0, 0.25, S)), seat(u(0.5, 4, S))
    s["finish_off"] = seat(
        np.select([some(0.62), some(0.4), some(0.5)], [np.zeros(S), u(-1.3, 0, S), u(-3.0, -1.0, S)], u(0, 0.5, S))
    )
    s["finish_soft"] = np.maximum(seat(np.exp(u(np.log(0.01), np.log(0.25), S))), 0.005)
    s["finish_n"] = seat(np.where(some(0.3), u(0, 0.3, S), 0.0)) * c
    s["dirt"], s["dirt_d"] = seat(np.where(some(0.3), u(0, 0.6, S), 0.0)), seat(u(0.3, 6, S))
    f = u(0, 2 * np.pi, (S, H))
    s["grain_x"], s["grain_y"] = np.cos(f), np.sin(f)
    s["grain_f"] = seat(np.exp(u(np.log(0.5), np.log(4), S)))
    s["grain_a"], s["pore_a"] = (
        seat(np.exp(u(np.log(0.02), np.log(0.4), S))),
        seat(np.where(some(0.4), u(0, 0.5, S), 0)),
    )
    outer = R + c
    s["band_at"] = np.where(some(0.15, (S, H)), outer * u(0.7, 2.2, (S, H)) * np.where(some(0.5, (S, H)), 1, -1), 1e4)
    f = u(0, 2 * np.pi, (S, H))
    s["band_x"], s["band_y"] = np.cos(f), np.sin(f)
    s["band_soft"] = u(0.1, 1.5, (S, H))
    band = np.clip(face * np.exp(rng.normal(0, 0.3, (S, 3))), 0.01, 0.9)
    for j, k in enumerate("rgb"):
        s["band_" + k] = seat(band[:, j])
    halo = seat(np.where(some(0.5), u(-0.15, 0.6, S), 0.0))
    s["halo_a"] = halo * np.where(seat(some(0.5)), u(0.7, 1.0, (S, H)), u(0, 1, (S, H)))
    s["halo_w"] = seat(np.exp(u(np.log(0.15), np.log(2.5), S)))
    s["mark_a"] = np.where(some(0.25, (S, H)), u(-0.25, 0.5, (S, H)), 0)
    f = u(0, 2 * np.pi, (S, H))
    s["mark_x"], s["mark_y"], s["mark_w"] = np.cos(f), np.sin(f), R * u(0.3, 0.9, (S, H))
    s["crack_w"] = np.where(some(0.04, (S, H)), u(0.08, 0.3, (S, H)), 0)
    f = u(0, 2 * np.pi, (S, H))
    s["crack_x"], s["crack_y"] = np.cos(f), np.sin(f)
    s["edge_at"] = np.where(some(0.10, (S, H)), outer * u(1.15, 2.4, (S, H)), 1e4)
    f = u(0, 2 * np.pi, (S, H))
    s["edge_x"], s["edge_y"], s["edge_round"] = np.cos(f), np.sin(f), u(0.3, 3, (S, H))
    kind, what = _kinds(rng, S, H)
    what_cover = what == 8
    cover = some(0.10, (S, H)) | what_cover
    s["cover_h"] = np.where(cover, np.where(some(0.8, (S, H)), u(0.3, 4.5, (S, H)), u(10, 60, (S, H))), 0)
    f = u(0, 2 * np.pi, (S, H))
    s["cover_x"], s["cover_y"] = np.cos(f), np.sin(f)
    s["cover_at"] = R * np.where(what_cover, u(-9, -3, (S, H)), u(-0.5, 2.0, (S, H)))
    s["cover_lines"] = np.where(some(0.5, (S, H)), np.exp(u(np.log(0.4), np.log(1.6), (S, H))), 0)
    s["cover_f"], s["cover_t"], s["cover_k"] = u(0.2, 1.5, (S, H)), u(-0.3, 1.0, (S, H)), u(0.05, 1.5, (S, H))
    cc = np.clip(np.exp(rng.normal(-1.2, 0.9, (S, H, 1))) * np.exp(rng.normal(0, 0.4, (S, H, 3))), 0.01, 0.85)
    for j, k in enumerate("rgb"):
        s["cov_" + k] = cc[..., j]

    # what it is
    cane = np.array([0.62, 0.43, 0.20]) * np.exp(rng.normal(0, 0.25, (S, 1))) * np.exp(rng.normal(0, 0.1, (S, 3)))
    blocked = kind == 1
    n_plug = np.where(blocked, rng.integers(1, 5, (S, H)), 0)
    depth = u(0, 1, (S, H)) ** 1.4 * 7.0 - 0.6
    for k in range(1, 5):
        on = n_plug >= k
        pr = np.where(n_plug == 1, u(0.45, 0.98, (S, H)), u(0.28, 0.52, (S, H))) * R
        far = np.clip(R - pr, 0, None) * np.sqrt(u(0, 1, (S, H)))
        f = u(0, 2 * np.pi, (S, H))
        pz = -depth + rng.normal(0, 0.4, (S, H))
        s[f"p{k}x"], s[f"p{k}y"], s[f"p{k}z"] = (
            far * np.cos(f) + s["lean_x"] * pz,
            far * np.sin(f) + s["lean_y"] * pz,
            pz,
        )
        s[f"p{k}tx"], s[f"p{k}ty"] = s["lean_x"] + rng.normal(0, 0.1, (S, H)), s["lean_y"] + rng.normal(0, 0.1, (S, H))
        s[f"p{k}r"] = np.where(on, pr, 0)
    # a blocked hole counts as one when some of the packing is surely in sight past the near rim
    clear = np.full((S, H), -9.0)
    for k in range(1, 5):
        z = np.maximum(-s[f"p{k}z"], 0)
        far = np.hypot(s[f"p{k}x"] - slope * z, s[f"p{k}y"])
        clear = np.where(s[f"p{k}r"] > 0, np.maximum(clear, (R + s[f"p{k}r"] - far) / R), clear)
    block_sure = np.where(blocked & (clear < 0.5), 0.0, 1.0)
    s["plug_round"] = u(0.1, 0.95, (S, H))
    for j, k in enumerate("rgb"):
        s["plug_" + k] = np.clip(seat(cane[:, j]) * np.exp(rng.normal(0, 0.1, (S, H))), 0.02, 0.85)
    s["plug_ks"], s["plug_rough"], s["plug_tex"] = 0.03, 0.3, 1.0

    # not a hole: 1 spot, 2 knot, 3 screw or nail head, 4 worm hole or other small bore, 5 bare wood, 6 dark soft stain,
    # 7 crisp flat disc, 8 a printed thing lying there
    size = R * np.exp(u(np.log(0.35), np.log(1.6), (S, H)))
    flat = np.isin(what, (1, 2, 3, 5, 6, 7))
    spot = np.isin(what, (1, 2, 6, 7))
    s["spot_a"] = np.where(spot, u(0.4, 1.0, (S, H)), np.where(some(0.06, (S, H)), u(0.3, 1, (S, H)), 0))
    away = np.where(spot, 0.0, outer * u(1.2, 2.2, (S, H)))
    f = u(0, 2 * np.pi, (S, H))
    s["spot_x"], s["spot_y"] = away * np.cos(f), away * np.sin(f)
    s["spot_c"], s["spot_s"] = np.cos(f * 3), np.sin(f * 3)
    small = np.where(spot, 1.0, 0.4)
    disc = what == 7
    s["spot_rx"], s["spot_ry"] = size * small, size * small * np.where(disc, u(0.9, 1.0, (S, H)), u(0.55, 1.0, (S, H)))
    s["spot_a"] = np.where(disc, 1.0, s["spot_a"])
    s["spot_soft"] = np.where(what == 6, u(0.3, 0.9, (S, H)), np.exp(u(np.log(0.02), np.log(0.6), (S, H))))
    s["spot_soft"] = np.where(disc, u(0.01, 0.1, (S, H)), s["spot_soft"])
    s["spot_n"], s["spot_ring"] = (
        np.where(disc, 0.0, u(0, 0.25, (S, H))),
        np.where((what == 2) & some(0.7, (S, H)), u(4, 18, (S, H)), 0),
    )
    sc = np.where(
        some(0.6, (S, H))[..., None],
        np.exp(rng.normal(-3.6, 0.6, (S, H, 1))) * np.ones(3),
        face[:, None] * u(0.1, 0.7, (S, H, 1)),
    )
    for j, k in enumerate("rgb"):
        s["spot_" + k] = np.clip(sc[..., j] * np.exp(rng.normal(0, 0.15, (S, H))), 0.004, 0.8)
    screw = what == 3
    sunk = some(0.5, (S, H)) & screw
    for k, v in {
        "p1x": 0,
        "p1y": 0,
        "p1z": np.where(sunk, u(-1.2, 0.0, (S, H)), u(-0.1, 1.2, (S, H))),
        "p1tx": 0,
        "p1ty": 0,
        "p1r": np.where(sunk, R * u(0.85, 0.99, (S, H)), size),
        "p2r": 0,
        "p3r": 0,
        "p4r": 0,
        "plug_round": u(0.05, 0.5, (S, H)),
        "plug_tex": 0.2,
        "plug_metal": 1.0,
        "plug_ks": u(0.05, 0.9, (S, H)),
        "plug_rough": u(0.1, 0.4, (S, H)),
        "slot_w": np.where(some(0.5, (S, H)), u(0.1, 0.4, (S, H)), 0),
    }.items():
        s[k] = np.where(screw, v, s[k])
    metal = np.exp(np.where(some(0.5, (S, H)), rng.normal(-1.0, 0.6, (S, H)), rng.normal(-3.4, 0.5, (S, H))))[
        ..., None
    ] * np.exp(rng.normal(0, 0.15, (S, H, 3)))
    for j, k in enumerate("rgb"):
        s["plug_" + k] = np.where(screw, np.clip(metal[..., j], 0.01, 0.85), s["plug_" + k])
    f = u(0, 2 * np.pi, (S, H))
    s["slot_x"], s["slot_y"] = np.cos(f), np.sin(f)
    s["radius"] = np.where(flat & ~sunk, 0, np.where(what == 4, R * u(0.15, 0.5, (S, H)), R))
    s["chamfer"] = np.where(what == 4, np.minimum(c, 0.15), c)
    tops = [np.where(s[f"p{k}r"] > 0, s[f"p{k}z"], 0) for k in range(1, 5)]
    s["top"] = np.maximum.reduce([np.zeros((S, H)), s["cover_h"], *tops])

    # pixels: R in px common to the seat but for perspective
    rpx = np.exp(u(np.log(px[0]), np.log(px[1]), S))
    k = seat(rpx / (bore / 2)) * np.exp(rng.normal(0, 0.12, (S, H)))  # px per mm across the line of sight
    k = np.clip(k * R, 2.9, px[1] + 0.6) / R
    cos_t = 1 / np.sqrt(1 + slope**2)
    st = 1 / np.cos(np.radians(35 * np.sqrt(u(0, 1, (S, H)))))  # stretch off the optical axis
    sa, roll = u(0, np.pi, (S, H)), u(0, 2 * np.pi, (S, H))
    f1 = np.zeros((S, H, 2, 2))
    f1[..., 0, 0], f1[..., 1, 1] = k * cos_t, k
    ca, sb = np.cos(sa), np.sin(sa)
    str_ = np.empty((S, H, 2, 2))
    str_[..., 0, 0], str_[..., 1, 1] = 1 + (st - 1) * ca**2, 1 + (st - 1) * sb**2
    str_[..., 0, 1] = str_[..., 1, 0] = (st - 1) * ca * sb
    rot = np.stack([np.stack([np.cos(roll), -np.sin(roll)], -1), np.stack([np.sin(roll), np.cos(roll)], -1)], -2)
    flip = np.where(some(0.5, (S, H)), 1.0, -1.0)
    f1[..., 1, :] *= flip[..., None]
    to_px = rot @ str_ @ f1
    to_px *= (k / np.sqrt(np.abs(np.linalg.det(to_px))))[..., None, None]
    m = np.linalg.inv(to_px)
    s["m00"], s["m01"], s["m10"], s["m11"] = m[..., 0, 0], m[..., 0, 1], m[..., 1, 0], m[..., 1, 1]
    s["off_x"], s["off_y"] = u(-0.5, 0.5, (S, H)), u(-0.5, 0.5, (S, H))
    r_px = k * R
    s["reach_px"] = np.minimum(np.ceil(2.75 * r_px * 1.12 + 5), 63)
    s["spp"] = np.clip(np.round(7000 / r_px**2), 40, 240)
    s["clip"] = seat(8.0 * (s["sky0"][:, 0] + (e + sun) / np.pi))
    s["seed"] = rng.integers(0, 1 << 20, (S, H))
    blur = np.select([some(0.15), some(0.15)], [u(1.5, 3.5, S), u(0.2, 1.0, S)], np.exp(u(np.log(0.2), np.log(1.8), S)))
    blur = np.minimum(blur * np.where(rpx < 7, u(0.5, 1, S), 1), 0.35 * rpx)
    truth = {
        "radius": R.astype("f4"),
        "chamfer": c.astype("f4"),
        "kind": kind,
        "what": what,
        "block_sure": block_sure.astype("f4"),
        "bore0": seat(bore).astype("f4"),
        "slope": slope.astype("f4"),
        "to_px": to_px.astype("f4"),
        "r_px": r_px.astype("f4"),
        "blur_px": seat(blur).astype("f4"),
        "worn": worn,
        "quality": seat(np.select([some(0.15), some(0.12)], [np.zeros(S), u(25, 55, S)], u(55, 98, S))).astype("f4"),
        "noise": seat(np.where(some(0.15), u(0.02, 0.07, S), np.exp(u(np.log(0.001), np.log(0.02), S)))).astype("f4"),
        "smooth": seat(np.where(some(0.5), 0, u(0, 1, S))).astype("f4"),
        "expose": seat(np.where(some(0.12), u(0.9, 1.6, S), np.exp(u(np.log(0.025), np.log(0.9), S)))).astype("f4"),
        "tone": seat(np.where(some(0.75), 0, rng.normal(0, 1, S))).astype("f4"),
        "sharpen": seat(np.where(some(0.75), 0, u(0, 1.0, S))).astype("f4"),
        "motion": seat(np.where(some(0.7), 0, u(0, 1.5, S))).astype("f4"),
        "motion_dir": seat(u(0, np.pi, S)).astype("f4"),
    }
    return s, truth


def fields_header() -> str:
    """C declaration of one scene."""
    return "struct Hole { float " + ", ".join(FIELDS) + "; };\n"


if __name__ == "__main__":
    with open(sys.argv[1], "w") as out:
        out.write(fields_header())
