"""What not to trust and why: doubts of single holes, and the verdict on the whole measurement.

A hole gets a doubt when the picture shows it badly; the verdict is ``check`` whenever a careful worker
should look again. Thresholds were set on drawn pictures and held against the sample set.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from holecount.holes.find import Found
from holecount.holes.gauge import RimReading
from holecount.holes.hole import Hole
from holecount.photo import Photo
from holecount.rails import Layout
from holecount.scale.fit import PlaneFit
from holecount.scale.plane import Camera
from holecount.scale.reference import Reference
from holecount.stats import RailStats

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgeSettings:
    """From where on a hole, a stretch or the seat is doubted.

    least_arc : share of the rim in sight below which a hole is part hidden.
    least_arc_measured : below this no diameter is given (half a rim costs 3.4 times the error, a third 8
        to 10 times: vision notes).
    steep_deg : line of sight off the plane's normal.
    glare_frac : share of the wood round a hole that is washed out.
    least_radius_px, most_blur_share : size and blur (over the radius) at which the rim model still works.
    rounded_share : rounding over diameter from which the rim hides the bore.
    u_scale_rel : local scale uncertainty called far from the card.
    odd_size_sd, odd_size_rel : a bore this many own errors and this share off the usual one.
    odd_step_rel : a step off the usual one by this share.
    most_misfit : of a reference, in units of its own error.
    u_pitch_rel, u_diameter_mm : seat means less certain than this are to be checked.
    """

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
    odd_step_rel: float = 0.3
    most_misfit: float = 4.0
    u_pitch_rel: float = 0.008
    u_diameter_mm: float = 0.2


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

    @classmethod
    def of(
        cls,
        photo: Photo,
        camera: Camera,
        readings: Mapping[int, RimReading],
        found: Found,
        u_local_rel: Array,
        layout: Layout,
        settings: JudgeSettings | None = None,
    ) -> "Evidence":
        """Gather it; ``u_local_rel`` is in the layout's order."""
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
            blocked[k] = said == "blocked" or (said is None and r.blocked_score >= 0.5)
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
        )


def doubts_of(e: Evidence, slot: int) -> tuple[str, ...]:
    """Doubt flags of one slot, worst first."""
    s, r = e.settings, e.readings.get(slot)
    if r is None:
        return ()
    raised = (
        ("blocked", e.blocked[slot]),
        ("filled-in", e.found.filled_in[slot] and e.found.by_hand[slot] is None and not e.blocked[slot]),
        ("part-hidden", r.arc_seen_frac < s.least_arc),
        ("edge-on", e.view_deg[slot] > s.steep_deg),
        ("glare", r.saturated_frac > s.glare_frac),
        ("small", e.radius_px[slot] < s.least_radius_px),
        ("blurred", r.blur_px > s.most_blur_share * e.radius_px[slot]),
        ("worn-rim", r.chamfer_mm > s.rounded_share * r.diameter_mm),
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
    lean_open: bool = False,
) -> tuple[Literal["good", "check"], tuple[str, ...]]:
    """The verdict and its reasons in plain words."""
    s = e.settings
    reasons: list[str] = []
    n_seen = sum(h.status != "hidden" for h in holes)
    unexplained = int((e.found.hidden & ~e.found.covered).sum())
    covered = int((e.found.hidden & e.found.covered).sum())
    doubtful = [h for h in holes if set(h.doubts) - {"blocked", "far-from-scale", "worn-rim"}]
    if plane is None:
        reasons.append("There is no scale: lengths are in pixels.")
    if lean_open:
        reasons.append(
            "One ruler tells the scale along itself only; how the camera leaned was read from the holes. "
            "A card or a second ruler on another rail would settle it."
        )
    if left_out:
        names = " and ".join(ref.words for ref in left_out)
        reasons.append(f"Something else that looks like a {names} does not lie on the frame and was left out.")
    if unexplained:
        reasons.append(f"{unexplained} hole(s) that the row leads one to expect could not be seen.")
    if covered:
        reasons.append(f"About {covered} hole(s) lie under the card or ruler and are not counted.")
    filled = [h.number for h in holes if "filled-in" in h.doubts]
    if filled:
        reasons.append(f"Hole(s) {_listed(filled)} were found only because the row leads one to expect them.")
    if len(doubtful) > 0.25 * n_seen:
        reasons.append(f"{len(doubtful)} of {n_seen} holes are seen badly.")
    odd = [h.number for h in holes if {"odd-place"} & set(h.doubts)]
    if odd:
        reasons.append(f"Hole(s) {_listed(odd)} are off the usual spacing: is each a hole of this row?")
    if plane is not None and seat.pitch is not None and seat.pitch.u_mean_mm > s.u_pitch_rel * seat.pitch.mean_mm:
        reasons.append("The scale is not well enough known over the whole seat.")
    if plane is not None and any(m > s.most_misfit for m in plane.misfit):
        reasons.append("The things of known size do not agree with one another or with a flat frame.")
    if seat.diameter is None:
        reasons.append("No hole's diameter could be gauged.")
    elif plane is not None and seat.diameter.u_mean_mm > s.u_diameter_mm:
        reasons.append("The rims hide the true bore: gauge some holes with a drill bit.")
    return ("check" if reasons else "good"), tuple(reasons)


def _listed(numbers: Sequence[int], most: int = 8) -> str:
    text = ", ".join(str(k) for k in numbers[:most])
    return text + (f" and {len(numbers) - most} more" if len(numbers) > most else "")
