"""Measurements made up for tests of what comes after measuring: a square or round seat, some holes special."""

from dataclasses import replace

import numpy as np

from holecount.holes.hole import Hole
from holecount.measurement import Measurement, ReferenceUse, ScaleUse
from holecount.stats import low_confidence, rail_stats

PX_PER_MM = 3.0


def scale_use() -> ScaleUse:
    card = ReferenceUse(
        kind="card",
        words="bank card (ISO/IEC 7810 ID-1)",
        outline_px=((300.0, 200.0), (556.8, 200.0), (556.8, 361.9), (300.0, 361.9)),
        height_mm=0.76,
        share=1.0,
        misfit=1.1,
    )
    return ScaleUse(
        references=(card,),
        mm_per_px=1 / PX_PER_MM,
        tilt_deg=8.0,
        distance_mm=520.0,
        focal_px=1600.0,
        focal_from="EXIF",
        k1=0.0,
        u_rel=0.002,
        u_local_rel=0.004,
        holes_share=0.3,
    )


def hole(number: int, rail: str, x_mm: float, y_mm: float, **changes: object) -> Hole:
    made = Hole(
        number=number,
        rail=rail,
        x_px=800.0 + PX_PER_MM * x_mm,
        y_px=600.0 - PX_PER_MM * y_mm,
        x_mm=x_mm,
        y_mm=y_mm,
        u_own_centre_mm=0.03,
        status="open",
        diameter_mm=4.76,
        u_own_diameter_mm=0.05,
        u_shared_diameter_mm=0.06,
        arc_seen_frac=1.0,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def square_seat(side: int = 10, pitch_mm: float = 12.7) -> list[Hole]:
    """Four rails of ``side`` spaces: front, right, back, left, from the front left corner."""
    k = np.arange(side) * pitch_mm
    end = side * pitch_mm
    ways = {
        "front": [(v, 0.0) for v in k],
        "right": [(end, v) for v in k],
        "back": [(end - v, end) for v in k],
        "left": [(0.0, end - v) for v in k],
    }
    holes: list[Hole] = []
    for rail, places in ways.items():
        for i, (x, y) in enumerate(places):
            holes.append(hole(len(holes) + 1, rail, x - end / 2, y - end / 2, corner=i == 0))
    return holes


def without_gauge(h: Hole, status: str, *doubts: str) -> Hole:
    return replace(
        h,
        status=status,
        diameter_mm=None,
        u_own_diameter_mm=None,
        u_shared_diameter_mm=None,
        arc_seen_frac=0.0,
        doubts=doubts,
    )


def special_holes(holes: list[Hole]) -> list[Hole]:
    """One blocked, one hidden, three with glare, one doubted twice."""
    out = list(holes)
    out[4] = without_gauge(out[4], "blocked", "blocked")
    out[12] = without_gauge(out[12], "hidden")
    for i in (20, 21, 22):
        out[i] = replace(out[i], doubts=("glare",))
    out[30] = replace(out[30], doubts=("odd-size", "filled-in"), diameter_mm=6.1)
    return out


def measurement_of(holes: list[Hole], *, scale: bool = True, shape: str = "square") -> Measurement:
    """Statistics and all, as the measuring would write them down."""
    names = list(dict.fromkeys(h.rail for h in holes))
    rails = []
    low = []
    for i, name in enumerate(names):
        on = [h for h in holes if h.rail == name]
        if len(names) > 1:
            following = names[(i + 1) % len(names)]
            on.append(next(h for h in holes if h.rail == following))
        rails.append(rail_stats(name, on, closed=len(names) == 1, u_scale_rel=0.002))
        low += low_confidence(name, [h for h in holes if h.rail == name])
    doubtful = any(h.doubts for h in holes)
    return Measurement(
        photo_name="seat.jpg",
        photo_sha256="ab" * 32,
        width_px=1600,
        height_px=1200,
        verdict="check" if doubtful else "good",
        verdict_reasons=("holes 21 to 23 are washed out by glare",) if doubtful else (),
        scale=scale_use() if scale else None,
        shape=shape,
        holes=tuple(holes),
        rails=tuple(rails),
        seat=rail_stats("seat", holes, closed=True, u_scale_rel=0.002),
        low_confidence=tuple(low),
    )


def plain() -> Measurement:
    return measurement_of(square_seat())


def special() -> Measurement:
    return measurement_of(special_holes(square_seat()))


def ring(n: int = 47, radius_mm: float = 160.0) -> Measurement:
    turn = 2 * np.pi * np.arange(n) / n
    holes = [
        hole(i + 1, "ring", float(radius_mm * np.cos(a)), float(radius_mm * np.sin(a))) for i, a in enumerate(turn)
    ]
    return measurement_of(holes, shape="round")
