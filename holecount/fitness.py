"""Whether a photograph is fit to be measured, and what would make it better.

The picture's own qualities (sharpness, exposure, size) come from the pixels; what concerns the seat
(scale, tilt, size of the holes, what hides them) from measuring it.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from holecount.judge import JudgeSettings
from holecount.measure import MeasureRequest, find_references, measure_photo
from holecount.measurement import Measurement, ScaleUse
from holecount.photo import Photo
from holecount.scale.agree import MISFIT_WORTH_A_WORD
from holecount.sharpness import Sharpness, sharpness_of
from holecount.troubles import NoScale, UnfitPhoto

Grade = Literal["fit", "usable", "unfit"]

_DOUBTED = JudgeSettings()
"""From where on a hole is doubted when it is measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FitnessSettings:
    """When something is worth a word.

    Attributes
    ----------
    blur_px : float
        Standard deviation of the edge blur in pixels. The sharpest fifth of edges of the sample
        photographs, blurred ones among them, lies below this. Measured on the sample set, 2026-11.
    blur_of_radius : float
        The same as a share of a hole's radius, where holes were found: from there on the rim's
        rounding can no longer be told from the blur. As for the doubt ``blurred``.
    shake_ratio : float
        Blur in the worst direction over blur in the best: round blur gives about 1. Own choice.
    radius_px : float
        Radius of a hole below which more pixels help. Holes are found from 4 px on. Own choice.
    tilt_deg : float
        Camera tilt above which the near wall covers much of each rim. Own choice; the sample
        photographs go to 33.
    fill_frac : float
        Extent of the seat over that of the picture below which nearer is better. Own choice.
    edge_frac : float
        A hole nearer to the picture's edge than this share of its width may be the last one seen. Own choice.
    clipped_frac, dark_level : float
        Share of white pixels, and middle grey level (0 to 255), of a picture too bright or too dark. Own choice.
    u_local_rel : float
        Relative uncertainty of the scale in the worst corner of the seat. As for the doubt
        ``far-from-scale``: at 12 mm pitch and 0.8 % a hole in six inches may be lost or gained.
    misfit : float
        Residual of a reference over its stated error; how it relates to other limits stands in `scale.agree`.
    """

    blur_px: float = 2.2
    blur_of_radius: float = _DOUBTED.most_blur_share
    shake_ratio: float = 1.8
    radius_px: float = 6.0
    tilt_deg: float = 25.0
    fill_frac: float = 0.5
    edge_frac: float = 0.01
    clipped_frac: float = 0.25
    dark_level: float = 45.0
    u_local_rel: float = _DOUBTED.u_scale_rel
    misfit: float = MISFIT_WORTH_A_WORD


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoRemark:
    """One thing that would make the photograph better."""

    what: str
    advice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitness:
    """What `look_at` found.

    Attributes
    ----------
    grade : {"fit", "usable", "unfit"}
        ``usable``: it can be measured, but see the remarks; ``unfit``: it cannot.
    sharpness : Sharpness
    clipped_frac : float
        Share of the picture that is plain white.
    median_level : float
        Middle grey level, 0 to 255.
    n_holes : int or None
    hole_radius_px : float or None
        Median radius of the holes found.
    tilt_deg : float or None
    scale_words : tuple of str
        The references found.
    remarks : tuple of PhotoRemark
        Weightiest first.
    """

    grade: Grade
    sharpness: Sharpness
    clipped_frac: float
    median_level: float
    n_holes: int | None
    hole_radius_px: float | None
    tilt_deg: float | None
    scale_words: tuple[str, ...]
    remarks: tuple[PhotoRemark, ...]


