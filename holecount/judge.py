"""What not to trust and why: doubts of single holes, and the verdict on the whole measurement.

A hole gets a doubt when the picture shows it badly; the verdict is ``check`` whenever a careful worker
should look again. Thresholds were set on drawn pictures and held against the sample set.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from holecount.holes.find import Found
from holecount.holes.gauge import RimReading
from holecount.holes.hole import Hole
from holecount.rails import Layout
from holecount.scale.agree import MISFIT_DOUBTED
from holecount.scale.fit import PlaneFit
from holecount.scale.plane import Camera
from holecount.scale.reference import Reference
from holecount.stats import RailStats
from holecount.troubles import DOUBTS

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgeSettings:
    """From where on a hole, a stretch or the seat is doubted.

    Where no source is said: set on drawn pictures and held against the sample set, 2026-11.

    blocked_score : score of the rim model from which a hole is packed: of 128 packed ones, held out, 4 have less than
        0.5 and 4 less than 0.95, of 5,372 others 11 and 3 have more (docs/rim-model.md).
    least_arc : share of the rim in sight below which a hole is part hidden.
    least_arc_measured : below this no diameter is given (half a rim costs 3.4 times the error, a third 8
        to 10 times: derived from the covariance of a circle).
    steep_deg : line of sight off the plane's normal.
    glare_frac : share of the wood round a hole that is washed out.
    least_radius_px, most_blur_share : size and blur (over the radius) at which the rim model still works.
    rounded_share : rounding over diameter from which the rim hides the bore.
    u_scale_rel : local scale uncertainty called far from the card.
    odd_size_sd, odd_size_rel : a bore this many own errors and this share off the usual one.
    most_odd_size_rel : from this share off the usual bore it may be no hole of the row: true ones, worn ones
        among them, are up to 0.15 off, print taken for a hole 0.48 (sample set and drawn pictures, 2026-11).
    odd_step_rel : a step off the usual one by this share.
    usual_pitch_mm, usual_bore_mm : least and greatest of a cane seat: charts run from 3/8 to 7/8 in and from 1/8 to
        5/16 in (Perry, White; `holecount charts`), here a tenth more either way, bores up to 3/8 in. A ruler read in
        the wrong unit, or halves taken for inches, gives others.
    most_misfit : of a reference, in units of its own error; how it relates to other limits stands in `scale.agree`.
    most_misfit_by_hand : of one whose points a person placed. Corners out by a pixel each way give 1.4 at the most in
        97 of 100, one corner out by a twentieth of the card 1.9 to 4.4 and a wrong pitch (sample set, 2026-11).
    u_pitch_rel, u_diameter_mm : seat means less certain than this are to be checked: 2 % of the pitch or 0.25 mm of
        the bore would mislead, which is about two of these uncertainties.
    u_pitch_rel_tilt_open : the same where rulers alone give the scale and the tilt was read from the holes: then
        errors have a longer tail.
    sure_hole_score : score of the rim model from which a hole that was looked for only because the row asked for it
        is there: true ones have it in 50 of 53 cases, others never (drawn pictures, 2026-11).
    most_hidden_share : share of hidden holes from which their number is a guess.
    most_badly_seen_share : share of the holes that may be seen badly, or at a steep angle, before it is told.
    """

    blocked_score: float = 0.9
    least_arc: float = 0.7
    least_arc_measured: float = 0.4
    steep_deg: float = 42.0
    glare_frac: float = 0.5
    least_radius_px: float = 4.5
    most_blur_share: float = 0.25
    rounded_share: float = 0.3
    u_scale_rel: float = 0.008
    odd_size_sd: float = 4.0
    odd_size_rel: float = 0.08
    most_odd_size_rel: float = 0.25
    odd_step_rel: float = 0.3
    usual_pitch_mm: tuple[float, float] = (8.5, 24.0)
    usual_bore_mm: tuple[float, float] = (2.8, 10.5)
    most_misfit: float = MISFIT_DOUBTED
    most_misfit_by_hand: float = 1.8
    u_pitch_rel: float = 0.011
    u_pitch_rel_tilt_open: float = 0.009
    u_diameter_mm: float = 0.12
    sure_hole_score: float = 0.5
    most_hidden_share: float = 0.25
    most_badly_seen_share: float = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What is known of every slot (n of them, in the finder's order) when doubts are raised."""

    readings: Mapping[int, RimReading]
    found: Found
    blocked: NDArray[np.bool_]
    measurable: NDArray[np.bool_]
    view_deg: Array
    radius_px: Array
    u_local_rel: Array
    odd_size: NDArray[np.bool_]
    odd_place: NDArray[np.bool_]
    settings: JudgeSettings
    beside: tuple[RimReading, ...] = ()

    @classmethod
    def of(
        cls,
        camera: Camera,
        readings: Mapping[int, RimReading],
        found: Found,
        u_local_rel: Array,
        layout: Layout,
        settings: JudgeSettings | None = None,
        *,
        beside: Sequence[RimReading] = (),
    ) -> "Evidence":
        """Gather it; ``u_local_rel`` is in the layout's order, ``beside`` are holes that are none of the row's."""
        s = settings or JudgeSettings()
        n = len(found.xy_px)
        blocked, measurable = np.zeros(n, bool), np.zeros(n, bool)
        radius_px, view = np.full(n, np.inf), np.zeros(n)
        diameter, u_own = np.full(n, np.nan), np.full(n, np.nan)
        xy = camera.to_mm(found.xy_px)
        slope = camera.slope(xy)
        view = np.degrees(np.arctan(np.hypot(slope[:, 0], slope[:, 1])))
        for k, r in readings.items():
            said = found.by_hand[k]
            blocked[k] = said == "blocked" or (said is None and r.blocked_score >= s.blocked_score)
            measurable[k] = r.arc_seen_frac >= s.least_arc_measured and np.isfinite(r.diameter_mm)
            rim = r.rim_px[np.isfinite(r.rim_px[:, 0])]
            if len(rim):
                radius_px[k] = float(np.median(np.hypot(*(rim - [r.x_px, r.y_px]).T)))
            if measurable[k] and not blocked[k]:
                diameter[k], u_own[k] = r.diameter_mm, r.u_own_diameter_mm
            xy[k] = (r.x_mm, r.y_mm)
        usual = np.nanmedian(diameter) if np.isfinite(diameter).any() else np.nan
        off = np.abs(diameter - usual)
        odd_size = (off > s.odd_size_sd * u_own) & (off > s.odd_size_rel * usual)
        odd_place = np.zeros(n, bool)
        step = np.hypot(*(np.roll(xy, -1, axis=0) - xy).T)
        known = ~found.hidden & ~np.roll(found.hidden, -1)
        if not found.closed:
            known[np.cumsum(found.rows) - 1] = False
        if known.any():
            odd = known & (np.abs(step / np.median(step[known]) - 1) > s.odd_step_rel)
            odd_place = odd | np.roll(odd, 1)
        local = np.zeros(n)
        local[layout.order] = u_local_rel
        return cls(
            readings=readings,
            found=found,
            blocked=blocked,
            measurable=measurable,
            view_deg=view,
            radius_px=radius_px,
            u_local_rel=local,
            odd_size=odd_size,
            odd_place=odd_place,
            settings=s,
            beside=tuple(beside),
        )


