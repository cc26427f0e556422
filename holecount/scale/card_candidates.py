"""First looks at proposals for a card: which of them are worth measuring, likeliest first."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holecount.photo import Photo
from holecount.scale.card_settings import CardSettings
from holecount.scale.corner_shape import corner_shapes
from holecount.scale.known_objects import KnownObject
from holecount.scale.quads import EdgePicture, Quads
from holecount.scale.rectangle_fit import inner_points, margin_share
from holecount.scale.rectangle_pose import (
    LensPrior,
    anticlockwise,
    pose_of_rectangle,
    shape_of_quads,
    unit_square_homographies,
)
from holecount.scale.sides import corners_of, rough_sides

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class CardCandidate:
    """A proposal after a look at the reduced picture.

    Attributes
    ----------
    corners_px : shape (4, 2)
        In pixels of the photograph.
    seen, share, inside : shape (4,)
        As in `FirstLooks`.
    overrun : float
    points : float
        For round corners, for sides that lie on edges and against such as go on past the corners.
    """

    corners_px: Array
    seen: NDArray[np.bool_]
    share: Array
    inside: Array
    overrun: float
    points: float

    @property
    def mean_share(self) -> float:
        """Share of the whole outline, as far as it could be seen, that lies on an edge."""
        weight = np.maximum(self.inside, 0.05)
        return float((self.share * weight).sum() / weight.sum())


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstLooks:
    """Quads in the reduced picture, shape (n, 4, 2), and what was seen of them.

    Attributes
    ----------
    corners : shape (n, 4, 2)
    seen, share, inside : shape (n, 4)
        Which sides are seen, how much of each lies on an edge, and how much of it could be seen.
    overrun : shape (n,)
        As in `Quads`.
    """

    corners: Array
    seen: NDArray[np.bool_]
    share: Array
    inside: Array
    overrun: Array

    def take(self, which: NDArray[np.bool_]) -> "FirstLooks":
        """Some of them, by a bool array of shape (n,)."""
        return FirstLooks(
            corners=self.corners[which],
            seen=self.seen[which],
            share=self.share[which],
            inside=self.inside[which],
            overrun=self.overrun[which],
        )


def _shaped(corners: Array, picture: EdgePicture, known: KnownObject, lens: LensPrior) -> NDArray[np.bool_]:
    """Whether quads (n, 4, 2) of the reduced picture have about the known shape, shape (n,)."""
    h, w = picture.small.shape[:2]
    shape, cosine = shape_of_quads(corners, picture.focal_px, np.array([(w - 1) / 2, (h - 1) / 2]))
    off = np.abs(np.log(np.maximum(np.nan_to_num(shape), 1e-6) * known.short_mm / known.long_mm))
    # What sides good to a third of a pixel leave open on a card of a hundred, and a wrong focal length (derived).
    loose = 1.6 if lens.u_focal_rel > 0.1 else 1.0
    return np.asarray((off < 0.16 * loose) & (np.abs(np.nan_to_num(cosine, nan=9.0)) < 0.12 * loose))


def along_strongest_edges(
    picture: EdgePicture, quads: Quads, known: KnownObject, lens: LensPrior, s: CardSettings
) -> FirstLooks:
    """Proposals moved to the strongest edges near their sides; one side may be missing."""
    proposed = anticlockwise(quads.corners_px)
    rough = rough_sides(picture.small, proposed, 3.0, margin=margin_share(known, 50.0))
    seen = (rough.share >= 0.4) & (rough.inside >= 0.3)
    as_proposed = np.stack([proposed, np.roll(proposed, -1, axis=1)], axis=2)
    corners = corners_of(np.where(seen[..., None, None], rough.ends_px, as_proposed))
    shaped = np.where(seen.all(axis=1), _shaped(corners, picture, known, lens), seen.sum(axis=1) == 3)
    looks = FirstLooks(corners=corners, seen=seen, share=rough.share, inside=rough.inside, overrun=quads.overrun)
    return looks.take(np.isfinite(corners).all(axis=(1, 2)) & shaped)


def as_proposed(picture: EdgePicture, quads: Quads, known: KnownObject, lens: LensPrior, s: CardSettings) -> FirstLooks:
    """Proposals of which all four sides lie on edges, as they are.

    The strongest edge near a side may be a shadow's or a stripe's, and a faint one be lost among coarse grain.
    """
    corners, share = _anticlockwise_with_sides(quads.corners_px, quads.edge_share)
    whole, all_of_it = np.ones(share.shape, bool), np.ones(share.shape)
    looks = FirstLooks(corners=corners, seen=whole, share=share, inside=all_of_it, overrun=quads.overrun)
    return looks.take((share >= s.least_share).all(axis=1) & _shaped(corners, picture, known, lens))


def card_candidates(
    looks: FirstLooks, picture: EdgePicture, photo: Photo, known: KnownObject, lens: LensPrior, s: CardSettings
) -> list[CardCandidate]:
    """Those that stand up to a look at their corners, likeliest first."""
    out: list[CardCandidate] = []
    for at, seen, share, inside, overrun in zip(
        (looks.corners + 0.5) / picture.scale - 0.5, looks.seen, looks.share, looks.inside, looks.overrun, strict=True
    ):
        if not worth_measuring(at, seen, share, photo, s):
            continue
        to_px = _homography(at, known)
        if not seen.all():
            u = np.where(seen[:, None], np.full((4, 2), 0.5 / picture.scale), np.inf)
            pose = pose_of_rectangle(at, inner_points(at), u, known.long_mm, known.short_mm, lens)
            if pose is None:
                continue
            at, to_px = pose.corners_px, pose.camera.to_px
        candidate = CardCandidate(
            corners_px=at,
            seen=seen,
            share=share,
            inside=inside,
            overrun=float(overrun),
            points=corner_shapes(photo.bgr, to_px, known).points(known),
        )
        points = candidate.points + 8.0 * (candidate.mean_share - 0.7) - candidate.overrun
        out.append(replace(candidate, points=points))
    return sorted(out, key=lambda c: -c.points)


def _anticlockwise_with_sides(corners_px: Array, of_side: Array) -> tuple[Array, Array]:
    """Quads (n, 4, 2) turned `anticlockwise`, and what belongs to their sides (n, 4)."""
    turned = anticlockwise(corners_px)
    flipped = (turned != corners_px).any(axis=(1, 2))
    return turned, np.where(flipped[:, None], of_side[:, [0, 3, 2, 1]], of_side)


def _homography(corners_px: Array, known: KnownObject) -> Callable[[Array], Array]:
    """From millimetres of the face, shape (n, 2), to pixels, by its four corners."""
    h = unit_square_homographies(corners_px[None])[0] @ np.diag([1 / known.long_mm, 1 / known.short_mm, 1.0])

    def to_px(mm: Array) -> Array:
        q = np.column_stack([mm, np.ones(len(mm))]) @ h.T
        return np.asarray(q[:, :2] / q[:, 2:])

    return to_px


def is_large(corners_px: Array, photo: Photo, s: CardSettings) -> bool:
    """Whether quads (4, 2) this large could be the opening of a seat."""
    side = np.linalg.norm(corners_px - np.roll(corners_px, -1, axis=0), axis=1)
    return float(side.max()) > s.large_share * max(photo.width_px, photo.height_px)


def worth_measuring(corners_px: Array, seen: NDArray[np.bool_], share: Array, photo: Photo, s: CardSettings) -> bool:
    """Whether what was seen of the sides can still make a card.

    A side may be missing only from a small one, and only because it lies outside the picture.
    """
    large = is_large(corners_px, photo, s)
    if seen.all():
        return bool(share.min() >= (s.least_share_large if large else s.least_share))
    hidden = int(np.flatnonzero(~seen)[0])
    along = np.linspace(0, 1, 21)[:, None]
    at = corners_px[hidden] * (1 - along) + corners_px[(hidden + 1) % 4] * along
    outside = (at < 0).any(axis=1) | (at > [photo.width_px - 1, photo.height_px - 1]).any(axis=1)
    return bool(not large and outside.mean() > 0.7 and share[seen].min() >= s.least_share_large)