def look_at(
    photo: Photo,
    request: MeasureRequest | None = None,
    progress: Callable[[str], None] | None = None,
    settings: FitnessSettings | None = None,
) -> Fitness:
    """Look at a photograph before it is measured for good."""
    s = settings or FitnessSettings()
    ask = request or MeasureRequest()
    m: Measurement | None = None
    remarks: list[PhotoRemark] = []
    grade: Grade = "fit"
    scale_words: tuple[str, ...] = ()
    try:
        m = measure_photo(photo, ask, progress)
    except NoScale as trouble:
        remarks.append(PhotoRemark(what=trouble.what, advice=trouble.hint))
        grade = "unfit"
        m = _in_pixels(photo, progress)
    except UnfitPhoto as trouble:
        remarks.append(PhotoRemark(what=trouble.what, advice=trouble.hint))
        grade = "unfit"
        scale_words = _scale_without_holes(photo, ask)
    if progress:
        progress("looking at sharpness and light")
    sharpness = sharpness_of(photo)
    small = cv2.resize(photo.grey, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    clipped, middle = float((small >= 250).mean()), float(np.median(small))
    radius_px = _radius_px(m) if m else None
    remarks += _picture_remarks(sharpness, clipped, middle, radius_px, s)
    if m is not None:
        remarks += _seat_remarks(photo, m, radius_px, s)
        if m.scale is not None:
            scale_words = tuple(r.words for r in m.scale.references)
            remarks += _scale_remarks(m.scale, s)
    if grade == "fit" and remarks:
        grade = "usable"
    return Fitness(
        grade=grade,
        sharpness=sharpness,
        clipped_frac=clipped,
        median_level=middle,
        n_holes=m.seat.n_holes if m else None,
        hole_radius_px=radius_px,
        tilt_deg=m.scale.tilt_deg if m and m.scale else None,
        scale_words=scale_words,
        remarks=tuple(remarks),
    )


def _in_pixels(photo: Photo, progress: Callable[[str], None] | None) -> Measurement | None:
    """The holes of a photograph without scale, so that more than the missing card can be said."""
    try:
        return measure_photo(photo, MeasureRequest(in_pixels=True), progress)
    except UnfitPhoto:
        return None


def _scale_without_holes(photo: Photo, ask: MeasureRequest) -> tuple[str, ...]:
    """What would have given the scale, had there been holes."""
    if ask.in_pixels:
        return ()
    try:
        return tuple(r.words for r in find_references(photo, ask))
    except UnfitPhoto:
        return ()


def _radius_px(m: Measurement) -> float | None:
    """Median radius of the holes in the picture's pixels."""
    if m.seat.diameter is None:
        return None
    return m.seat.diameter.mean_mm / 2 / (m.scale.mm_per_px if m.scale else 1.0)


def _picture_remarks(
    sharpness: Sharpness, clipped: float, middle: float, radius_px: float | None, s: FitnessSettings
) -> list[PhotoRemark]:
    out = []
    blur, best, worst = sharpness.blur_px, sharpness.best_px, sharpness.worst_px
    limit = s.blur_px if radius_px is None else min(max(s.blur_px, 0.1 * radius_px), s.blur_of_radius * radius_px)
    if blur is not None and blur > limit:
        out.append(
            PhotoRemark(
                what=f"Edges are blurred (about {blur:.1f} pixels).",
                advice="Tap on the frame to focus, hold still or lean the phone on something, and use more light.",
            )
        )
    elif best is not None and worst is not None and worst > s.shake_ratio * best and worst > limit:
        out.append(
            PhotoRemark(
                what=f"The picture is shaken ({worst:.1f} pixels one way, {best:.1f} the other).",
                advice="Lean the phone on something, or use more light.",
            )
        )
    if clipped > s.clipped_frac:
        out.append(
            PhotoRemark(
                what=f"{100 * clipped:.0f} % of the picture is plain white.",
                advice="Turn the frame or shade the lamp, or make the picture darker before you take it.",
            )
        )
    if middle < s.dark_level:
        out.append(PhotoRemark(what="The picture is dark.", advice="Use more light, from all sides."))
    return out


def _seat_remarks(photo: Photo, m: Measurement, radius_px: float | None, s: FitnessSettings) -> list[PhotoRemark]:
    out = []
    xy = np.array([[h.x_px, h.y_px] for h in m.holes])
    size = np.array([photo.width_px, photo.height_px], float)
    fill = float((np.ptp(xy, axis=0) / size).max())
    near_edge = int((np.minimum(xy, size - 1 - xy).min(axis=1) < s.edge_frac * size.max()).sum())
    if near_edge:
        out.append(
            PhotoRemark(
                what=f"Holes at the very edge of the picture: {near_edge}; others may be cut off.",
                advice="Step back until the whole frame is in the picture.",
            )
        )
    if fill < s.fill_frac:
        out.append(
            PhotoRemark(
                what="The seat fills little of the picture.", advice="Go nearer until it fills most of the picture."
            )
        )
    elif radius_px is not None and radius_px < s.radius_px:
        out.append(
            PhotoRemark(
                what=f"Holes are small: about {2 * radius_px:.0f} pixels across.",
                advice="Go nearer, use the camera's full resolution, and give the file as the camera saved it.",
            )
        )
    if m.seat.n_blocked:
        out.append(
            PhotoRemark(
                what=f"Blocked holes: {m.seat.n_blocked}.", advice="Clear them; they are counted but not gauged."
            )
        )
    if m.seat.n_hidden:
        out.append(
            PhotoRemark(
                what=f"Hidden holes: {m.seat.n_hidden}.",
                advice="Move the card, the ruler or whatever lies over the hole line; or photograph from another side.",
            )
        )
    glare = sum("glare" in h.doubts for h in m.holes)
    if glare:
        out.append(
            PhotoRemark(
                what=f"Holes washed out by glare: {glare}.", advice="Turn the frame, or shade the lamp or window."
            )
        )
    return out


def _scale_remarks(scale: ScaleUse, s: FitnessSettings) -> list[PhotoRemark]:
    out = []
    if scale.tilt_deg > s.tilt_deg:
        out.append(
            PhotoRemark(
                what=f"The camera was tilted by {scale.tilt_deg:.0f} degrees.",
                advice="Photograph from straight above: the far and the near rail should look equally large.",
            )
        )
    if scale.u_local_rel > s.u_local_rel:
        out.append(
            PhotoRemark(
                what=f"Far from the scale, lengths are only good to {100 * scale.u_local_rel:.1f} %.",
                advice="Lay a second card or a ruler on the opposite rail.",
            )
        )
    if any(r.misfit > s.misfit for r in scale.references):
        out.append(
            PhotoRemark(
                what="What gives the scale does not fit together.",
                advice="See that cards and rulers lie flat on the frame, and that they have the size you say.",
            )
        )
    return out
