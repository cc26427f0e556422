"""The rims gauged and the plane refined by them until neither moves; then what the rims bear out."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from holecount.fixes import Fixes
from holecount.holes.find import Found, find_line
from holecount.holes.gauge import RimReading, gauge_holes, regauge
from holecount.photo import Photo
from holecount.scale.fit import PlaneFit, RimShapes, mm_per_px, with_rims
from holecount.scale.plane import Camera
from holecount.scale.reference import Reference
from holecount.troubles import NoHoles

Array = NDArray[np.float64]

REFIND_REL, REGAUGE_REL = 0.05, 0.006
"""Changes of the local scale after which the line is looked for again, or the rims read again: the line
stands steps uneven by about a tenth, the rim model a line of sight off by about a degree (sample set, 2026-11)."""

MOST_TURNS = 4
"""Rounds of refining before it is left as it is: a lone ruler at 30 degrees takes three (sample set, 2026-11)."""


def corrected(found: Found, fixes: Fixes | None, camera: Camera) -> Found:
    """Strike out, add and mark holes as the user said."""
    if fixes is None or not (fixes.add or fixes.strike_out or fixes.mark):
        return found
    return found.corrected(fixes, camera)


def outlines_px(references: Sequence[Reference]) -> tuple[Array, ...]:
    """Outlines of the things that lie on the frame, which may cover holes."""
    return tuple(ref.outline_px for ref in references if len(ref.outline_px) >= 4)


def no_holes() -> NoHoles:
    """What to say where no row of holes is found."""
    return NoHoles(
        "No row of holes was found.",
        "Photograph the whole bare frame from straight above, filling the picture, in even light.",
    )


def settle(
    photo: Photo,
    camera: Camera,
    plane: PlaneFit | None,
    found: Found,
    references: Sequence[Reference],
    fixes: Fixes | None = None,
) -> tuple[Camera, PlaneFit | None, Found, list[RimReading]]:
    """Gauge the rims and refine the plane by them until it no longer moves; without a plane they are gauged alone.

    Returns
    -------
    camera, plane, found, readings
        ``readings`` belong to the slots of ``found`` that are not hidden, in order.
    """
    found = corrected(found, fixes, camera)
    readings = gauge_all(photo, camera, found.xy_px[~found.hidden], found.rough_diameter_mm)
    if plane is None:
        return camera, None, *believed(found, readings)
    for _ in range(MOST_TURNS):
        rims = rim_shapes(readings, camera)
        if rims is None:
            break
        start = None if camera is plane.camera else camera
        plane = with_rims(plane, references, rims, focal_px=photo.focal_px, start=start)
        moved = _scale_change(camera, plane.camera, found.xy_px[~found.hidden])
        camera = plane.camera
        if moved <= REGAUGE_REL:
            break
        again = find_line(photo, camera, outlines_px(references)) if moved > REFIND_REL else None
        rough = float(np.median([r.diameter_mm for r in regauge(readings, camera)]))
        if again is not None:
            found = corrected(again, fixes, camera)
            centres = found.xy_px[~found.hidden]
        else:
            centres = np.array([[r.x_px, r.y_px] for r in readings])
        readings = gauge_all(photo, camera, centres, rough)
    found, readings = believed(found, readings)
    return camera, plane, found, regauge(readings, camera)


LEAST_HOLE_SCORE, MOST_BLOCKED = 0.3, 0.5
"""A slot filled in only because the row asked for it needs this score (true holes have 0.8 and more, sample set,
2026-11); of a row of holes at most this share is packed with cane, else it is print or beading."""


def believed(found: Found, readings: Sequence[RimReading]) -> tuple[Found, list[RimReading]]:
    """What the rims bear out: filled-in slots without a hole's rim are hidden again, rows of no holes go.

    Raises
    ------
    NoHoles
        When nothing is left.
    """
    of_slot = {int(k): r for k, r in zip(np.nonzero(~found.hidden)[0], readings, strict=True)}
    keep = np.ones(len(found.xy_px), bool)
    hidden = found.hidden.copy()
    by_hand = np.array([said is not None for said in found.by_hand])
    for k, r in of_slot.items():
        if found.filled_in[k] and not by_hand[k] and r.hole_score < LEAST_HOLE_SCORE:
            hidden[k] = True
    ends = np.cumsum(found.rows)
    for a, b in zip(ends - np.array(found.rows), ends, strict=True):
        rims = [of_slot[k] for k in range(int(a), int(b)) if k in of_slot]
        blocked = np.mean([r.blocked_score >= 0.5 for r in rims]) if rims else 1.0
        score = np.median([r.hole_score for r in rims]) if rims else 0.0
        if not by_hand[a:b].any() and (blocked > MOST_BLOCKED or score < LEAST_HOLE_SCORE):
            keep[a:b] = False
    if not found.closed:
        keep &= ~hidden
    if not (keep & ~hidden).any():
        raise no_holes()
    rows = tuple(int(keep[a:b].sum()) for a, b in zip(ends - np.array(found.rows), ends, strict=True))
    left = [r for k, r in of_slot.items() if keep[k] and not hidden[k]]
    return found.only(keep, hidden, tuple(n for n in rows if n)), left


ROUGH_REL = 0.02
"""The gauge starts from a rough common bore and leans towards it: 10 % off moves a bore by 0.1 mm (sample set,
2026-11). Its own answer for some holes is handed back to it until the two agree this well."""

N_ROUGH = 16
"""Holes that settle the rough bore; their median is good to a quarter of their spread (derived)."""


def gauge_all(photo: Photo, camera: Camera, centres_px: Array, rough_diameter_mm: float) -> list[RimReading]:
    """Rim readings at the given centres (n, 2), started again from their own common bore until it stays."""
    some = centres_px[:: max(1, len(centres_px) // N_ROUGH)]
    for _ in range(3):
        readings = gauge_holes(photo, camera, some, rough_diameter_mm)
        open_rims = [r for r in readings if r.blocked_score < 0.5 and r.hole_score > LEAST_HOLE_SCORE] or readings
        common = float(np.median([r.diameter_mm for r in open_rims]))
        if not abs(common / rough_diameter_mm - 1) > ROUGH_REL:
            break
        rough_diameter_mm = common
    return gauge_holes(photo, camera, centres_px, rough_diameter_mm)


def _scale_change(before: Camera, after: Camera, px: Array) -> float:
    """Greatest relative change of a length anywhere among the points (n, 2), in any direction."""
    change = np.linalg.solve(mm_per_px(before, px).transpose(0, 2, 1), mm_per_px(after, px).transpose(0, 2, 1))
    # The plane's axes may turn between fits: what counts is how far singular values are from one.
    return float(np.abs(np.log(np.linalg.svd(change, compute_uv=False))).max())


def rim_shapes(readings: Sequence[RimReading], camera: Camera, least_arc: float = 0.7) -> RimShapes | None:
    """Ellipses of the well-seen rims for the plane fit; None when fewer than eight."""
    good = [r for r in readings if r.arc_seen_frac >= least_arc and r.blocked_score < 0.5 and r.hole_score > 0.3]
    if len(good) < 8:
        return None
    centre = np.array([[r.x_px, r.y_px] for r in good])
    to_px = np.linalg.inv(mm_per_px(camera, centre))
    shapes, u_size, u_shape = [], [], []
    for r, inverse in zip(good, to_px, strict=True):
        ok = np.isfinite(r.rim_px[:, 0]) & (r.rim_weight > 0)
        at = camera.to_mm(r.rim_px[ok]) - np.array([r.x_mm, r.y_mm])
        angle, radius = np.arctan2(at[:, 1], at[:, 0]), np.hypot(at[:, 0], at[:, 1])
        # radius = R (1 + e1 cos 2t + e2 sin 2t) with the centre free
        design = np.column_stack([np.ones(len(at)), np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)])
        w = np.sqrt(r.rim_weight[ok])
        c, *_ = np.linalg.lstsq(design * w[:, None], radius * w, rcond=None)
        e1, e2 = c[3] / c[0], c[4] / c[0]
        shapes.append(inverse @ np.array([[1 + e1, e2], [e2, 1 - e1]]) * (r.diameter_mm / 2))
        u_size.append(r.u_own_diameter_mm / r.diameter_mm)
        u_shape.append(0.01)
    return RimShapes(
        centre_px=centre, shape_px=np.array(shapes), u_size_rel=np.array(u_size), u_shape=np.array(u_shape)
    )