def doubts_of(e: Evidence, slot: int) -> tuple[str, ...]:
    """Doubt flags of one slot, worst first."""
    s, r = e.settings, e.readings.get(slot)
    if r is None:
        return ()
    looked_for = bool(e.found.filled_in[slot]) and e.found.by_hand[slot] is None
    raised = (
        ("blocked", e.blocked[slot]),
        ("filled-in", looked_for and r.hole_score < s.sure_hole_score),
        ("part-hidden", r.arc_seen_frac < s.least_arc),
        ("edge-on", e.view_deg[slot] > s.steep_deg),
        ("glare", r.saturated_frac > s.glare_frac),
        ("small", e.radius_px[slot] < s.least_radius_px),
        ("blurred", r.blur_px > s.most_blur_share * e.radius_px[slot]),
        ("worn-rim", r.rounding_mm > s.rounded_share * r.diameter_mm),
        ("far-from-scale", e.u_local_rel[slot] > s.u_scale_rel),
        ("odd-size", e.odd_size[slot] and not e.blocked[slot]),
        ("odd-place", e.odd_place[slot]),
    )
    return tuple(flag for flag, on in raised if on)


def verdict_of(
    e: Evidence,
    holes: Sequence[Hole],
    seat: RailStats,
    plane: PlaneFit | None,
    left_out: Sequence[Reference] = (),
    *,
    tilt_open: bool = False,
) -> tuple[Literal["good", "check"], tuple[str, ...]]:
    """The verdict and its reasons in plain words.

    ``check`` when something may make the count, the pitch or the bores wrong enough to matter; what is merely good to
    know is a remark (`remarks_of`).
    """
    reasons = [
        *_doubts_of_scale(e.settings, seat, plane, left_out, tilt_open=tilt_open),
        *_doubts_of_count(e, holes),
        *_doubts_of_bores(e.settings, holes, seat, plane),
    ]
    return ("check" if reasons else "good"), tuple(reasons)


