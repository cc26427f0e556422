"""Find bank cards, sheets and other rectangles of known size lying on the frame.

Proposals come from straight edges (`quads`); the likeliest are measured (`rectangle_fit`) and must be
what they are taken for: four straight sides (or three and a good reason why the fourth cannot be seen), seen as a
rectangle of the right shape by a camera that can be, with corners of the right roundness, and an object
rather than the opening of a seat. What is not sure is left out: a false card is far worse than a missed one.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.photo import FULL_FRAME_DIAGONAL_MM, Photo, looks_cut
from holecount.scale.corner_shape import CornerShapes, corner_shapes
from holecount.scale.known_objects import KnownObject, known_objects
from holecount.scale.quads import EdgePicture, QuadSettings, edge_picture, propose_quads
from holecount.scale.rectangle_fit import MISFIT_BY_CHANCE, RectangleFit, fit_rectangle, inner_points, margin_share
from holecount.scale.rectangle_pose import (
    LensPrior,
    anticlockwise,
    pose_of_rectangle,
    rectangle_mm,
    shape_of_quads,
    unit_square_homographies,
)
from holecount.scale.reference import Reference
from holecount.scale.sides import corners_of, rough_sides

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class CardSettings:
    """What is demanded of a card.

    Attributes
    ----------
    quads : QuadSettings
    guessed_focal_35mm : float
        Where EXIF is silent (24-28: the main camera of phones; common practice, no source).
    u_focal_exif_rel, u_focal_guess_rel : float
        Relative uncertainty of the focal length: EXIF's is a whole number of mm (0.02-0.04), a guess must leave
        room for other lenses (0.15-0.3); common practice, no source.
    u_k1 : float
        Radial distortion believed possible: some phones leave 0.5-2 % at the corner (0.01-0.03; measured on the
        sample set, 2026-11).
    most_measured : int
        Proposals measured at full size (2-8).
    least_rough_points : float
        Corner points and edge shares of a proposal worth measuring (2-8; measured on the sample set, 2026-11:
        cards 13 and more).
    px_per_mm : float
        Candidates with half as much again or more are measured in a picture shrunk to about this (3-6): a bank card's
        wall is then 1-3 px wide and blur a pixel or two, as the strips expect.
    least_score, least_score_flawless : float
        Below this it is no card; the second where the outline has no flaw, all corners together have the right
        roundness and EXIF tells the focal length (6-10, 1-5; measured on the sample set, 2026-11: all but one card
        11 and more, the best of the rest of their size below 0).
    worst_corner_points : float
        A corner below this looks sharp, or is none; twice this is forgiven at a score of 16
        (-2 to -0.5; measured on the sample set, 2026-11: cards -0.3).
    most_overrun : float
        Edges that go on past the corners, of 8 (3-5; measured on the sample set, 2026-11: cards up to 2.7).
    most_misfit : float
        Normalised square misfit of the known shape, two degrees of freedom (6-20; generous, since walls and
        shadows leave more than noise; measured on the sample set, 2026-11: cards up to 3).
    least_share, least_share_large : float
        Share of a side that must lie on an edge, for small and large ones (0.4-0.6, 0.7-0.9; measured on the
        sample set, 2026-11: cards 0.66 and more).
    large_share : float
        From this share of the picture's long side on it could be the opening of a seat and must be flawless
        (0.25-0.4; a seat of 250 mm that fills three quarters of the picture shows a card over 0.26, derived).
    """

    quads: QuadSettings = field(default_factory=QuadSettings)
    guessed_focal_35mm: float = 26.0
    u_focal_exif_rel: float = 0.03
    u_focal_guess_rel: float = 0.2
    u_k1: float = 0.015
    most_measured: int = 5
    least_rough_points: float = 4.0
    px_per_mm: float = 4.5
    least_score: float = 7.0
    least_score_flawless: float = 1.0
    worst_corner_points: float = -1.0
    most_overrun: float = 3.5
    most_misfit: float = 10.0
    least_share: float = 0.45
    least_share_large: float = 0.8
    large_share: float = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundCard:
    """A rectangle of known size in the picture, and what speaks for it.

    Attributes
    ----------
    reference : Reference
    known : KnownObject
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
    known: KnownObject
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    """A proposal after a look at the reduced picture; corners in full-size pixels."""

    corners_px: Array
    seen: NDArray[np.bool_]
    share: Array
    inside: Array
    overrun: float
    points: float

    @property
    def mean_share(self) -> float:
        weight = np.maximum(self.inside, 0.05)
        return float((self.share * weight).sum() / weight.sum())


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
        n_measured = 0
        for candidate in _candidates(picture, photo, known, lens, s):
            if candidate.points < s.least_rough_points or n_measured >= s.most_measured:
                break
            if any(f.beyond_doubt and _overlap(f.reference.points_px, candidate.corners_px) for f in out):
                continue
            n_measured += 1
            found = _measure(photo, picture, candidate, known, lens, s)
            if found is not None:
                out.append(found)
    return sorted(out, key=lambda c: -c.score)


