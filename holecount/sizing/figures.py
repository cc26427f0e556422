"""What the sizing rules need to know of a seat, from a photograph, a tape or both."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from holecount.holes.hole import Hole
from holecount.lengths import SIX_INCHES_MM
from holecount.measurement import Measurement
from holecount.stats import LowConfidence, RailStats, Spread, runs_of_gaps
from holecount.tape import Tape, refuse_impossible, tape_stats
from holecount.tape.statistics import pitch_from_counts
from holecount.troubles import BadInput

MOST_MM = 10_000.0
"""No length on a seat reaches ten metres: larger ones are damage to the file (own choice)."""

SHAPES = ("square", "tapered", "bowed", "round", "oval")
"""Shapes of a seat, as `holecount.rails` tells them; rows that do not close to a seat have none of these."""

LOOK_AGAIN = "the measurement says look again"
"""So begins a warning that repeats the verdict ``check``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Mean pitch of a stretch of about six inches, or of one place where a tape was laid.

    ``u_own_mm`` is what differs between stretches; the error the whole measurement shares is in `Figures`.
    Hole numbers are None for a tape.
    """

    place: str
    first_hole: int | None
    last_hole: int | None
    pitch_mm: float
    u_own_mm: float

    @property
    def words(self) -> str:
        """Where it is, such as ``left rail, holes 60 to 69``."""
        place = f"{self.place} rail" if self.place in ("front", "right", "back", "left") else ""
        holes = "" if self.first_hole is None else f"holes {self.first_hole} to {self.last_hole}"
        return ", ".join(x for x in (place, holes) if x) or "seat"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """A seat as the sizing rules see it.

    Attributes
    ----------
    origin : str
        ``photo``, ``tape``, ``typed``, or two of them joined by `` and ``.
    shape : one of `SHAPES`, or None when not known.
    pitch, hole : Spread or None
        Centre to centre and bore, over the seat.
    stretches : tuple of Stretch
        Six inches anywhere round the seat; empty when only a mean is known.
    small_hole_mm, wide_hole_mm : float or None
        5 % and 95 % points of the bores, with the scatter of the measurement itself taken out.
    small_holes : tuple of int
        Numbers of the smallest holes, smallest first, at most five.
    rails : tuple of RailStats
        By rail, or by place of the tape.
    rakes_deg : tuple of (str, float)
        Rail and its angle to the square of the front rail, for side rails of a seat with corners.
    u_scale_rel : float
        Relative error of the scale, common to pitch and bore.
    perimeter_mm : float or None
        Along the hole line.
    n_holes, n_gauged : int
        Holes seen, and those with a bore.
    low_confidence : tuple of LowConfidence
    warnings : tuple of str
        What the measurement says against itself, or what did not fit when two were joined.
    """

    origin: str
    shape: str | None = None
    pitch: Spread | None = None
    hole: Spread | None = None
    stretches: tuple[Stretch, ...] = ()
    small_hole_mm: float | None = None
    wide_hole_mm: float | None = None
    small_holes: tuple[int, ...] = ()
    rails: tuple[RailStats, ...] = ()
    rakes_deg: tuple[tuple[str, float], ...] = ()
    u_scale_rel: float = 0.0
    perimeter_mm: float | None = None
    n_holes: int = 0
    n_gauged: int = 0
    low_confidence: tuple[LowConfidence, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def tightest(self) -> Stretch | None:
        """The stretch with the closest holes."""
        return min(self.stretches, key=lambda s: s.pitch_mm, default=None)


def figures_from(source: Measurement | Tape, *, shape: str | None = None) -> Figures:
    """Figures of a saved measurement, or of readings (typed ones are a `Tape` too).

    Raises
    ------
    BadInput
        When the measurement has no millimetres, or no reading can be true of a seat.
    """
    made = _from_measurement(source) if isinstance(source, Measurement) else _from_tape(source)
    if shape is not None and shape not in SHAPES:
        raise BadInput(f"'{shape}' is no shape of a seat.", f"Shapes are: {', '.join(SHAPES)}.")
    return replace(made, shape=shape) if shape else made


def joined(first: Figures, second: Figures) -> Figures:
    """Two measurements of one seat as one: weighted by what each is worth.

    Where they differ by more than their errors allow, the error of the joint mean is widened by the
    Birge ratio (R. T. Birge, Phys. Rev. 40, 207, 1932, from memory) and a warning says so. Everything
    that lies in places (stretches, rails, low confidence) is kept of both; ``first`` gives hole numbers.
    """
    warnings = [*first.warnings, *second.warnings]
    pitch = _joined_spread(first.pitch, second.pitch, "pitch", first.origin, second.origin, warnings)
    hole = _joined_spread(first.hole, second.hole, "hole", first.origin, second.origin, warnings)

    def moved(point: float | None, of: Spread | None) -> float | None:
        return point if point is None or of is None or hole is None else point + hole.mean_mm - of.mean_mm

    small = moved(first.small_hole_mm, first.hole)
    wide = moved(first.wide_hole_mm, first.hole)
    # Stretches of the better of the two, shifted to the joint mean: the other adds no more places to trust.
    base = first if first.stretches else second
    shift = pitch.mean_mm - base.pitch.mean_mm if pitch and base.pitch else 0.0
    return replace(
        first,
        origin=f"{first.origin} and {second.origin}",
        shape=first.shape or second.shape,
        pitch=pitch,
        hole=hole,
        stretches=tuple(replace(s, pitch_mm=s.pitch_mm + shift) for s in base.stretches),
        small_hole_mm=small if small is not None else moved(second.small_hole_mm, second.hole),
        wide_hole_mm=wide if wide is not None else moved(second.wide_hole_mm, second.hole),
        rails=first.rails or second.rails,
        low_confidence=(*first.low_confidence, *second.low_confidence),
        warnings=tuple(warnings),
    )


def _from_measurement(m: Measurement) -> Figures:
    if m.scale is None:
        raise BadInput(
            f"The measurement of '{m.photo_name}' is in pixels: no size can be chosen from it.",
            "Photograph the seat again with a bank card or a ruler on it.",
        )
    _refuse_nonsense(m)
    seat = m.seat
    # Lines of holes that do not close to a seat have another shape than those here, and no way round.
    is_seat = m.shape in SHAPES
    closed = is_seat and len(m.rails) <= 1
    rails = [(r.name, _of_rail(m, r)) for r in m.rails] or [("seat", list(m.holes))]
    stretches: list[Stretch] = []
    for name, holes in rails:
        stretches += _stretches(name, holes, closed=closed)
    gauged = sorted((h for h in m.holes if h.diameter_mm is not None), key=lambda h: h.diameter_mm or 0.0)
    small = wide = None
    if seat.diameter is not None and gauged:
        u_each = math.sqrt(float(np.mean([(h.u_own_diameter_mm or 0.0) ** 2 for h in gauged])))
        small, wide = _hole_ends(seat.diameter, u_each)
    warnings = [f"{LOOK_AGAIN}: {r}" for r in m.verdict_reasons]
    if m.verdict == "check" and not warnings:
        warnings = [LOOK_AGAIN]
    n_seen = sum(h.status != "hidden" for h in m.holes)
    return Figures(
        origin="photo",
        shape=m.shape if is_seat else None,
        pitch=seat.pitch,
        hole=seat.diameter,
        stretches=tuple(stretches),
        small_hole_mm=small,
        wide_hole_mm=wide,
        small_holes=tuple(h.number for h in gauged[:5]),
        rails=m.rails,
        rakes_deg=_rakes_deg(m),
        u_scale_rel=seat.pitch.u_shared_mean_mm / seat.pitch.mean_mm if seat.pitch else 0.0,
        perimeter_mm=_perimeter_mm(m.holes) if is_seat else None,
        n_holes=n_seen,
        n_gauged=len(gauged),
        low_confidence=m.low_confidence,
        warnings=tuple(warnings),
    )


def _refuse_nonsense(m: Measurement) -> None:
    """A saved file may hold any numbers; what no seat could have is damage, not a measurement."""
    lengths = [v for h in m.holes for v in (h.x_mm, h.y_mm, h.diameter_mm) if v is not None]
    errors = [
        v for h in m.holes for v in (h.u_own_centre_mm, h.u_own_diameter_mm, h.u_shared_diameter_mm) if v is not None
    ]
    for s in [x for r in (m.seat, *m.rails) for x in (r.pitch, r.diameter) if x is not None]:
        lengths += [s.mean_mm, s.p05_mm, s.p95_mm, s.min_mm, s.max_mm]
        errors += [s.sd_mm, s.u_own_mean_mm, s.u_shared_mean_mm]
    for what, spread, (low, high) in (
        ("pitch", m.seat.pitch, (1.0, 200.0)),
        ("hole diameter", m.seat.diameter, (0.3, 60.0)),
    ):
        if spread is not None and not low <= spread.mean_mm <= high:
            raise BadInput(
                f"The measurement of '{m.photo_name}' has a mean {what} of {spread.mean_mm:.3g} mm, which no seat has.",
                "Measure the photograph again.",
            )
    if any(abs(v) > MOST_MM for v in lengths) or any(not 0 <= v <= MOST_MM for v in errors):
        raise BadInput(
            f"The measurement of '{m.photo_name}' holds lengths that no seat has.", "Measure the photograph again."
        )


def _from_tape(tape: Tape) -> Figures:
    if tape.typed:
        refuse_impossible(tape.readings)
    seat = tape_stats(tape)
    pitch = seat.pitch
    counted = pitch_from_counts([r.n_holes or 0.0 for r in tape.of("six-inches")])
    warnings: list[str] = []
    if counted is not None:
        value, u_own, u_shared = counted
        by_count = Spread(
            n=len(tape.of("six-inches")), mean_mm=value, sd_mm=0.0, p05_mm=value, p95_mm=value, min_mm=value,
            max_mm=value, min_at=(), max_at=(), u_own_mean_mm=u_own, u_shared_mean_mm=u_shared,
        )  # fmt: skip
        pitch = _joined_spread(pitch, by_count, "pitch", "the distances", "the six-inch counts", warnings)
    if pitch is None and seat.diameter is None:
        raise BadInput(
            "There is neither a distance, a count in six inches nor a hole diameter that a seat could have.",
            "Understood were: " + "; ".join(f"{r.quantity} {r.as_written} as {r.words}" for r in tape.readings) + ".",
        )
    rails = [tape_stats(tape, place) for place in tape.places]
    stretches = []
    named = [r for r in rails if r.name]
    for r in named if len(named) > 1 else []:
        own = _place_pitch(tape, r)
        if own is not None:
            stretches.append(Stretch(place=r.name, first_hole=None, last_hole=None, pitch_mm=own[0], u_own_mm=own[1]))
    hole = seat.diameter
    small = wide = None
    if hole is not None:
        u_each = math.sqrt(float(np.mean([r.u_mm**2 for r in tape.of("hole")])))
        small, wide = _hole_ends(hole, u_each)
    return Figures(
        origin="typed" if tape.typed else "tape",
        pitch=pitch,
        hole=hole,
        stretches=tuple(stretches),
        small_hole_mm=small,
        wide_hole_mm=wide,
        rails=tuple(named),
        u_scale_rel=0.0,
        n_holes=sum(r.n_holes for r in named),
        n_gauged=hole.n if hole else 0,
        warnings=tuple(warnings),
    )


def _place_pitch(tape: Tape, stats: RailStats) -> tuple[float, float] | None:
    """Pitch at one place of the tape and its own error, distances and counts together."""
    parts = []
    if stats.pitch is not None:
        parts.append((stats.pitch.mean_mm, stats.pitch.u_mean_mm))
    counted = pitch_from_counts([r.n_holes or 0.0 for r in tape.of("six-inches", stats.name)])
    if counted is not None:
        parts.append((counted[0], math.hypot(counted[1], counted[2])))
    if not parts:
        return None
    weights = [1 / u**2 for _, u in parts]
    return sum(w * v for w, (v, _) in zip(weights, parts, strict=True)) / sum(weights), sum(weights) ** -0.5


def _joined_spread(
    a: Spread | None, b: Spread | None, what: str, a_from: str, b_from: str, warnings: list[str]
) -> Spread | None:
    """Weighted mean of two; the spread round the seat is that of the better one."""
    if a is None or b is None:
        return a or b
    wa, wb = (1 / max(s.u_mean_mm, 1e-6) ** 2 for s in (a, b))
    mean = (wa * a.mean_mm + wb * b.mean_mm) / (wa + wb)
    off = abs(a.mean_mm - b.mean_mm) / math.hypot(max(a.u_mean_mm, 1e-6), max(b.u_mean_mm, 1e-6))
    widen = max(1.0, off)  # The Birge ratio of two values is their distance over its standard uncertainty.
    if off > 2:
        warnings.append(
            f"{a_from} and {b_from} disagree on the {what}: {a.mean_mm:.2f} mm against {b.mean_mm:.2f} mm; "
            "find out which is right before buying"
        )
    better = a if wa >= wb else b
    shift = mean - better.mean_mm
    total = wa + wb
    # Each side's own and shared errors keep their kinds.
    own = math.hypot(wa * a.u_own_mean_mm, wb * b.u_own_mean_mm) / total
    shared = math.hypot(wa * a.u_shared_mean_mm, wb * b.u_shared_mean_mm) / total
    return replace(
        better,
        mean_mm=mean,
        p05_mm=better.p05_mm + shift,
        p95_mm=better.p95_mm + shift,
        min_mm=better.min_mm + shift,
        max_mm=better.max_mm + shift,
        u_own_mean_mm=own * widen,
        u_shared_mean_mm=shared * widen,
    )


def _of_rail(m: Measurement, rail: RailStats) -> list[Hole]:
    by_number = {h.number: h for h in m.holes}
    return [by_number[n] for n in rail.holes if n in by_number]


def _stretches(name: str, holes: Sequence[Hole], *, closed: bool) -> list[Stretch]:
    """Six inches (as many whole gaps as come nearest) slid along the rail hole by hole.

    A hidden hole breaks the line; a shorter unbroken run counts as one stretch if it has three gaps.
    """
    out = []
    runs = runs_of_gaps(holes, closed)
    steps = [[math.hypot(b.x_mm - a.x_mm, b.y_mm - a.y_mm) for a, b in run] for run in runs]
    every = [s for run in steps for s in run]
    if not every:
        return []
    n_six = max(3, round(SIX_INCHES_MM / float(np.mean(every))))
    for run, gaps in zip(runs, steps, strict=True):
        n = min(n_six, len(gaps))
        if n < 3:
            continue
        goes_round = closed and len(runs) == 1 and len(gaps) > n
        starts = range(len(gaps)) if goes_round else range(len(gaps) - n + 1)
        turn = [*gaps, *gaps[:n]] if goes_round else gaps
        for k in starts:
            first, last = run[k][0], run[(k + n - 1) % len(run)][1]
            u = math.hypot(first.u_own_centre_mm, last.u_own_centre_mm) / n
            out.append(
                Stretch(
                    place=name,
                    first_hole=first.number,
                    last_hole=last.number,
                    pitch_mm=sum(turn[k : k + n]) / n,
                    u_own_mm=u,
                )
            )
    return out


def _hole_ends(spread: Spread, u_each_mm: float) -> tuple[float, float]:
    """5 and 95 % points of the bores drawn in to the mean by what the measurement itself scatters."""
    keep = math.sqrt(max(0.0, 1 - (u_each_mm / spread.sd_mm) ** 2)) if spread.sd_mm > 0 else 0.0
    mean = spread.mean_mm
    return mean + (spread.p05_mm - mean) * keep, mean + (spread.p95_mm - mean) * keep


def _rakes_deg(m: Measurement) -> tuple[tuple[str, float], ...]:
    """Angle of each side rail to the square of the front rail, in degrees, by the chords of their holes."""
    chords = {}
    for rail in m.rails:
        holes = _of_rail(m, rail)
        if len(holes) >= 3:
            dx, dy = holes[-1].x_mm - holes[0].x_mm, holes[-1].y_mm - holes[0].y_mm
            chords[rail.name] = math.atan2(dy, dx)
    if "front" not in chords:
        return ()
    out = []
    for side in ("left", "right"):
        if side in chords:
            turn = math.degrees(chords[side] - chords["front"]) % 180
            out.append((side, abs(turn - 90)))
    return tuple(out)


def _perimeter_mm(holes: Sequence[Hole]) -> float | None:
    if len(holes) < 3:
        return None
    ring = [*holes, holes[0]]
    return sum(math.hypot(b.x_mm - a.x_mm, b.y_mm - a.y_mm) for a, b in itertools.pairwise(ring))
