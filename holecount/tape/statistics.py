"""Statistics of tape readings, in the same types as those of a photograph."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holecount.lengths import SIX_INCHES_MM, inches_32, mm_with_u
from holecount.stats import RailStats, SixInches, Spread, spread_of
from holecount.tape.reading import PLACES, Reading, is_possible
from holecount.troubles import BadInput


@dataclass(frozen=True, slots=True, kw_only=True)
class TapeSettings:
    """What readings are assumed to be like.

    Attributes
    ----------
    pitch_scatter_frac, hole_scatter_frac : float
        Standard deviation of pitch and bore round one seat, used while a place has fewer than three
        readings. Sane 0.005 to 0.1. Medians 0.027 and 0.016 measured on the sample set, 2026-11.
    """

    pitch_scatter_frac: float = 0.027
    hole_scatter_frac: float = 0.016


@dataclass(frozen=True, slots=True, kw_only=True)
class Tape:
    """Readings that belong to one seat.

    ``typed`` figures are stated as known: no scatter round the seat is added to them.
    """

    readings: tuple[Reading, ...]
    typed: bool = False

    def of(self, quantity: str, place: str | None = None) -> tuple[Reading, ...]:
        """Readings of a quantity, at one place or all; those that no seat could have are left out."""
        return tuple(
            r
            for r in self.readings
            if r.quantity == quantity and (place is None or r.place == place) and is_possible(r)
        )

    @property
    def places(self) -> tuple[str, ...]:
        """Places that have possible readings, in the order of the hole line; ``""`` when not said."""
        have = {r.place for r in self.readings if is_possible(r)}
        return tuple(p for p in (*PLACES, "") if p in have)


def tape_stats(tape: Tape, place: str | None = None, settings: TapeSettings | None = None) -> RailStats:
    """Figures of one place (its name), or of the whole seat (None), from the possible readings.

    ``holes`` is empty: a tape does not number them. ``least`` and ``most`` of the six-inch counts are
    whole numbers round the readings. The pitch of ``between`` readings has the mean hole added.

    Raises
    ------
    BadInput
        When wood between the holes was read and no hole.
    """
    s = settings or TapeSettings()
    diameter = hole_spread(tape.of("hole", place) or tape.of("hole"), s, typed=tape.typed)
    pitch = pitch_spread(tape.of("pitch", place), diameter, s, typed=tape.typed)
    counts = [r.n_holes or 0.0 for r in tape.of("six-inches", place)]
    along = tape.of("along", place)
    n_holes = int(sum(r.n_holes or 0 for r in along)) if place is not None and along else 0
    return RailStats(
        name="seat" if place is None else place,
        holes=(),
        n_holes=n_holes,
        n_open=n_holes,
        n_blocked=0,
        n_hidden=0,
        pitch=pitch,
        same_side_pitch=None,
        diameter=diameter,
        six_inches=SixInches(
            least=math.floor(min(counts)) if counts else None,
            most=math.ceil(max(counts)) if counts else None,
            mean=float(np.mean(counts)) if counts else None,
            from_pitch=SIX_INCHES_MM / pitch.mean_mm if pitch else None,
        ),
    )


def hole_spread(readings: Sequence[Reading], settings: TapeSettings, *, typed: bool) -> Spread | None:
    """Spread of hole readings."""
    values = [r.value_mm or 0.0 for r in readings]
    return _spread(values, [r.u_mm for r in readings], [0.0] * len(values), settings.hole_scatter_frac, typed)


def pitch_spread(
    readings: Sequence[Reading], hole: Spread | None, settings: TapeSettings, *, typed: bool
) -> Spread | None:
    """Spread of distance readings, each brought to centre to centre by what its basis says.

    Same side to same side equals centre to centre but for (d2 - d1)/2 (derived), which has no bias and
    an own uncertainty of the holes' scatter over sqrt 2. Wood between the holes lacks one mean hole.
    """
    values, extra, u_hole = [], [], 0.0
    for r in readings:
        value = r.value_mm or 0.0
        if r.basis == "between":
            if hole is None:
                raise BadInput(
                    "Wood between the holes was given, but no hole diameter to add to it.",
                    "Give a hole reading too, or say how the distance was taken.",
                )
            value += hole.mean_mm
            u_hole += hole.u_mean_mm / len(readings)
        scatter = hole.sd_mm if hole is not None and hole.n > 2 else 0.0
        values.append(value)
        extra.append(scatter / math.sqrt(2) if r.basis == "side" else 0.0)
    return _spread(values, [r.u_mm for r in readings], extra, settings.pitch_scatter_frac, typed, u_shared_mm=u_hole)


def mean_words(spread: Spread) -> str:
    """``12.70 ± 0.08 mm (1/2 in), mean of 3``, or that there is but one reading."""
    mean = f"{mm_with_u(spread.mean_mm, spread.u_mean_mm)} ({inches_32(spread.mean_mm)})"
    return f"{mean}, {f'mean of {spread.n}' if spread.n > 1 else 'one reading'}"


def pitch_from_counts(counts: Sequence[float]) -> tuple[float, float, float] | None:
    """Pitch in mm with its own and shared uncertainty, from holes counted in six inches.

    A count is whole, so 152.4 mm / count is good to about one hole in N (derived): a rectangle, u = p / (N sqrt 3).
    Half of its variance is taken to change from place to place, the rest (where the window is begun, how
    a cut hole is counted) to be the counter's way and common to all.
    """
    if not counts:
        return None
    n = float(np.mean(counts))
    pitch = SIX_INCHES_MM / n
    u = pitch / n / math.sqrt(3)
    return pitch, u / math.sqrt(2 * len(counts)), u / math.sqrt(2)


def _spread(
    values: Sequence[float],
    u_reading: Sequence[float],
    u_extra: Sequence[float],
    scatter_frac: float,
    typed: bool,
    *,
    u_shared_mm: float = 0.0,
) -> Spread | None:
    """Spread with the rounding of the readings divided into its own and its shared part.

    Readings of equal holes all round the same way: only where the holes scatter over the divisions
    does rounding average out. The part that stays is exp(-2 (pi sd / q)^2) of it, with q the division
    and sd the scatter without rounding (first term of the mean rounding error of a normal scatter; Widrow
    and Kollar, Quantization Noise, 2008, ch. 4, from memory).
    """
    n = len(values)
    if n == 0:
        return None
    mean = float(np.mean(values))
    u_round = math.sqrt(float(np.mean(np.square(u_reading))))
    seen = float(np.std(values, ddof=1)) if n > 1 else 0.0
    scatter = math.sqrt(max(0.0, seen**2 - u_round**2))
    if n < 3 and not typed:
        scatter = max(scatter, scatter_frac * mean)
    q = 2 * math.sqrt(3) * u_round
    stays = math.exp(-2 * (math.pi * scatter / q) ** 2) if q > 0 else 0.0
    if n == 1:
        stays = 1.0
    own = scatter**2 + u_round**2 * (1 - stays**2) + float(np.mean(np.square(u_extra)))
    return spread_of(
        values,
        [(k + 1,) for k in range(n)],
        u_own_mean_mm=math.sqrt(own / n),
        u_shared_mean_mm=math.hypot(u_round * stays, u_shared_mm),
    )
