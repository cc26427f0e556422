"""Whether each tape reading agrees with the photograph, and if not, which slip is likely."""

import math
from dataclasses import dataclass
from typing import Literal

from holecount.lengths import MM_PER_INCH, SIX_INCHES_MM, inches_32, mm_with_u
from holecount.measurement import Measurement
from holecount.stats import RailStats, Spread
from holecount.tape.reading import QUANTITY_NAMES, Reading, is_possible, limits_mm
from holecount.tape.statistics import Tape, pitch_from_counts, tape_stats

Verdict = Literal["agrees", "doubtful", "wrong"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckSettings:
    """Where agreement ends.

    Attributes
    ----------
    agrees_within_u, doubtful_within_u : float
        Distance from the expected value in standard uncertainties; sane 1.5 to 4. Two and three are the
        usual 95 and 99.7 % limits of a normal spread (derived).
    slip_within_u : float
        How near a reading must come to what a slip would have made of it; sane 1.5 to 3 (derived, as above).
    slip_gain : float
        A slip is named only when it leaves less than this share of the disagreement; sane 0.2 to 0.7
        (common practice, no source).
    """

    agrees_within_u: float = 2.0
    doubtful_within_u: float = 3.0
    slip_within_u: float = 2.0
    slip_gain: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """What became of one reading.

    Attributes
    ----------
    reading : Reading
    verdict : {"agrees", "doubtful", "wrong"}
    expected : str
        What the other side says, in words.
    slips : tuple of str
        Likely slips, likeliest first; empty when it agrees or none fits.
    words : str
        The whole as one sentence.
    """

    reading: Reading
    verdict: Verdict
    expected: str
    slips: tuple[str, ...]
    words: str


def check(tape: Tape, measurement: Measurement, settings: CheckSettings | None = None) -> tuple[Check, ...]:
    """Each reading against the photograph's figures of its rail (of the seat where no rail is named)."""
    s = settings or CheckSettings()
    out = []
    for reading in tape.readings:
        rail = next((r for r in measurement.rails if r.name == reading.place), None)
        stats = rail or measurement.seat
        where = f"{stats.name} rail" if rail and stats.name != "ring" else "seat"
        if reading.quantity == "along":
            out.append(_check_along(reading, rail, measurement))
        elif reading.quantity == "six-inches":
            out.append(_check_six_inches(reading, stats, measurement.seat, f"on the photo's {where}"))
        else:
            out.append(_check_length(reading, stats, measurement.seat, f"on the photo's {where}", s))
    return tuple(out)


def check_alone(tape: Tape, settings: CheckSettings | None = None) -> tuple[Check, ...]:
    """Each reading against the other readings of the tape, without a photograph.

    Lengths are held against the others of their kind (median of at least two others), six-inch counts
    against the distances read.
    """
    s = settings or CheckSettings()
    out = []
    for k, reading in enumerate(tape.readings):
        others = Tape(readings=tape.readings[:k] + tape.readings[k + 1 :], typed=tape.typed)
        if not is_possible(reading):
            stats = tape_stats(others)
            out.append(_check_impossible(reading, stats, s))
            continue
        if reading.quantity in ("six-inches", "along"):
            out.append(_count_alone(reading, others))
            continue
        values = sorted(r.value_mm or 0.0 for r in others.of(reading.quantity) if r.basis == reading.basis)
        if len(values) < 2:
            out.append(_found(reading, "agrees", "nothing else to hold it against", ()))
            continue
        middle = values[len(values) // 2] if len(values) % 2 else sum(values[len(values) // 2 - 1 :][:2]) / 2
        stats = tape_stats(others)
        spread = stats.pitch if reading.quantity == "pitch" else stats.diameter
        assert spread is not None
        # A seat whose holes scatter by 7 % is about the worst there is (measured on the sample set, 2026-11).
        sd = max(spread.sd_mm, 0.03 * middle)
        out.append(_judge_length(reading, middle, sd, reading.u_mm, stats.diameter, f"the others say {_mm(middle)}", s))
    return tuple(out)


def _check_length(reading: Reading, stats: RailStats, seat: RailStats, where: str, s: CheckSettings) -> Check:
    hole = stats.diameter or seat.diameter
    spread: Spread | None
    if reading.quantity == "hole":
        spread = hole
    elif reading.basis == "side":
        spread = stats.same_side_pitch or stats.pitch or seat.pitch
    else:
        spread = stats.pitch or seat.pitch
    if spread is None:
        return _found(reading, "doubtful", f"the photo gives no {reading.quantity} to hold it against", ())
    expected, sd, u = spread.mean_mm, spread.sd_mm, spread.u_mean_mm
    if reading.basis == "between" and reading.quantity == "pitch":
        if hole is None:
            return _found(reading, "doubtful", "the photo gives no hole diameter to take off", ())
        expected, sd, u = expected - hole.mean_mm, math.hypot(sd, hole.sd_mm), math.hypot(u, hole.u_mean_mm)
    words = f"{mm_with_u(expected, u)} ({inches_32(expected)}) {where}"
    return _judge_length(reading, expected, sd, math.hypot(u, reading.u_mm), hole, words, s)


def _judge_length(
    reading: Reading, expected_mm: float, sd_mm: float, u_mm: float, hole: Spread | None, words: str, s: CheckSettings
) -> Check:
    """A length against what it should be; ``sd_mm`` is the scatter round the seat, ``u_mm`` both sides' error."""
    value = reading.value_mm or 0.0
    off = abs(value - expected_mm)
    wide = math.hypot(sd_mm, u_mm)
    verdict: Verdict = (
        "agrees" if off <= s.agrees_within_u * wide else "doubtful" if off <= s.doubtful_within_u * wide else "wrong"
    )
    if verdict == "agrees":
        return _found(reading, verdict, words, ())
    # A slip is a whole other value: the reading must come near it, and much nearer than to the right one.
    # What multiplies the value multiplies its scatter too.
    fits = sorted(
        (abs(value - slipped), name)
        for slipped, name in _length_slips(reading, expected_mm, hole)
        if abs(value - slipped) <= min(s.slip_within_u * wide * max(1.0, slipped / expected_mm), s.slip_gain * off)
    )
    slips = [name for _, name in fits]
    slips += _rounding_slips(reading, expected_mm)
    return _found(reading, verdict, words, tuple(dict.fromkeys(slips)))


def _length_slips(reading: Reading, p: float, hole: Spread | None) -> list[tuple[float, str]]:
    """What each slip would have made of the true value ``p`` mm."""
    out = [
        (p + MM_PER_INCH, "read from the 1-inch mark"),
        (p + 10, "read from the 1-cm mark"),
        (p + 100, "read from the 10-cm mark"),
        (p * MM_PER_INCH, "millimetres written as inches"),
        (p / MM_PER_INCH, "inches written as millimetres"),
        (p * 10, "centimetres and millimetres mixed up"),
        (p / 10, "centimetres and millimetres mixed up"),
    ]
    if reading.quantity == "pitch":
        out += [(2 * p, "read over two spaces"), (3 * p, "read over three spaces")]
        if hole is not None:
            d = hole.mean_mm
            differ = (hole.max_mm - hole.min_mm) / 2
            if reading.basis == "between":
                out += [(p + d, "centre to centre, not the wood between")]
            else:
                out += [
                    (p - d, "the wood between the holes, not centre to centre"),
                    (p + d, "outside to outside of the two holes, not centre to centre"),
                    (p - d / 2, "from the side of one hole to the centre of the next"),
                    (p + d / 2, "from the side of one hole to the centre of the next"),
                ]
            if differ > 0.3 * reading.u_mm and differ > 0.2:
                words = "side to side where the holes differ in size (centre against side)"
                out += [(p - differ, words), (p + differ, words)]
    else:
        out += [(p / 2, "half across: the radius"), (p * 2, "twice the diameter")]
        if hole is not None:
            out += [(p + 1.0, "across the rounded or worn rim; gauge it with a drill bit")]
    return out


def _rounding_slips(reading: Reading, expected_mm: float) -> list[str]:
    """Coarse rounding: the reading is the mark nearest to the true value."""
    value = reading.value_mm or 0.0
    steps = (
        (MM_PER_INCH / 4, "rounded to the quarter inch"),
        (5.0, "rounded to 5 mm"),
        (10.0, "rounded to the centimetre"),
    )
    return [
        name
        for step, name in steps
        if abs(value / step - round(value / step)) * step < 0.02
        and round(expected_mm / step) == round(value / step)
        and step > 1.5 * reading.division_mm
    ]


def _check_six_inches(reading: Reading, stats: RailStats, seat: RailStats, where: str) -> Check:
    n = reading.n_holes or 0.0
    six = stats.six_inches
    pitch = stats.pitch or seat.pitch
    hole = stats.diameter or seat.diameter
    least, most = six.least, six.most
    if least is None or most is None:
        if pitch is None:
            return _found(reading, "doubtful", "the photo gives no count to hold it against", ())
        least, most = _window_counts(SIX_INCHES_MM, pitch.mean_mm, hole.mean_mm if hole else 0.0)
    expected = f"{least} to {most} {where}" if least != most else f"{least} {where}"
    return _judge_six(reading, n, least, most, pitch, hole, expected)


def _judge_six(
    reading: Reading, n: float, least: int, most: int, pitch: Spread | None, hole: Spread | None, expected: str
) -> Check:
    """A count of whole holes; half a hole more or less is one cut by the end of the tape."""
    if least - 0.5 <= n <= most + 0.5:
        return _found(reading, "agrees", expected, ())
    slips = []
    if n == least - 1:
        slips.append("counted spaces instead of holes (fence-post)")
    if n == most + 1:
        slips.append("counted a hole that is only partly inside, or the first hole twice (fence-post)")
    if pitch is not None:
        short = _window_counts(SIX_INCHES_MM - MM_PER_INCH, pitch.mean_mm, hole.mean_mm if hole else 0.0)
        if short[0] <= n <= short[1]:
            slips.append("read from the 1-inch mark: five inches, not six")
        long = _window_counts(SIX_INCHES_MM + MM_PER_INCH, pitch.mean_mm, hole.mean_mm if hole else 0.0)
        if long[0] <= n <= long[1]:
            slips.append("counted to the 7-inch mark")
    verdict: Verdict = "doubtful" if least - 1 <= n <= most + 1 else "wrong"
    return _found(reading, verdict, expected, tuple(slips))


def _check_along(reading: Reading, rail: RailStats | None, measurement: Measurement) -> Check:
    n = reading.n_holes or 0.0
    stats = rail or measurement.seat
    n_all = stats.n_holes + stats.n_hidden
    where = f"the photo's {rail.name} rail" if rail else "the photo's seat"
    expected = f"{stats.n_holes} seen on {where}" + (f" and {stats.n_hidden} hidden" if stats.n_hidden else "")
    if stats.n_holes <= n <= n_all:
        return _found(reading, "agrees", expected, ())
    slips = []
    if rail is not None and rail.name != "ring":
        if n == n_all - 1:
            slips.append("counted spaces instead of holes (fence-post), or one corner hole left out")
        if n == n_all - 2:
            slips.append("both corner holes left out")
    elif n == stats.n_holes - 1 or n == n_all + 1:
        slips.append("the hole where the count began was left out or counted twice")
    if rail is None and n == sum(r.n_holes for r in measurement.rails) and len(measurement.rails) > 1:
        slips.append("corner holes counted once for each of their rails")
    verdict: Verdict = "doubtful" if abs(n - n_all) <= 1 or abs(n - stats.n_holes) <= 1 else "wrong"
    return _found(reading, verdict, expected, tuple(slips))


def _count_alone(reading: Reading, others: Tape) -> Check:
    stats = tape_stats(others, None)
    if reading.quantity == "along":
        return _found(reading, "agrees", "nothing to hold it against without a photo", ())
    n = reading.n_holes or 0.0
    if stats.pitch is not None:
        d = stats.diameter.mean_mm if stats.diameter else 0.0
        u = stats.pitch.u_mean_mm
        least = _window_counts(SIX_INCHES_MM, stats.pitch.mean_mm + u, d)[0]
        most = _window_counts(SIX_INCHES_MM, stats.pitch.mean_mm - u, d)[1]
        expected = f"{least} to {most} by the distances read ({_mm(stats.pitch.mean_mm)})"
        return _judge_six(reading, n, least, most, stats.pitch, stats.diameter, expected)
    counts = [r.n_holes or 0.0 for r in others.of("six-inches")]
    if len(counts) < 2:
        return _found(reading, "agrees", "nothing else to hold it against", ())
    middle = sorted(counts)[len(counts) // 2]
    made = pitch_from_counts([middle])
    assert made is not None
    least, most = math.floor(middle) - 1, math.ceil(middle) + 1
    expected = f"the others say about {middle:g}"
    if least <= n <= most:
        return _found(reading, "agrees", expected, ())
    return _found(reading, "doubtful" if least - 1 <= n <= most + 1 else "wrong", expected, ())


def _check_impossible(reading: Reading, stats: RailStats, s: CheckSettings) -> Check:
    """A reading that no seat could have."""
    if reading.n_holes is not None:
        return _found(reading, "wrong", "no seat has that many or that few", ())
    spread = stats.pitch if reading.quantity == "pitch" else stats.diameter
    if spread is not None:
        sd = max(spread.sd_mm, 0.03 * spread.mean_mm)
        words = f"the others say {_mm(spread.mean_mm)}"
        made = _judge_length(reading, spread.mean_mm, sd, reading.u_mm, stats.diameter, words, s)
        return made if made.verdict == "wrong" else _found(reading, "wrong", words, made.slips)
    value = reading.value_mm or 0.0
    low, high = limits_mm(reading.quantity)
    slips = []
    if low <= value / MM_PER_INCH <= high:
        slips.append("millimetres written as inches")
    if low <= value * MM_PER_INCH <= high:
        slips.append("inches written as millimetres")
    return _found(reading, "wrong", f"no seat has that: it would be {_mm(value)}", tuple(slips))


def _window_counts(window_mm: float, pitch_mm: float, hole_mm: float) -> tuple[int, int]:
    """Least and most whole holes in a window slid along evenly spaced holes.

    N whole holes need (N - 1) p + d <= window (derived).
    """
    room = max(0.0, window_mm - hole_mm) / max(pitch_mm, 1e-6)
    most = math.floor(room + 1e-9) + 1
    return max(most - 1, 0), most


def _found(reading: Reading, verdict: Verdict, expected: str, slips: tuple[str, ...]) -> Check:
    said = f"{reading.place} " if reading.place else ""
    basis = {"centre": "", "side": ", side to side", "between": ", wood between"}[reading.basis]
    note = f" ({reading.note})" if reading.note else ""
    what = f"{said}{QUANTITY_NAMES[reading.quantity]} {reading.as_written}{basis}{note}"
    words = f"{what}: {verdict}; read as {reading.words}; {expected}"
    if slips:
        words += f"; likely slip: {'; or '.join(slips)}"
    return Check(reading=reading, verdict=verdict, expected=expected, slips=slips, words=words)


def _mm(length_mm: float) -> str:
    return f"{length_mm:.1f} mm ({inches_32(length_mm)})"