def remarks_of(e: Evidence, holes: Sequence[Hole], seat: RailStats, *, tilt_open: bool = False) -> tuple[str, ...]:
    """What is good to know and no reason to doubt the figures, in plain words."""
    return tuple(_remarks(e, holes, seat, tilt_open=tilt_open))


def _doubts_of_scale(
    s: JudgeSettings, seat: RailStats, plane: PlaneFit | None, left_out: Sequence[Reference], *, tilt_open: bool
) -> Iterator[str]:
    if plane is None:
        yield "There is no scale: lengths are in pixels."
        return
    if left_out and len(plane.misfit) == 1:  # Where two things agree a third one is none.
        names = " and ".join(ref.words for ref in left_out)
        yield f"Something else that looks like a {names} does not lie on the frame and was left out."
    rulers_alone = tilt_open and all(ref.kind in ("ruler", "length") for ref in plane.model.references)
    most = s.u_pitch_rel_tilt_open if rulers_alone else s.u_pitch_rel
    if seat.pitch is not None and seat.pitch.u_mean_mm > most * seat.pitch.mean_mm:
        yield (
            "The scale is not well enough known over the whole seat: lay a second card or a ruler on the opposite rail."
        )
    yield from _out_of_all_charts(s, seat)
    used = plane.model.references
    if len(used) == 1 and used[0].constraints is not None:
        yield "One side of the card is not seen, so what it tells is less sure: photograph all of it."
    if any(r.by_hand and m > s.most_misfit_by_hand for r, m in zip(used, plane.misfit, strict=True)):
        yield "What was placed by hand does not fit its size or the rest: place its corners or ends again."
    elif any(m > s.most_misfit for m in plane.misfit):
        yield "The things of known size do not agree with one another or with a flat frame."


def _out_of_all_charts(s: JudgeSettings, seat: RailStats) -> Iterator[str]:
    """Whether holes are of a size or pitch that no cane seat has."""
    limits = (seat.pitch, s.usual_pitch_mm, "apart"), (seat.diameter, s.usual_bore_mm, "wide")
    for mean, (least, most), way in limits:
        if mean is not None and not least <= mean.mean_mm <= most:
            yield (
                f"Holes {mean.mean_mm:.1f} mm {way} are not usual in a cane seat: was the card or ruler taken for what "
                "it is? Hold a tape against it."
            )


