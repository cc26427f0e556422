"""The rims gauged and the plane refined by them until neither moves; then what the rims bear out."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.fixes import Fixes
from holecount.holes.find import Found, find_line
from holecount.holes.gauge import RimReading, gauge_holes, regauge
from holecount.photo import Photo
from holecount.scale.fit import PlaneFit, with_rims
from holecount.scale.plane import Camera, mm_per_px
from holecount.scale.plane_model import RimShapes
from holecount.scale.reference import Reference
from holecount.troubles import NoHoles

Array = NDArray[np.float64]

REFIND_REL, REGAUGE_REL = 0.05, 0.006
"""Changes of the local scale after which the line is looked for again, or the rims read again: the line
stands steps uneven by about a tenth, the rim model a line of sight off by about a degree (sample set, 2026-11)."""

MOST_TURNS = 4
"""Rounds of refining before it is left as it is: a lone ruler at 30 degrees takes three (sample set, 2026-11)."""


def outlines_px(references: Sequence[Reference]) -> tuple[Array, ...]:
    """Outlines of the things that lie on the frame, which may cover holes."""
    return tuple(ref.outline_px for ref in references if len(ref.outline_px) >= 4)


def no_holes() -> NoHoles:
    """What to say where no row of holes is found."""
    return NoHoles(
        "No row of holes was found.",
        "Photograph the whole bare frame from straight above, filling the picture, in even light.",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Led:
    """How far rims as read go along with the camera under which they are read, 0 (not at all) to 1.

    The rim model looks for circles of much the same bore, and where a rim is small, blurred or grainy it finds them:
    under a camera that leans wrongly rims seem to lean with it, and show only the rest of the error.

    Attributes
    ----------
    size, shape : float
        In radius from hole to hole, and in the rim's ellipse.
    """

    size: float
    shape: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """The hole line with its rims gauged, under the camera that scale and rims agree on.

    Attributes
    ----------
    camera : Camera
    plane : PlaneFit or None
        None when lengths stay in pixels.
    found : Found
    readings : tuple of RimReading
        Of the slots of ``found`` that are not hidden, in order.
    before : tuple of Camera and PlaneFit or None
        Camera and plane of the last round's start, under which the readings were taken.
    led : Led
    """

    camera: Camera
    plane: PlaneFit | None
    found: Found
    readings: tuple[RimReading, ...]
    before: tuple[Camera, PlaneFit | None]
    led: Led


def settle(
    photo: Photo, camera: Camera, plane: PlaneFit | None, found: Found, references: Sequence[Reference]
) -> Settled:
    """Gauge the rims and refine the plane by them until it no longer moves; without a plane they are gauged alone."""
    readings = gauge_all(photo, camera, found.xy_px[~found.hidden], found.rough_diameter_mm)
    led = NOT_LED if plane is None else how_led(photo, camera, readings)
    return _refined(photo, camera, plane, found, readings, references, led)


def correct(photo: Photo, settled: Settled, fixes: Fixes | None, references: Sequence[Reference]) -> Settled:
    """Strike out, add and mark holes as the user said.

    Rims gauged already are not gauged again, only new ones are; then the last round of refining is done again, so that
    the figures move by what the corrections change and by nothing else.

    Raises
    ------
    BadInput
        A correction means no hole.
    """
    if fixes is None or not fixes.of_holes:
        return settled
    found = settled.found.corrected(fixes, settled.camera)
    known = dict(zip(_places(settled.found), settled.readings, strict=True))
    new = [at for at in _places(found) if at not in known]
    if new:
        known |= zip(new, _gauge_beside(photo, settled, np.array(new)), strict=True)
    start = replace(settled, found=found, readings=tuple(known[at] for at in _places(found)))
    camera, plane = settled.before
    refined = _refined_plane(photo, camera, plane, found, start.readings, references, settled.led)
    if refined is None:
        return replace(start, camera=camera, plane=plane)
    if _scale_change(settled.camera, refined.camera, found.xy_px[~found.hidden]) <= REGAUGE_REL:
        return replace(start, camera=refined.camera, plane=refined)
    return _refined(photo, camera, plane, found, start.readings, references, settled.led, fixes)


def carried_over(
    photo: Photo, settled: Settled, plane: PlaneFit, references: Sequence[Reference], *, keep_tilt: bool
) -> Settled:
    """The rims as gauged before, under a new plane that they refine once; nothing is looked for or gauged.

    ``keep_tilt`` starts from the camera before, where the new references leave the tilt open.
    """
    start = settled.camera if keep_tilt and settled.plane is not None else plane.camera
    led = settled.led if settled.led is not NOT_LED else how_led(photo, settled.before[0], settled.readings)
    readings = tuple(regauge(settled.readings, start))
    refined = _refined_plane(photo, start, plane, settled.found, readings, references, led, settled.before[0]) or plane
    return Settled(
        camera=refined.camera, plane=refined, found=settled.found, readings=readings, before=(start, plane), led=led
    )


def _places(found: Found) -> list[tuple[float, float]]:
    """Where the seen slots are, to tell them apart by."""
    return [(float(x), float(y)) for x, y in found.xy_px[~found.hidden]]


def _gauge_beside(photo: Photo, settled: Settled, centres_px: Array) -> list[RimReading]:
    """Readings at new centres (n, 2), beside some holes known already: the gauge goes by what a seat's holes share."""
    camera, some = settled.before[0], settled.readings[:: max(1, len(settled.readings) // N_ROUGH)]
    beside = np.array([(r.x_px, r.y_px) for r in some]).reshape(-1, 2)
    rough = _common_bore_mm(regauge(some, camera)) if some else settled.found.rough_diameter_mm
    return gauge_holes(photo, camera, np.vstack([centres_px, beside]), rough)[: len(centres_px)]


def _refined(
    photo: Photo,
    camera: Camera,
    plane: PlaneFit | None,
    found: Found,
    readings: Sequence[RimReading],
    references: Sequence[Reference],
    led: Led,
    fixes: Fixes | None = None,
) -> Settled:
    """The plane refined by the rims, and the rims gauged again under it, until it no longer moves."""
    before = camera, plane
    for _ in range(MOST_TURNS):
        before = camera, plane
        refined = _refined_plane(photo, camera, plane, found, readings, references, led)
        if refined is None:
            break
        plane = refined
        moved = _scale_change(camera, plane.camera, found.xy_px[~found.hidden])
        camera = plane.camera
        if moved <= REGAUGE_REL:
            break
        again = find_line(photo, camera, outlines_px(references)) if moved > REFIND_REL else None
        rough = _common_bore_mm(regauge(readings, camera))
        if again is not None:
            found = again if fixes is None else again.corrected(fixes, camera)
            centres = found.xy_px[~found.hidden]
        else:
            centres = np.array([[r.x_px, r.y_px] for r in readings])
        readings = gauge_all(photo, camera, centres, rough, settled=True)
    else:
        before = camera, plane
    return Settled(camera=camera, plane=plane, found=found, readings=tuple(readings), before=before, led=led)


def _refined_plane(
    photo: Photo,
    camera: Camera,
    plane: PlaneFit | None,
    found: Found,
    readings: Sequence[RimReading],
    references: Sequence[Reference],
    led: Led,
    read_under: Camera | None = None,
) -> PlaneFit | None:
    """The plane refined once by the rims; None without a plane or with too few rims.

    They were read under this camera unless ``read_under`` says under which.
    """
    rims = rim_shapes(_not_said_blocked(found, readings), read_under or camera, led)
    if rims is None or plane is None:
        return None
    earlier = None if camera is plane.camera else camera
    return with_rims(plane, references, rims, focal_px=photo.focal_px, start=earlier)


def _not_said_blocked(found: Found, readings: Sequence[RimReading]) -> list[RimReading]:
    """Readings less those of holes that the user called blocked: their rims tell nothing of bore and tilt."""
    said = [what for what, hidden in zip(found.by_hand, found.hidden, strict=True) if not hidden]
    return [r for r, what in zip(readings, said, strict=True) if what != "blocked"]


LEAST_HOLE_SCORE, MOST_BLOCKED = 0.3, 0.5
"""A slot filled in only because the row asked for it needs this score (true holes have 0.8 and more, sample set,
2026-11); of a row of holes at most this share is packed with cane, else it is print or beading."""

SLIVER, LITTLE_SEEN = 0.2, 0.6
"""A rim less in sight than this is covered: its centre is a guess. One not half in sight that does not look like a hole
is none: print on a card that was not found, an edge (drawn pictures, 2026-11; no true hole is lost by it)."""


def believed(settled: Settled) -> Settled:
    """What the rims bear out: slots without a hole's rim, or with a sliver of one, are hidden again; rows of none go.

    Raises
    ------
    NoHoles
        When nothing is left.
    """
    found = settled.found
    of_slot = {int(k): r for k, r in zip(np.nonzero(~found.hidden)[0], settled.readings, strict=True)}
    keep = np.ones(len(found.xy_px), bool)
    hidden, covered = found.hidden.copy(), found.covered.copy()
    by_hand = np.array([said is not None for said in found.by_hand])
    for k, r in of_slot.items():
        if by_hand[k]:
            continue
        doubted = found.filled_in[k] or not found.closed or r.arc_seen_frac < LITTLE_SEEN
        if doubted and r.hole_score < LEAST_HOLE_SCORE:
            hidden[k] = True
        elif r.arc_seen_frac < SLIVER:
            hidden[k] = covered[k] = True
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
    left = [r for k, r in of_slot.items() if keep[k] and not hidden[k]]
    found = replace(found, covered=covered).only(keep, hidden)
    return replace(settled, found=found, readings=tuple(regauge(left, settled.camera)))


ROUGH_REL = 0.02
"""The gauge starts from a rough common bore and leans towards it: 10 % off moves a bore by 0.1 mm (sample set,
2026-11). Its own answer for some holes is handed back to it until the two agree this well."""

N_ROUGH = 16
"""Holes that settle the rough bore; their median is good to a quarter of their spread (derived)."""


def gauge_all(
    photo: Photo, camera: Camera, centres_px: Array, rough_diameter_mm: float, *, settled: bool = False
) -> list[RimReading]:
    """Rim readings at the given centres (n, 2), started again from their own common bore until it stays.

    ``settled`` says that the rough diameter is one that the gauge has answered with before.
    """
    if not settled and len(centres_px) >= 2 * N_ROUGH:
        some = gauge_holes(photo, camera, centres_px[:: len(centres_px) // N_ROUGH], rough_diameter_mm)
        rough_diameter_mm = _common_bore_mm(some)
    for _ in range(3):
        readings = gauge_holes(photo, camera, centres_px, rough_diameter_mm)
        common = _common_bore_mm(readings)
        if not abs(common / rough_diameter_mm - 1) > ROUGH_REL:
            break
        rough_diameter_mm = common
    return readings


def _common_bore_mm(readings: Sequence[RimReading]) -> float:
    """Median bore of the open holes, or of all where none is open."""
    return float(np.median([r.diameter_mm for r in [r for r in readings if _is_open(r)] or readings]))


def _is_open(reading: RimReading) -> bool:
    return reading.blocked_score < 0.5 and reading.hole_score > LEAST_HOLE_SCORE


def _scale_change(before: Camera, after: Camera, px: Array) -> float:
    """Greatest relative change of a length anywhere among the points (n, 2), in any direction."""
    change = np.linalg.solve(mm_per_px(before, px).transpose(0, 2, 1), mm_per_px(after, px).transpose(0, 2, 1))
    # The plane's axes may turn between fits: what counts is how far singular values are from one.
    return float(np.abs(np.log(np.linalg.svd(change, compute_uv=False))).max())


LEAST_ARC, LEAST_RIMS, U_RIM_SHAPE = 0.7, 8, 0.01
"""Share of a rim in sight from which its ellipse tells of the tilt, fewest of them that tell (own choices), and what an
ellipse is off by of its own: twice the 0.0044 of lone rims (sample set, 2026-11)."""

LEAN_RAD, MOST_LED = 0.04, 0.85
"""Lean of the camera under which some rims are read once more: a degree or two, as a scale may be off by (derived). Led
further than this they tell next to nothing, and by how much is no longer known (own choice; 0.05 to 0.6 in size and 0.3
to 0.87 in ellipse on the sample set as it is, blurred and grainy, 2026-11)."""

NOT_LED = Led(size=0.0, shape=0.0)
"""Rims that are what they are whatever the camera; also where there was no need to know."""


def how_led(photo: Photo, camera: Camera, readings: Sequence[RimReading]) -> Led:
    """How far this photograph's rims are led, from some that are read once more under a leaning camera."""
    open_ones = [r for r in readings if r.arc_seen_frac >= LEAST_ARC and _is_open(r)]
    if len(open_ones) < LEAST_RIMS:
        return NOT_LED
    evenly = np.unique(np.linspace(0, len(open_ones), N_ROUGH, endpoint=False).astype(int))
    some = [open_ones[k] for k in evenly]
    centre, rough = np.array([[r.x_px, r.y_px] for r in some]), _common_bore_mm(some)
    leaning = _leaning(camera, camera.to_mm(centre).mean(axis=0))
    upright, leaned = (gauge_holes(photo, c, centre, rough) for c in (camera, leaning))
    both = [k for k, (a, b) in enumerate(zip(upright, leaned, strict=True)) if a.arc_seen_frac + b.arc_seen_frac > 1.0]
    if len(both) < LEAST_RIMS:
        return NOT_LED
    upright, leaned = [upright[k] for k in both], [leaned[k] for k in both]
    as_read, went, could_go = (
        _ovals(regauge(r, c), c) for r, c in ((upright, camera), (leaned, camera), (upright, leaning))
    )
    went, could_go = went - as_read, could_go - as_read
    went[:, 0] -= went[:, 0].mean()
    could_go[:, 0] -= could_go[:, 0].mean()
    size = -float((went[:, 0] * could_go[:, 0]).sum() / max((could_go[:, 0] ** 2).sum(), 1e-12))
    shape = -float((went[:, 1:] * could_go[:, 1:]).sum() / max((could_go[:, 1:] ** 2).sum(), 1e-12))
    return Led(size=float(np.clip(size, 0.0, MOST_LED)), shape=float(np.clip(shape, 0.0, MOST_LED)))


def _leaning(camera: Camera, about_mm: Array) -> Camera:
    """The camera as it would be if the plane leaned about a point (2,) of it, half along either axis."""
    lean, _ = cv2.Rodrigues(np.array([LEAN_RAD, LEAN_RAD, 0.0]) / np.sqrt(2.0))
    rotation, at = camera.rotation @ np.asarray(lean, float), np.array([*about_mm, 0.0])
    return replace(
        camera, rotation=rotation, translation_mm=camera.translation_mm + camera.rotation @ at - rotation @ at
    )


def _ovals(readings: Sequence[RimReading], camera: Camera) -> Array:
    """Log radius and the two ellipse terms (n, 3) of rims on the camera's plane."""
    out = []
    for r in readings:
        ok = np.isfinite(r.rim_px[:, 0]) & (r.rim_weight > 0)
        at = camera.to_mm(r.rim_px[ok]) - np.array([r.x_mm, r.y_mm])
        angle, radius = np.arctan2(at[:, 1], at[:, 0]), np.hypot(at[:, 0], at[:, 1])
        # radius = R (1 + e1 cos 2t + e2 sin 2t) with the centre free
        design = np.column_stack([np.ones(len(at)), np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)])
        w = np.sqrt(r.rim_weight[ok])
        c, *_ = np.linalg.lstsq(design * w[:, None], radius * w, rcond=None)
        out.append([np.log(r.diameter_mm / 2), c[3] / c[0], c[4] / c[0]])
    return np.array(out)


def rim_shapes(readings: Sequence[RimReading], camera: Camera, led: Led = NOT_LED) -> RimShapes | None:
    """Ellipses of the well-seen rims for the plane fit, as they would be were they not led; None where too few are.

    Parameters
    ----------
    camera : under which they were read: a circle of the common bore under it says least.
    """
    good = [r for r in readings if r.arc_seen_frac >= LEAST_ARC and _is_open(r)]
    if len(good) < LEAST_RIMS:
        return None
    centre = np.array([[r.x_px, r.y_px] for r in good])
    to_px = np.linalg.inv(mm_per_px(camera, centre))
    gain_size, gain_shape = 1 / (1 - led.size), 1 / (1 - led.shape)
    log_radius, e1, e2 = _ovals(regauge(good, camera), camera).T
    usual = float(np.median(log_radius))
    radius = np.exp(usual + gain_size * (log_radius - usual))
    e1, e2 = gain_shape * e1, gain_shape * e2
    oval = np.stack([np.stack([1 + e1, e2], axis=-1), np.stack([e2, 1 - e1], axis=-1)], axis=-2)
    return RimShapes(
        centre_px=centre,
        shape_px=to_px @ oval * radius[:, None, None],
        u_size_rel=gain_size * np.array([r.u_own_diameter_mm / r.diameter_mm for r in good]),
        u_shape=np.full(len(good), gain_shape * U_RIM_SHAPE),
        gain_size=gain_size,
        gain_shape=gain_shape,
    )
