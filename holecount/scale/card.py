"""Find bank cards, sheets and other rectangles of known size lying on the frame.

Proposals come from straight edges (`quads`); the likeliest are measured (`rectangle_fit`) and must be
what they are taken for: four straight sides (or three and a good reason why the fourth cannot be seen), seen as a
rectangle of the right shape by a camera that can be, with corners of the right roundness, and an object
rather than the opening of a seat. What is not sure is left out: a false card is far worse than a missed one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.photo import Photo
from holecount.scale.card_candidates import (
    CardCandidate,
    along_strongest_edges,
    as_proposed,
    card_candidates,
    is_large,
    worth_measuring,
)
from holecount.scale.card_settings import CardSettings, lens_prior
from holecount.scale.corner_shape import CornerShapes, corner_shapes
from holecount.scale.known_objects import KnownObject, known_objects
from holecount.scale.quads import EdgePicture, edge_picture, propose_quads
from holecount.scale.rectangle_fit import MISFIT_BY_CHANCE, RectangleFit, constraints_of_sides, fit_rectangle
from holecount.scale.rectangle_pose import (
    LensPrior,
    rectangle_mm,
)
from holecount.scale.reference import Reference

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundCard:
    """A rectangle of known size in the picture, and what speaks for it.

    Attributes
    ----------
    reference : Reference
    fit : RectangleFit
        Sides, corners and the pose they have for this shape.
    share, inside : shape (4,)
        How much of each side (corner k to k + 1) lies on an edge, and how much of it could be seen.
    overrun : float
        Edges that go on past the corners, 0 to 8.
    corners : CornerShapes
    score : float
        The larger the surer: 24 for four round corners, less for edges missing or too long and for misfit.
    accepted : bool
        A card beyond reasonable doubt.
    """

    reference: Reference
    fit: RectangleFit
    share: Array
    inside: Array
    overrun: float
    corners: CornerShapes
    score: float
    accepted: bool

    @property
    def beyond_doubt(self) -> bool:
        """Whether another first look at the same thing would find nothing better.

        Of the sample set's cards all but one: scores above 15, misfits up to 2.2 (2026-11).
        """
        return self.accepted and self.score > 15 and self.fit.misfit < 4


def find_cards(
    photo: Photo, *, sizes: Sequence[KnownObject] | None = None, settings: CardSettings | None = None
) -> list[Reference]:
    """Find the rectangles of known size that lie in the picture, surest first.

    Parameters
    ----------
    photo : Photo
    sizes : sequence of KnownObject, optional
        What to look for; bank cards when left out.
    settings : CardSettings, optional

    Returns
    -------
    list of Reference
        Four corners each: of the upper face, from lines fitted to its sides. Empty when nothing is sure.
    """
    out: list[Reference] = []
    for found in look_for_cards(photo, sizes=sizes, settings=settings):
        at = found.reference.points_px
        if found.accepted and not any(_overlap(other.points_px, at) for other in out):
            out.append(found.reference)
    return out


def look_for_cards(
    photo: Photo, *, sizes: Sequence[KnownObject] | None = None, settings: CardSettings | None = None
) -> list[FoundCard]:
    """Every candidate that was worth measuring, accepted or not, best first."""
    s = settings or CardSettings()
    lens = lens_prior(photo, s)
    picture = edge_picture(photo.bgr, lens.focal_px, s.quads)
    out: list[FoundCard] = []
    for known in sizes if sizes is not None else (known_objects()["card"],):
        quads = propose_quads(picture, known.long_mm / known.short_mm, s.quads)
        if len(quads.score) == 0:
            continue
        for first_look in (along_strongest_edges, as_proposed):
            n_measured = 0
            looks = first_look(picture, quads, known, lens, s)
            for candidate in card_candidates(looks, picture, photo, known, lens, s):
                if candidate.points < s.least_rough_points or n_measured >= s.most_measured:
                    break
                if any(f.beyond_doubt and _overlap(f.reference.points_px, candidate.corners_px) for f in out):
                    continue
                n_measured += 1
                found = _measure(photo, picture, candidate, known, lens, s)
                if found is not None:
                    out.append(found)
            if any(f.accepted for f in out):
                break
    return sorted(out, key=lambda c: -c.score)


def _reference(known: KnownObject, fit: RectangleFit, notes: tuple[str, ...]) -> Reference:
    return Reference(
        kind=known.kind,
        words=known.words,
        points_px=fit.corners_px,
        points_mm=rectangle_mm(known.long_mm, known.short_mm),
        u_px=fit.u_px,
        u_size_rel=known.u_size_rel,
        constraints=None if fit.seen.all() else constraints_of_sides(fit),
        height_mm=known.thickness_mm,
        u_height_mm=known.u_thickness_mm,
        outline_px=fit.corners_px,
        notes=notes,
    )


def _measure(
    photo: Photo, picture: EdgePicture, candidate: CardCandidate, known: KnownObject, lens: LensPrior, s: CardSettings
) -> FoundCard | None:
    """Measure one candidate; None when it turns out not to be measurable as a rectangle."""
    fit = fit_rectangle(photo.bgr, candidate.corners_px, candidate.seen, known, lens, s.px_per_mm)
    if fit is None:
        return None
    shapes = corner_shapes(photo.bgr, fit.pose.camera.to_px, known, fit.blur_px)
    likely = shapes.points(known) > 0 or fit.misfit <= s.most_misfit
    if likely and _points(fit, shapes, known) < s.fine_points:
        # A JPEG keeps colour at half its sharpness, which can shift the sides: brightness alone is asked as well.
        given = photo.bgr, candidate.corners_px, candidate.seen, known, lens, s.px_per_mm
        grey = fit_rectangle(*given, colours=False)
        if grey is not None:
            seen_grey = corner_shapes(photo.bgr, grey.pose.camera.to_px, known, grey.blur_px)
            if _points(grey, seen_grey, known) > _points(fit, shapes, known) + s.grey_gain:
                fit, shapes = grey, seen_grey
    score = (
        _points(fit, shapes, known)
        + 12.0 * (candidate.mean_share - 0.8)
        + 8.0 * min(0.0, float(candidate.share[fit.seen].min()) - 0.7)
        - candidate.overrun
    )
    return FoundCard(
        reference=_reference(known, fit, _notes(candidate, fit)),
        fit=fit,
        share=candidate.share,
        inside=candidate.inside,
        overrun=candidate.overrun,
        corners=shapes,
        score=score,
        accepted=_is_sure(photo, picture, candidate, fit, known, shapes, score, lens, s),
    )


def _points(fit: RectangleFit, shapes: CornerShapes, known: KnownObject) -> float:
    """What the corners say for a card, less what its shape says against; a square misfit is twice a log chance."""
    return shapes.points(known) - 0.5 * fit.misfit


def _notes(candidate: CardCandidate, fit: RectangleFit) -> tuple[str, ...]:
    if not fit.seen.all():
        return ("one side cannot be seen; its two corners follow from the other three sides",)
    if candidate.share.min() < 0.8:
        return ("one side is partly covered or has little contrast",)
    return ()


def _is_sure(
    photo: Photo,
    picture: EdgePicture,
    candidate: CardCandidate,
    fit: RectangleFit,
    known: KnownObject,
    shapes: CornerShapes,
    score: float,
    lens: LensPrior,
    s: CardSettings,
) -> bool:
    """Whether it is a card beyond reasonable doubt."""
    at, corner_points = fit.corners_px, shapes.points_each(known)
    if fit.misfit > s.most_misfit or fit.pose.camera.tilt_deg > s.quads.most_tilt_deg + 5:
        return False
    if not worth_measuring(at, fit.seen, candidate.share, photo, s):
        return False
    if fit.seen.all():
        if is_large(at, photo, s):
            # One corner of a large one may be spoilt by a shadow; an opening has none of a card's roundness, or all.
            sure = score >= s.least_score and np.sort(corner_points)[1:].min() >= 2
            return bool(sure and not _shows_ground(picture, at))
        if candidate.overrun > s.most_overrun:
            return False
        flawless = (
            score >= s.least_score_flawless
            and shapes.agrees(known)
            and candidate.overrun <= 0.3
            and fit.misfit <= MISFIT_BY_CHANCE
            and candidate.mean_share >= 0.85
            and lens.u_focal_rel <= s.u_focal_exif_rel
        )
        worst = s.worst_corner_points * float(np.clip(score / 8.0, 1.0, 2.5))
        return bool((score >= s.least_score or flawless) and corner_points.min() >= worst)
    hidden = int(np.flatnonzero(~fit.seen)[0])
    near = corner_points[[(hidden + 2) % 4, (hidden + 3) % 4]]
    long_px = float(np.linalg.norm(at - np.roll(at, -1, axis=0), axis=1).max())
    return bool(near.min() >= 3 and fit.u_px.max() < 0.1 * long_px)


def _overlap(a: Array, b: Array) -> bool:
    """Whether two quads share more than a sixth of the smaller one."""
    qa, qb = (np.asarray(q, np.float32).reshape(-1, 1, 2) for q in (a, b))
    shared = cv2.intersectConvexConvex(qa, qb)[0]
    return float(shared) > min(cv2.contourArea(qa), cv2.contourArea(qb)) / 6.0


def _shows_ground(picture: EdgePicture, corners_px: Array) -> bool:
    """Whether the middle of a large quad looks like what lies far outside it: the opening or the outline of a seat."""
    small = np.asarray(cv2.resize(picture.small, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)
    quad = (corners_px + 0.5) * picture.scale / 2 - 0.5
    middle = quad.mean(axis=0)
    h, w = small.shape[:2]
    inner, outer = np.zeros((h, w), np.uint8), np.full((h, w), 1, np.uint8)
    cv2.fillConvexPoly(inner, np.round(middle + 0.6 * (quad - middle)).astype(np.int32), (1,))
    cv2.fillConvexPoly(outer, np.round(middle + 1.45 * (quad - middle)).astype(np.int32), (0,))
    if outer.sum() < 0.02 * h * w or inner.sum() < 50:
        return True
    lab = cv2.cvtColor(small, cv2.COLOR_BGR2Lab).astype(np.float32)
    inside, outside = lab[inner > 0], lab[outer > 0]
    apart = np.abs(np.median(inside, axis=0) - np.median(outside, axis=0))
    spread = np.hypot(inside.std(axis=0), outside.std(axis=0)) + 4.0
    return bool((apart < 1.5 * spread).all())
