"""Measurements made from the true holes of the shared photographs, exact or with an error put on them."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
from made_measurement import scale_use

from holecount.holes.hole import Hole
from holecount.measurement import Measurement
from holecount.stats import rail_stats

SHARED = Path(__file__).parents[2] / "shared" / "photos"
SHAPES = {"trapezoid": "tapered", "rect": "square", "bow": "bowed", "round": "round", "oval": "oval"}


def names_with_scale() -> list[str]:
    found = []
    for path in sorted(SHARED.glob("*.json")):
        if json.loads(path.read_text())["scale_kind"] != "none":
            found.append(path.stem)
    return found


def true_seat(name: str) -> Measurement:
    """The seat as it is: no error, and none stated."""
    truth = json.loads((SHARED / f"{name}.json").read_text())
    holes = []
    for i, h in enumerate(truth["holes"]):
        seen = h["visible"] >= 0.5
        status = "hidden" if not seen else "blocked" if h["blocked"] else "open"
        gauged = status == "open"
        holes.append(
            Hole(
                number=i + 1,
                rail=h["rail"],
                corner=h["corner"],
                x_px=h["px"],
                y_px=h["py"],
                x_mm=h["x_mm"],
                y_mm=h["y_mm"],
                u_own_centre_mm=0.0,
                status=status,  # type: ignore[arg-type]
                diameter_mm=h["bore_mm"] if gauged else None,
                u_own_diameter_mm=0.0 if gauged else None,
                u_shared_diameter_mm=0.0 if gauged else None,
            )
        )
    return _put_together(name, SHAPES[truth["seat"]], holes, 0.0)


def measured(
    seat: Measurement,
    rng: np.random.Generator,
    *,
    scale_error: float,
    bore_error_mm: float,
    u_scale_rel: float,
    u_shared_bore_mm: float,
    u_own_bore_mm: float = 0.08,
    u_own_centre_mm: float = 0.05,
) -> Measurement:
    """The same seat as a measurement with these shared errors, drawn own errors, and stated uncertainties."""
    k = 1 + scale_error
    holes = []
    for h in seat.holes:
        d = h.diameter_mm
        holes.append(
            replace(
                h,
                x_mm=h.x_mm * k + u_own_centre_mm * rng.normal(),
                y_mm=h.y_mm * k + u_own_centre_mm * rng.normal(),
                u_own_centre_mm=u_own_centre_mm,
                diameter_mm=None if d is None else d + bore_error_mm + u_own_bore_mm * rng.normal(),
                u_own_diameter_mm=None if d is None else u_own_bore_mm,
                u_shared_diameter_mm=None if d is None else u_shared_bore_mm,
            )
        )
    return _put_together(seat.photo_name, seat.shape, holes, u_scale_rel)


def _put_together(name: str, shape: str, holes: list[Hole], u_scale_rel: float) -> Measurement:
    names = list(dict.fromkeys(h.rail for h in holes))
    rails = []
    for rail in names:
        at = [i for i, h in enumerate(holes) if h.rail == rail]
        on = [holes[i] for i in at]
        following = holes[(at[-1] + 1) % len(holes)]
        if len(names) > 1 and following.corner:
            on.append(following)
        rails.append(rail_stats(rail, on, closed=len(names) == 1, u_scale_rel=u_scale_rel))
    return Measurement(
        photo_name=name,
        photo_sha256="0" * 64,
        width_px=4000,
        height_px=3000,
        verdict="good",
        verdict_reasons=(),
        scale=scale_use(),
        shape=shape,
        holes=tuple(holes),
        rails=tuple(rails),
        seat=rail_stats("seat", holes, closed=True, u_scale_rel=u_scale_rel),
        low_confidence=(),
    )
