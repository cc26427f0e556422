"""What is demanded of a card, and what is believed of the lens before anything is seen."""

from dataclasses import dataclass, field

import numpy as np

from holecount.photo import Photo, looks_cut
from holecount.scale.plane import focal_of
from holecount.scale.quads import QuadSettings
from holecount.scale.rectangle_pose import LensPrior


@dataclass(frozen=True, slots=True, kw_only=True)
class CardSettings:
    """What is demanded of a card.

    Attributes
    ----------
    quads : QuadSettings
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
    fine_points, grey_gain : float
        Corner points less half the misfit below which the sides are read again by brightness alone, and by how many
        that must be better (10-20, 1-4; of 24 there are; measured on the sample set made worse, 2026-11).
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
    u_focal_exif_rel: float = 0.03
    u_focal_guess_rel: float = 0.2
    u_k1: float = 0.015
    most_measured: int = 5
    least_rough_points: float = 4.0
    px_per_mm: float = 4.5
    fine_points: float = 15.0
    grey_gain: float = 2.0
    least_score: float = 7.0
    least_score_flawless: float = 1.0
    worst_corner_points: float = -1.0
    most_overrun: float = 3.5
    most_misfit: float = 10.0
    least_share: float = 0.45
    least_share_large: float = 0.8
    large_share: float = 0.3


def lens_prior(photo: Photo, settings: CardSettings) -> LensPrior:
    """What is believed of the photograph's lens before anything is seen."""
    w, h = photo.width_px, photo.height_px
    half = float(np.hypot(w, h)) / 2
    known = photo.focal_px
    return LensPrior(
        focal_px=focal_of(w, h, known),
        u_focal_rel=settings.u_focal_guess_rel if known is None or looks_cut(w, h) else settings.u_focal_exif_rel,
        u_k1=settings.u_k1,
        centre_px=np.array([(w - 1) / 2, (h - 1) / 2]),
        half_diagonal_px=half,
    )