def _doubts_of_count(e: Evidence, holes: Sequence[Hole]) -> Iterator[str]:
    s, n = e.settings, len(holes)
    n_hidden = sum(h.status == "hidden" for h in holes)
    unexplained = int((e.found.hidden & ~e.found.covered).sum())
    if not e.found.closed:
        yield "The holes do not close to a seat: is all of it in the picture?"
    if unexplained:
        yield f"{_holes(unexplained)} that the row leads one to expect could not be seen."
    if n_hidden > s.most_hidden_share * n:
        yield f"{n_hidden} of about {n} holes are hidden."
    unsure = [h.number for h in holes if "filled-in" in h.doubts]
    if unsure:
        yield f"Found only because the row leads one to expect them: {_named(unsure)}."
    if e.beside:
        near = _named(sorted({_nearest(r, holes) for r in e.beside}))
        yield f"{_holes(len(e.beside), 'more ')} of the same bore beside the row, not counted: look near {near}."
    odd = [h.number for h in holes if "odd-place" in h.doubts]
    if odd:
        yield f"Off the usual pitch: {_named(odd)}. Is each a hole of this row?"
    bores = {h.number: h.diameter_mm for h in holes if h.diameter_mm is not None}
    odd_sizes = [h.number for h in holes if "odd-size" in h.doubts and h.number in bores]
    usual = float(np.median(list(bores.values()))) if odd_sizes else 1.0
    far = [k for k in odd_sizes if abs(bores[k] / usual - 1) > s.most_odd_size_rel]
    if far:
        yield f"Of quite another size than the rest: {_named(far)}. Is each a hole of this row?"


def _nearest(reading: RimReading, holes: Sequence[Hole]) -> int:
    """Number of the hole nearest in the picture."""
    return min(holes, key=lambda h: float(np.hypot(h.x_px - reading.x_px, h.y_px - reading.y_px))).number


def _doubts_of_bores(s: JudgeSettings, holes: Sequence[Hole], seat: RailStats, plane: PlaneFit | None) -> Iterator[str]:
    if seat.diameter is None:
        yield "No hole's diameter could be gauged."
    elif plane is not None and seat.diameter.u_mean_mm > s.u_diameter_mm:
        yield (
            f"The bores are known to {2 * seat.diameter.u_mean_mm:.1f} mm at best: gauge some with a drill bit, or "
            "photograph nearer, sharper and in more light."
        )


BADLY_SEEN = frozenset({"small", "blurred"})
"""Doubts that are told of the whole seat when many holes have them. What they cost is in the bores' uncertainty, and
that decides: of 232 right drawn cases, 7 more were doubted for them alone, and no wrong one (2026-11)."""


def _why_badly(badly: Sequence[Hole]) -> str:
    """The doubts behind it, in the words they have."""
    flags = [flag for flag in DOUBTS if flag in BADLY_SEEN and any(flag in h.doubts for h in badly)]
    return ", ".join(DOUBTS[flag].words for flag in flags)


def _remarks(e: Evidence, holes: Sequence[Hole], seat: RailStats, *, tilt_open: bool) -> Iterator[str]:
    covered = int((e.found.hidden & e.found.covered).sum())
    if covered:
        yield (
            f"Under the card or ruler: about {_holes(covered)}, in no figure and not in the count of {seat.n_holes}."
        )
    if seat.n_blocked:
        yield f"Packed with old cane and not gauged: {_holes(seat.n_blocked)}."
    badly = [h for h in holes if set(h.doubts) & BADLY_SEEN]
    if len(badly) > e.settings.most_badly_seen_share * seat.n_holes:
        yield f"{len(badly)} of {seat.n_holes} holes are seen badly: {_why_badly(badly)}."
    aslant = sum("edge-on" in h.doubts for h in holes)
    if aslant > e.settings.most_badly_seen_share * seat.n_holes:
        yield f"{aslant} of {seat.n_holes} holes are seen at a steep angle; from straight above they are known better."
    if tilt_open:
        yield (
            "What gives the scale does not tell the camera's tilt; that was read from the holes being round and of "
            "one bore. A second card or ruler on another rail would settle it."
        )


def _holes(n: int, more: str = "") -> str:
    """``1 hole``, ``3 holes``."""
    return f"{n} {more}{'hole' if n == 1 else 'holes'}"


def _named(numbers: Sequence[int]) -> str:
    """``hole 5``, ``holes 5, 9``."""
    return f"{'hole' if len(numbers) == 1 else 'holes'} {_listed(numbers)}"


def _listed(numbers: Sequence[int], most: int = 8) -> str:
    text = ", ".join(str(k) for k in numbers[:most])
    return text + (f" and {len(numbers) - most} more" if len(numbers) > most else "")
