"""The stages in order: photograph -> scale -> holes -> rails -> statistics -> measurement."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from holecount.fixes import Fixes
from holecount.holes.beside import holes_beside
from holecount.holes.find import Found, find_line
from holecount.holes.gauge import RimReading
from holecount.holes.hole import Hole, Status
from holecount.holes.tilt import tilt_of_rows
from holecount.judge import Evidence, doubts_of, remarks_of, verdict_of
from holecount.measurement import Measurement, ReferenceUse, ScaleUse
from holecount.photo import Photo
from holecount.rails import Layout, lay_out, rows_layout
from holecount.scale.agree import fit_agreeing
from holecount.scale.by_hand import less_sure_beyond_edge
from holecount.scale.card import find_cards
from holecount.scale.fit import PlaneFit
from holecount.scale.known_objects import KnownObject, known_objects
from holecount.scale.plane import Camera, mm_per_px, straight_above
from holecount.scale.reference import Reference
from holecount.scale.ruler import look_for_rulers
from holecount.settle import Settled, believed, carried_over, correct, no_holes, outlines_px, settle
from holecount.stats import LowConfidence, RailStats, low_confidence, rail_stats
from holecount.troubles import NoScale

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
    fixes, w, h = request.fixes, photo.width_px, photo.height_px
    placed = request.by_hand if fixes is None or not fixes.scale else (*fixes.references(), *request.by_hand)
    given = tuple(less_sure_beyond_edge(r, w, h) for r in placed)
    if fixes is not None and fixes.scale:
        return given
    sizes = request.cards or (known_objects()["card"],)
    _ = photo.grey  # made once, before two threads ask for it
    with ThreadPoolExecutor(2) as both:
        cards = both.submit(find_cards, photo, sizes=sizes)
        rulers = both.submit(look_for_rulers, photo, system=request.ruler)
        found = (*given, *cards.result(), *rulers.result().references)
    if not rulers.result().unread:
        return found
    if not found:
        raise _unread_ruler(request.ruler)
    note = "something like a ruler was not read; if it is one, --ruler mm or --ruler inch may help"
    return (replace(found[0], notes=(*found[0].notes, note)), *found[1:])


def _unread_ruler(system: str | None) -> NoScale:
    """What to say where the only thing of known size is a ruler whose marks could not be told."""
    card = "; or lay a bank card on the frame beside it"
    if system is None:
        return NoScale(
            "Something like a ruler was seen, but whether its marks are millimetres or inches could not be told.",
            f"Say which with --ruler mm or --ruler inch. If that does not help photograph nearer and sharper{card}.",
        )
    marks = "millimetres" if system == "mm" else "inches"
    return NoScale(
        f"Something like a ruler was seen, but its marks could not be read as {marks}.",
        f"Photograph nearer and sharper, without glare on the marks{card}.",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Located:
    """The seat in the photograph: everything that does not hang on corrections of single holes.

    Attributes
    ----------
    references, left_out : tuple of Reference
        Things of known size the scale is from, and those that did not agree with them.
    settled : Settled
        The hole line, gauged and settled as it was found.
    tilt_open : bool
        The tilt had to be told by the holes.
    """

    references: tuple[Reference, ...]
    left_out: tuple[Reference, ...]
    settled: Settled
    tilt_open: bool


def measure_photo(
    photo: Photo,
    request: MeasureRequest | None = None,
    progress: Progress | None = None,
    *,
    located: Callable[[MeasureRequest], Located] | None = None,
) -> Measurement:
    """Measure one photograph: scale and holes are located, then corrected and written down.

    Parameters
    ----------
    located : gives the seat as located for a request; the bench page hands in one that remembers.

    Raises
    ------
    NoScale
        Nothing of known size was found (and pixels were not asked for).
    NoHoles
        No row of holes was found.
    BadInput
        The corrections do not belong to this photograph, or mean no hole of it.
    """
    ask = request or MeasureRequest()
    where = located or (lambda asked: locate(photo, asked, progress))
    fixes = ask.fixes
    if fixes is not None:
        fixes.check_photo(photo.sha256, photo.width_px, photo.height_px)
        if fixes.by_number:
            # Numbers are those of the photograph as it is measured without corrections.
            fixes = fixes.placed(finish(photo, where(replace(ask, fixes=None))).holes)
    return finish(photo, where(ask), fixes)


def locate(
    photo: Photo,
    request: MeasureRequest | None = None,
    progress: Progress | None = None,
    *,
    references: Sequence[Reference] | None = None,
) -> Located:
    """Scale and holes as the photograph and, where the user placed something of known size, the corrections have them.

    Parameters
    ----------
    references : what `find_references` gives for this request, where that is known already.

    Raises
    ------
    NoScale
        Nothing of known size was found (and pixels were not asked for).
    NoHoles
        No row of holes was found.
    """
    ask, say = request or MeasureRequest(), progress or _silent
    if ask.in_pixels:
        say("looking for holes")
        camera, found = _found_in_pixels(photo)
        say("gauging the holes")
        return Located(references=(), left_out=(), settled=settle(photo, camera, None, found, ()), tilt_open=False)
    if references is None:
        say("looking for the card or ruler")
        references = find_references(photo, ask)
    plane, used, left_out = _plane_of(photo, references)
    say("looking for holes")
    camera = plane.camera
    tilt_open = _leaves_tilt_open(photo, plane)
    if tilt_open:
        camera = tilt_of_rows(photo, camera, used)
    line = find_line(photo, camera, outlines_px(used))
    if line is None:
        raise no_holes()
    say("gauging the holes")
    settled = settle(photo, camera, plane, line, used)
    return Located(references=used, left_out=left_out, settled=settled, tilt_open=tilt_open)


def moved_to(photo: Photo, located: Located, references: Sequence[Reference]) -> Located:
    """The seat under another scale without a new look at the picture: what `locate` gives but for the last hundredths.

    Holes and rims stay where they were seen under the scale before.

    Raises
    ------
    NoScale
        The new references make none.
    """
    plane, used, left_out = _plane_of(photo, references)
    tilt_open = _leaves_tilt_open(photo, plane)
    settled = carried_over(photo, located.settled, plane, used, keep_tilt=tilt_open)
    return Located(references=used, left_out=left_out, settled=settled, tilt_open=tilt_open)


def finish(photo: Photo, located: Located, fixes: Fixes | None = None) -> Measurement:
    """From the seat as located, with corrections of single holes, to the measurement.

    Costs what the corrections change. What they say of the scale belongs to `locate`.

    Raises
    ------
    NoHoles
        The rims bear out no row of holes.
    BadInput
        A correction means no hole.
    """
    settled = believed(correct(photo, located.settled, fixes, located.references))
    return write_down(photo, settled, located.references, located.left_out, tilt_open=located.tilt_open)


def _silent(words: str) -> None:
    """Say nothing."""


PICTURE_WIDTHS_MM = (620.0, 440.0, 310.0, 220.0, 150.0)
"""What the longer side of the picture may span when nothing tells: a whole seat, or part of a rail (own choice)."""


def _found_in_pixels(photo: Photo) -> tuple[Camera, Found]:
    """The hole line at the size that suits it best; the camera is taken to look straight down."""
    best: tuple[Camera, Found] | None = None
    for span in PICTURE_WIDTHS_MM:
        camera = straight_above(photo.width_px, photo.height_px, photo.focal_px, picture_width_mm=span)
        found = find_line(photo, camera)
        if found is not None and (best is None or (found.closed, found.gain) > (best[1].closed, best[1].gain)):
            best = (camera, found)
    if best is None:
        raise no_holes()
    return best


TILT_UNKNOWN_REL = 0.04
"""Scale uncertainty half way to the picture's corners above which the rows of holes are asked for the tilt first:
the hole line stands steps uneven by about a tenth (see `LineSettings`)."""


def _plane_of(
    photo: Photo, references: Sequence[Reference]
) -> tuple[PlaneFit, tuple[Reference, ...], tuple[Reference, ...]]:
    """The plane of the references that agree, those, and the others."""
    return fit_agreeing(references, width_px=photo.width_px, height_px=photo.height_px, focal_px=photo.focal_px)


def _leaves_tilt_open(photo: Photo, plane: PlaneFit) -> bool:
    """Whether the references alone leave the tilt so open that the holes have to tell it."""
    w, h = photo.width_px, photo.height_px
    half_way = np.array([(x * w, y * h) for x in (0.25, 0.75) for y in (0.25, 0.75)])
    return bool(plane.u_log_scale(half_way)[1].max() > TILT_UNKNOWN_REL)


def write_down(
    photo: Photo,
    settled: Settled,
    references: Sequence[Reference],
    left_out: Sequence[Reference] = (),
    *,
    tilt_open: bool = False,
) -> Measurement:
    """From readings to the finished measurement.

    ``left_out`` are things of known size that did not agree, ``tilt_open`` says that the tilt had to be
    told by the holes.
    """
    found, camera, plane, readings = settled.found, settled.camera, settled.plane, settled.readings
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
    beside = holes_beside(photo, camera, found, readings)
    evidence = Evidence.of(camera, at, found, u_local, layout, beside=beside)
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
    verdict, reasons = verdict_of(evidence, holes, seat, plane, left_out, tilt_open=tilt_open)
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
        remarks=remarks_of(evidence, holes, seat, tilt_open=tilt_open),
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
