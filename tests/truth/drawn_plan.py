"""The plan of a drawn picture: everything that is chosen about it, drawn from a seed.

Ranges are those seen on the sample set (2026-11) unless said otherwise. What the plan
leaves open has its own random streams, so overriding one entry leaves the rest alone.
"""

from dataclasses import dataclass, fields, replace

import numpy as np
from drawn_faces import WOODS


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything chosen about a picture; any entry can be given to ``draw_seat`` instead.

    The last entries are no part of a seed's plan and come only by override: ``seat_size`` over a usual seat's,
    holes never drilled (``missing_holes``) or drilled once more half a step on (``doubled_holes``), spots and
    screws of hole size beside the row (``line_marks``), and light on the floor over the usual (``floor_light``).
    """

    seat: str
    wood: str
    scale_kind: str
    width_px: int
    height_px: int
    focal_35mm: float
    exif_focal: bool
    exif_orientation: int
    k1: float
    tilt_deg: float
    towards_deg: float
    roll_deg: float
    distance_mm: float
    target_mm: tuple[float, float]
    fit_frame: bool
    pitch_mm: float
    bore_mm: float
    bore_sd_mm: float
    worn_share: float
    blocked_share: float
    chamfer_mm: float
    lean_deg: float
    jitter_along_mm: float
    jitter_across_mm: float
    thickness_mm: float
    floor_mm: float
    floor_kind: str
    legs: bool
    posts: bool
    n_marks: int
    n_cracks: int
    n_objects: int
    cover_holes: int
    band: bool
    strand_marks: bool
    rim_dirt: float
    rim_fade: float
    paint_in_bore: float
    key_light: float
    key_soft: float
    side_light: float
    exposure: float
    gloss: float
    blur_px: float
    noise: float
    sharpen: float
    jpeg_quality: int
    seat_size: float = 1.0
    missing_holes: int = 0
    doubled_holes: int = 0
    line_marks: int = 0
    floor_light: float = 1.0


def draw_plan(seed: int) -> Plan:
    """The plan that belongs to a seed."""
    r = np.random.default_rng([seed, 1])
    seat = str(r.choice(["trapezoid", "bow", "rect", "round", "oval"], p=[0.32, 0.18, 0.18, 0.16, 0.16]))
    bore = float(np.clip(r.uniform(3.6, 8.7), 3.6, 8.7))
    pitch = float(np.clip(bore / r.uniform(0.30, 0.43), 9.5, 22.0))
    bore = float(min(bore, 0.5 * pitch))
    tight = r.random() < 0.5
    posts = seat in ("trapezoid", "bow", "rect") and r.random() < 0.4
    return Plan(
        seat=seat,
        wood=str(r.choice(list(WOODS))),
        scale_kind=str(
            r.choice(
                ["card", "ruler-mm", "ruler-inch", "card+ruler", "two-rulers", "none"],
                p=[0.36, 0.14, 0.18, 0.18, 0.08, 0.06],
            )
        ),
        width_px=int(r.choice([1280, 1440, 1600, 2000])),
        height_px=0,
        focal_35mm=float(r.choice([24.0, 26.0, 28.0])),
        exif_focal=bool(r.random() < 0.85),
        exif_orientation=int(r.choice([1, 3, 6, 8], p=[0.8, 0.06, 0.1, 0.04])),
        k1=float(r.choice([r.normal(0, 0.003), r.uniform(-0.035, 0.04)], p=[0.6, 0.4])),
        tilt_deg=float(r.choice([r.uniform(0, 18), r.uniform(15, 33)], p=[0.65, 0.35])),
        towards_deg=float(r.choice([90 + r.normal(0, 25), r.uniform(0, 360)], p=[0.75, 0.25])),
        roll_deg=float(r.normal(0, 7)),
        distance_mm=float(r.choice([r.uniform(400, 560), r.uniform(480, 700)], p=[0.75, 0.25])),
        target_mm=(float(r.normal(0, 15)), float(r.normal(0, 15))),
        fit_frame=bool(r.random() < 0.94),
        pitch_mm=pitch,
        bore_mm=bore,
        bore_sd_mm=float(r.uniform(0.005, 0.03) if tight else r.uniform(0.05, 0.16)),
        worn_share=float(r.choice([0.0, 0.03, 0.08], p=[0.35, 0.45, 0.2])),
        blocked_share=float(r.choice([0.0, 0.05, 0.11], p=[0.65, 0.2, 0.15])),
        chamfer_mm=float(r.choice([0.14, 0.15, 0.3, 0.4, 0.5, 0.8, 1.1]) * r.uniform(0.9, 1.1)),
        lean_deg=float(r.choice([0.5, 2.0, 3.5])),
        jitter_along_mm=float(r.choice([0.02, 0.25, 0.6])),
        jitter_across_mm=float(r.choice([0.02, 0.2, 0.45])),
        thickness_mm=float(r.uniform(17, 26)),
        floor_mm=float(r.uniform(380, 460)),
        floor_kind=str(r.choice(["carpet", "weave", "planks"], p=[0.4, 0.3, 0.3])),
        legs=bool(r.random() < 0.75),
        posts=posts,
        n_marks=int(r.integers(0, 12)),
        n_cracks=int(r.choice([0, 1, 2])),
        n_objects=int(r.integers(0, 6)),
        cover_holes=int(r.choice([0, 2, 6, 9])),
        band=bool(r.random() < 0.75),
        strand_marks=bool(r.random() < 0.4),
        rim_dirt=float(r.choice([0.0, 0.25, 0.6])),
        rim_fade=float(r.uniform(0.4, 1.4)),
        paint_in_bore=float(r.choice([0.0, 0.4, 1.0], p=[0.1, 0.25, 0.65])),
        key_light=float(r.uniform(0.2, 1.4)),
        key_soft=float(r.choice([0.02, 0.06, 0.15])),
        side_light=float(r.uniform(0.1, 0.9)),
        exposure=float(
            r.choice([r.uniform(0.5, 0.9), r.uniform(0.85, 1.15), r.uniform(1.2, 1.7)], p=[0.25, 0.55, 0.2])
        ),
        gloss=float(r.choice([0.0, 0.3, 1.0], p=[0.35, 0.35, 0.3])),
        blur_px=float(r.choice([r.uniform(0.2, 0.8), r.uniform(0.7, 1.6)], p=[0.7, 0.3])),
        noise=float(r.choice([0.002, 0.006, 0.015])),
        sharpen=0.0,
        jpeg_quality=int(r.choice([82, 90, 94])),
    )


def plan_of(seed: int, **overrides: object) -> Plan:
    """The plan of a seed with some entries replaced; ``TypeError`` for one that there is not."""
    unknown = set(overrides) - {f.name for f in fields(Plan)}
    if unknown:
        raise TypeError(f"no such entry of Plan: {sorted(unknown)}")
    return replace(draw_plan(seed), **overrides)  # type: ignore[arg-type]
