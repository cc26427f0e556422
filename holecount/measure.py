"""The stages in order: photograph -> scale -> holes -> rails -> statistics -> measurement."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from holecount.fixes import Fixes
from holecount.holes.find import Found, find_line
from holecount.holes.gauge import RimReading, gauge_holes, regauge
from holecount.holes.hole import Hole, Status
from holecount.holes.lean import lean_of_rows
from holecount.judge import Evidence, doubts_of, verdict_of
from holecount.measurement import Measurement, ReferenceUse, ScaleUse
from holecount.photo import Photo
from holecount.rails import Layout, lay_out, rows_layout
from holecount.scale.agree import fit_agreeing
from holecount.scale.card import find_cards
from holecount.scale.fit import PlaneFit, RimShapes, mm_per_px, with_rims
from holecount.scale.known_objects import KnownObject, known_objects
from holecount.scale.plane import Camera, straight_above
from holecount.scale.reference import Reference
from holecount.scale.ruler import find_rulers
from holecount.stats import LowConfidence, RailStats, low_confidence, rail_stats
from holecount.troubles import NoHoles

Array = NDArray[np.float64]
Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureRequest:
    """What the user asked for beside the photograph.

    Attributes
    ----------
    cards : tuple of KnownObject, or None
        Rectangles to look for; None is a bank card.
    ruler : {"mm", "inch"} or None
        System of a ruler's graduations, where the user says so.
    by_hand : tuple of Reference
        Lengths and rectangles given by hand; used together with what is found.
    fixes : Fixes or None
        Hand corrections.
    in_pixels : bool
        Go on without millimetres: every length is in pixels.
    """

    cards: tuple[KnownObject, ...] | None = None
    ruler: Literal["mm", "inch"] | None = None
    by_hand: tuple[Reference, ...] = ()
    fixes: Fixes | None = None
    in_pixels: bool = False


def find_references(photo: Photo, request: MeasureRequest) -> tuple[Reference, ...]:
    """Everything of known size on the frame: given by hand, or found, best known first."""
    fixes = request.fixes
    if fixes is not None and fixes.scale:
        return (*fixes.references(), *request.by_hand)
    sizes = request.cards or (known_objects()["card"],)
    _ = photo.grey  # made once, before two threads ask for it
    with ThreadPoolExecutor(2) as both:
        cards = both.submit(find_cards, photo, sizes=sizes)
        rulers = both.submit(find_rulers, photo, system=request.ruler)
        return (*request.by_hand, *cards.result(), *rulers.result())


def measure_photo(photo: Photo, request: MeasureRequest | None = None, progress: Progress | None = None) -> Measurement:
    """Measure one photograph.

    Raises
    ------
    NoScale
        Nothing of known size was found (and pixels were not asked for).
    NoHoles
        No row of holes was found.
    """
    ask = request or MeasureRequest()
    say = progress or (lambda words: None)
    fixes = ask.fixes
    if fixes is not None:
        fixes.check_photo(photo.sha256, photo.width_px, photo.height_px)
    if ask.in_pixels:
        say("looking for holes")
        return measure_without_scale(photo, fixes)
    say("looking for the card or ruler")
    references = find_references(photo, ask)
    plane, references, left_out = fit_agreeing(
        references, width_px=photo.width_px, height_px=photo.height_px, focal_px=photo.focal_px
    )
    say("looking for holes")
    camera, found = find_holes(photo, plane, references)
    say("gauging the holes")
    lean_open = lean_is_open(photo, plane)
    camera, plane, found, readings = settle(photo, camera, plane, found, references, fixes)
    return write_down(photo, found, readings, camera, plane, references, left_out, lean_open=lean_open)


def lean_is_open(photo: Photo, plane: PlaneFit) -> bool:
    """Whether the references alone leave the tilt so open that the holes have to tell it."""
    return bool(plane.u_log_scale(_half_way_points(photo))[1].max() > LEAN_UNKNOWN_REL)


def find_holes(photo: Photo, plane: PlaneFit, references: Sequence[Reference]) -> tuple[Camera, Found]:
    """The hole line under the plane fit; where that leaves the tilt open, under the tilt the rows suggest.

    Raises
    ------
    NoHoles
        No row of holes was found.
    """
    camera = plane.camera
    if lean_is_open(photo, plane):
        camera = lean_of_rows(photo, camera, references)
    found = find_line(photo, camera, outlines_px(references))
    if found is None:
        raise _no_holes()
    return camera, found


def _no_holes() -> NoHoles:
    return NoHoles(
        "No row of holes was found.",
        "Photograph the whole bare frame from straight above, filling the picture, in even light.",
    )


def outlines_px(references: Sequence[Reference]) -> tuple[Array, ...]:
    """Outlines of the things that lie on the frame, which may cover holes."""
    return tuple(ref.outline_px for ref in references if len(ref.outline_px) >= 4)


def measure_without_scale(photo: Photo, fixes: Fixes | None = None) -> Measurement:
    """Measure in pixels: the camera is taken to look straight down."""
    camera, found = _find_without_scale(photo)
    if found is None:
        raise _no_holes()
    found = _apply_fixes(found, fixes, camera)
    readings = gauge_all(photo, camera, found.xy_px[~found.hidden], found.rough_diameter_mm)
    found, readings = believed(found, readings)
    return write_down(photo, found, readings, camera, None, ())


PICTURE_WIDTHS_MM = (620.0, 440.0, 310.0, 220.0, 150.0)
"""What the longer side of the picture may span when nothing tells: a whole seat, or part of a rail."""


def _find_without_scale(photo: Photo) -> tuple[Camera, Found | None]:
    """The hole line at the size that suits it best; the camera is taken to look straight down."""
    best: tuple[Camera, Found | None] = (straight_above(photo.width_px, photo.height_px, photo.focal_px), None)
    for span in PICTURE_WIDTHS_MM:
        camera = straight_above(photo.width_px, photo.height_px, photo.focal_px, picture_width_mm=span)
        found = find_line(photo, camera)
        if found is None:
            continue
        if best[1] is None or (found.closed, found.gain) > (best[1].closed, best[1].gain):
            best = (camera, found)
    return best


LEAN_UNKNOWN_REL = 0.04
"""Scale uncertainty at the picture's corners above which the rows of holes are asked for the tilt first:
the hole line stands steps uneven by about a tenth (see `LineSettings`)."""


def _half_way_points(photo: Photo) -> Array:
    """Points (4, 2) in px half way from the middle to the corners."""
    w, h = photo.width_px, photo.height_px
    return np.array([(x * w, y * h) for x in (0.25, 0.75) for y in (0.25, 0.75)])


def _apply_fixes(found: Found, fixes: Fixes | None, camera: Camera) -> Found:
    """Strike out, add and mark holes as the user said."""
    if fixes is None or not (fixes.add or fixes.strike_out or fixes.mark):
        return found
    return found.corrected(fixes, camera)


REFIND_REL, REGAUGE_REL = 0.05, 0.006
"""Changes of the local scale after which the line is looked for again, or the rims read again: the line
stands steps uneven by about a tenth, the rim model a line of sight off by about a degree (sample set, 2026-11)."""

MOST_TURNS = 4
"""Rounds of refining before it is left as it is: a lone ruler at 30 degrees takes three (sample set, 2026-11)."""


def settle(
    photo: Photo,
    camera: Camera,
    plane: PlaneFit,
    found: Found,
    references: Sequence[Reference],
    fixes: Fixes | None = None,
) -> tuple[Camera, PlaneFit, Found, list[RimReading]]:
    """Gauge the rims and refine the plane by them until it no longer moves.

    Returns
    -------
    camera, plane, found, readings
        ``readings`` belong to the slots of ``found`` that are not hidden, in order.
    """
    found = _apply_fixes(found, fixes, camera)
    readings = gauge_all(photo, camera, found.xy_px[~found.hidden], found.rough_diameter_mm)
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
            found = _apply_fixes(again, fixes, camera)
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
        raise _no_holes()
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


def write_down(
    photo: Photo,
    found: Found,
    readings: Sequence[RimReading],
    camera: Camera,
    plane: PlaneFit | None,
    references: Sequence[Reference],
    left_out: Sequence[Reference] = (),
    *,
    lean_open: bool = False,
) -> Measurement:
    """From readings to the finished measurement.

    ``left_out`` are things of known size that did not agree, ``lean_open`` says that the tilt had to be
    told by the holes.
    """
    n = len(found.xy_px)
    seen = np.nonzero(~found.hidden)[0]
    at = {int(slot): r for slot, r in zip(seen, readings, strict=True)}
    xy_px = found.xy_px.copy()
    for slot, reading in at.items():
        xy_px[slot] = (reading.x_px, reading.y_px)
    xy = camera.to_mm(xy_px)
    middle = camera.to_px(xy.mean(axis=0)[None])[0]
    below = camera.to_mm(np.array([middle, middle + np.array([0.0, 50.0])]))
    down = (below[1] - below[0]) / np.hypot(*(below[1] - below[0]))
    layout = lay_out(xy, down) if found.closed else rows_layout(found.rows, xy, down)
    per_px = (
        1.0 if plane is not None else float(1 / np.median(np.sqrt(np.abs(np.linalg.det(mm_per_px(camera, xy_px))))))
    )
    new = ((xy - layout.origin_mm) @ layout.turn.T * per_px)[layout.order]
    u_local = plane.u_log_scale(xy_px)[1][layout.order] if plane is not None else np.zeros(n)
    evidence = Evidence.of(photo, camera, at, found, u_local, layout)
    holes = []
    for k in range(n):
        slot = int(layout.order[k])
        r: RimReading | None = at.get(slot)
        status: Status = "hidden" if r is None else "blocked" if evidence.blocked[slot] else "open"
        gauged = r is not None and status == "open" and evidence.measurable[slot]
        holes.append(
            Hole(
                number=k + 1,
                rail=layout.rail_of[k],
                corner=layout.corner[k],
                x_px=float(xy_px[slot, 0]),
                y_px=float(xy_px[slot, 1]),
                x_mm=float(new[k, 0]),
                y_mm=float(new[k, 1]),
                u_own_centre_mm=r.u_own_centre_mm * per_px if r else 0.1 * found.step_mm * per_px,
                status=status,
                diameter_mm=r.diameter_mm * per_px if r and gauged else None,
                u_own_diameter_mm=r.u_own_diameter_mm * per_px if r and gauged else None,
                u_shared_diameter_mm=float(np.hypot(r.u_shared_diameter_mm, r.diameter_mm * u_local[k])) * per_px
                if r and gauged
                else None,
                out_of_round_mm=r.out_of_round_mm * per_px if r and gauged else None,
                arc_seen_frac=r.arc_seen_frac if r else 0.0,
                doubts=doubts_of(evidence, slot),
            )
        )
    rails, seat = _statistics(holes, layout, plane)
    low: list[LowConfidence] = []
    for rail in layout.rails:
        low.extend(low_confidence(rail.name, [holes[i] for i in rail.holes]))
    verdict, reasons = verdict_of(evidence, holes, seat, plane, left_out, lean_open=lean_open)
    return Measurement(
        photo_name=photo.path.name,
        photo_sha256=photo.sha256,
        width_px=photo.width_px,
        height_px=photo.height_px,
        verdict=verdict,
        verdict_reasons=reasons,
        scale=_scale_use(plane, references, camera, xy_px) if plane is not None else None,
        shape=layout.shape,
        holes=tuple(holes),
        rails=rails,
        seat=seat,
        low_confidence=tuple(low),
    )


def _statistics(
    holes: Sequence[Hole], layout: Layout, plane: PlaneFit | None
) -> tuple[tuple[RailStats, ...], RailStats]:
    """Figures of every rail and of the seat, each with its own share of the scale's error."""

    def u_scale(members: Sequence[Hole], closed: bool) -> float:
        if plane is None or len(members) < 2:
            return 0.0
        px = np.array([[h.x_px, h.y_px] for h in members])
        ahead = np.roll(px, -1, axis=0) if closed else px[1:]
        return plane.u_mean_gap_rel(px if closed else px[:-1], ahead)

    rails = []
    for rail in layout.rails:
        members = [holes[i] for i in rail.holes]
        rails.append(rail_stats(rail.name, members, closed=rail.closed, u_scale_rel=u_scale(members, rail.closed)))
    closed = layout.shape != "rows"
    seat = rail_stats("seat", holes, closed=closed, u_scale_rel=u_scale(holes, closed), across_rails=closed)
    return tuple(rails), seat


def _scale_use(plane: PlaneFit, references: Sequence[Reference], camera: Camera, xy_px: Array) -> ScaleUse:
    u_mean, u_local = plane.u_log_scale(xy_px)
    return ScaleUse(
        references=tuple(
            ReferenceUse(
                kind=ref.kind,
                words=ref.words,
                outline_px=tuple((float(x), float(y)) for x, y in ref.outline_px),
                height_mm=plane.heights_mm[k],
                share=plane.share[k],
                misfit=plane.misfit[k],
                notes=ref.notes,
            )
            for k, ref in enumerate(references)
        ),
        mm_per_px=float(np.median(np.sqrt(np.abs(np.linalg.det(mm_per_px(camera, xy_px)))))),
        tilt_deg=camera.tilt_deg,
        distance_mm=float(camera.position_mm[2]),
        focal_px=camera.focal_px,
        focal_from=plane.focal_from,
        k1=camera.k1,
        u_rel=u_mean,
        u_local_rel=float(u_local.max()),
        holes_share=plane.holes_share,
    )