def card_from_corners(corners_px: Array, known: KnownObject, u_px: float = 1.5) -> Reference:
    """Make a reference of four corners given by hand.

    Parameters
    ----------
    corners_px : shape (4, 2)
        Where the sides would meet (not where a round corner ends), in order round the card, either way, starting
        anywhere. The pair of sides that looks longer is taken for the long one.
    known : KnownObject
    u_px : float
        One standard uncertainty of a corner along each axis.

    Raises
    ------
    ValueError
        When there are not four corners in order round a convex figure.
    """
    q = np.asarray(corners_px, float)
    if q.shape != (4, 2) or not np.isfinite(q).all():
        raise ValueError("a rectangle has four corners, each an x and a y")
    d = np.roll(q, -1, axis=0) - q
    turn = d[:, 0] * np.roll(d, -1, axis=0)[:, 1] - d[:, 1] * np.roll(d, -1, axis=0)[:, 0]
    if not ((turn > 0).all() or (turn < 0).all()):
        raise ValueError("the four corners must go round the rectangle in order")
    length = np.linalg.norm(d, axis=1)
    if length[0] + length[2] < length[1] + length[3]:
        q = np.roll(q, -1, axis=0)
    return _reference(known, anticlockwise(q), np.full(4, float(u_px)), ("corners given by hand",))


def lens_prior(photo: Photo, settings: CardSettings) -> LensPrior:
    """What is believed of the photograph's lens before anything is seen."""
    w, h = photo.width_px, photo.height_px
    half = float(np.hypot(w, h)) / 2
    known = photo.focal_px
    return LensPrior(
        focal_px=known if known is not None else settings.guessed_focal_35mm * 2 * half / FULL_FRAME_DIAGONAL_MM,
        u_focal_rel=settings.u_focal_guess_rel if known is None or looks_cut(w, h) else settings.u_focal_exif_rel,
        u_k1=settings.u_k1,
        centre_px=np.array([(w - 1) / 2, (h - 1) / 2]),
        half_diagonal_px=half,
    )


def _reference(known: KnownObject, corners_px: Array, u_px: Array, notes: tuple[str, ...]) -> Reference:
    return Reference(
        kind=known.kind,
        words=known.words,
        points_px=corners_px,
        points_mm=rectangle_mm(known.long_mm, known.short_mm),
        u_px=u_px,
        u_size_rel=known.u_size_rel,
        height_mm=known.thickness_mm,
        u_height_mm=known.u_thickness_mm,
        outline_px=corners_px,
        notes=notes,
    )


def _candidates(
    picture: EdgePicture, photo: Photo, known: KnownObject, lens: LensPrior, s: CardSettings
) -> list[_Candidate]:
    """Proposals that stand up to a look at the reduced picture, likeliest first."""
    quads = propose_quads(picture, known.long_mm / known.short_mm, s.quads)
    if len(quads.score) == 0:
        return []
    proposed = anticlockwise(quads.corners_px)
    rough = rough_sides(picture.small, proposed, 3.0, margin=margin_share(known, 50.0))
    seen = (rough.share >= 0.4) & (rough.inside >= 0.3)
    as_proposed = np.stack([proposed, np.roll(proposed, -1, axis=1)], axis=2)
    corners = corners_of(np.where(seen[..., None, None], rough.ends_px, as_proposed))
    h, w = picture.small.shape[:2]
    shape, cosine = shape_of_quads(corners, picture.focal_px, np.array([(w - 1) / 2, (h - 1) / 2]))
    off = np.abs(np.log(np.maximum(np.nan_to_num(shape), 1e-6) * known.short_mm / known.long_mm))
    # What sides good to a third of a pixel leave open on a card of a hundred, and a wrong focal length (derived).
    loose = 1.6 if lens.u_focal_rel > 0.1 else 1.0
    shaped = (off < 0.16 * loose) & (np.abs(np.nan_to_num(cosine, nan=9.0)) < 0.12 * loose)
    fits = np.isfinite(corners).all(axis=(1, 2)) & np.where(seen.all(axis=1), shaped, seen.sum(axis=1) == 3)
    corners = (corners + 0.5) / picture.scale - 0.5
    out: list[_Candidate] = []
    for i in np.flatnonzero(fits):
        at, to_px = corners[i], _homography(corners[i], known)
        if not _worth_measuring(at, seen[i], rough.share[i], photo, s):
            continue
        if not seen[i].all():
            u = np.where(seen[i][:, None], np.full((4, 2), 0.5 / picture.scale), np.inf)
            pose = pose_of_rectangle(at, inner_points(at), u, known.long_mm, known.short_mm, lens)
            if pose is None:
                continue
            at, to_px = pose.corners_px, pose.camera.to_px
        candidate = _Candidate(
            corners_px=at,
            seen=seen[i],
            share=rough.share[i],
            inside=rough.inside[i],
            overrun=float(quads.overrun[i]),
            points=corner_shapes(photo.bgr, to_px, known).points(known),
        )
        points = candidate.points + 8.0 * (candidate.mean_share - 0.7) - candidate.overrun
        out.append(replace(candidate, points=points))
    return sorted(out, key=lambda c: -c.points)


def _homography(corners_px: Array, known: KnownObject) -> Callable[[Array], Array]:
    """From millimetres of the face, shape (n, 2), to pixels, by its four corners."""
    h = unit_square_homographies(corners_px[None])[0] @ np.diag([1 / known.long_mm, 1 / known.short_mm, 1.0])

    def to_px(mm: Array) -> Array:
        q = np.column_stack([mm, np.ones(len(mm))]) @ h.T
        return np.asarray(q[:, :2] / q[:, 2:])

    return to_px


def _is_large(corners_px: Array, photo: Photo, s: CardSettings) -> bool:
    side = np.linalg.norm(corners_px - np.roll(corners_px, -1, axis=0), axis=1)
    return float(side.max()) > s.large_share * max(photo.width_px, photo.height_px)


def _worth_measuring(corners_px: Array, seen: NDArray[np.bool_], share: Array, photo: Photo, s: CardSettings) -> bool:
    """Whether what was seen of the sides can still make a card.

    A side may be missing only from a small one, and only because it lies outside the picture.
    """
    large = _is_large(corners_px, photo, s)
    if seen.all():
        return bool(share.min() >= (s.least_share_large if large else s.least_share))
    hidden = int(np.flatnonzero(~seen)[0])
    along = np.linspace(0, 1, 21)[:, None]
    at = corners_px[hidden] * (1 - along) + corners_px[(hidden + 1) % 4] * along
    outside = (at < 0).any(axis=1) | (at > [photo.width_px - 1, photo.height_px - 1]).any(axis=1)
    return bool(not large and outside.mean() > 0.7 and share[seen].min() >= s.least_share_large)


def _measure(
    photo: Photo, picture: EdgePicture, candidate: _Candidate, known: KnownObject, lens: LensPrior, s: CardSettings
) -> FoundCard | None:
    """Measure one candidate; None when it turns out not to be measurable as a rectangle."""
    fit = fit_rectangle(photo.bgr, candidate.corners_px, candidate.seen, known, lens, s.px_per_mm)
    if fit is None:
        return None
    shapes = corner_shapes(photo.bgr, fit.pose.camera.to_px, known, fit.blur_px)
    if fit.misfit > MISFIT_BY_CHANCE and shapes.points(known) > 0:
        # Round corners, and yet its sides do not make the shape.
        given = photo.bgr, candidate.corners_px, candidate.seen, known, lens, s.px_per_mm
        grey = fit_rectangle(*given, colours=False)
        if grey is not None and grey.misfit < 0.5 * fit.misfit:
            fit, shapes = grey, corner_shapes(photo.bgr, grey.pose.camera.to_px, known, grey.blur_px)
    score = (
        shapes.points(known)
        + 12.0 * (candidate.mean_share - 0.8)
        + 8.0 * min(0.0, float(candidate.share[fit.seen].min()) - 0.7)
        - candidate.overrun
        - 0.5 * fit.misfit
    )
    return FoundCard(
        reference=_reference(known, fit.corners_px, fit.u_px, _notes(candidate, fit)),
        known=known,
        fit=fit,
        share=candidate.share,
        inside=candidate.inside,
        overrun=candidate.overrun,
        corners=shapes,
        score=score,
        accepted=_is_sure(photo, picture, candidate, fit, known, shapes, score, lens, s),
    )


def _notes(candidate: _Candidate, fit: RectangleFit) -> tuple[str, ...]:
    if not fit.seen.all():
        return ("one side cannot be seen; its two corners follow from the other three sides",)
    if candidate.share.min() < 0.8:
        return ("one side is partly covered or has little contrast",)
    return ()


def _is_sure(
    photo: Photo,
    picture: EdgePicture,
    candidate: _Candidate,
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
    if not _worth_measuring(at, fit.seen, candidate.share, photo, s):
        return False
    if fit.seen.all():
        if _is_large(at, photo, s):
            # One corner of a large one may be spoilt by a shadow; an opening has none of a card's roundness, or all.
            sure = score >= s.least_score and np.sort(corner_points)[1:].min() >= 2
            return bool(sure and not _shows_ground(picture, at))
        if candidate.overrun > s.most_overrun:
            return False
        flawless = (
            score >= s.least_score_flawless
            and shapes.agrees(known)
            and candidate.overrun <= 0.3
            and fit.misfit <= 2.5
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
