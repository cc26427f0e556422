"""One tape reading as a person writes it: ``1/2``, ``11 1/2``, ``just over 1/2``, ``13 mm``, ``127 mm over 10``."""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from holecount.lengths import MM_PER_INCH, inches_32, parse_length_mm
from holecount.troubles import BadInput

Quantity = Literal["pitch", "hole", "six-inches", "along"]
"""Distance from hole to hole; hole diameter; holes in six inches; holes along one whole rail."""

Basis = Literal["centre", "side", "between"]
"""How a distance was taken: centre to centre; one side of a hole to the same side of the next; the wood between."""

PLACES = ("front", "right", "back", "left", "ring")

QUANTITY_NAMES: dict[str, str] = {"pitch": "pitch", "hole": "hole", "six-inches": "six inches", "along": "along"}
"""How a quantity is named in front of its reading, as in a file of readings."""

QUANTITY_WORDS: dict[str, str] = {
    "pitch": "distance from hole to hole",
    "hole": "hole diameter",
    "six-inches": "number of holes in six inches",
    "along": "number of holes along the rail",
}

INCH_DIVISION_MM = MM_PER_INCH / 16
"""Division a tape in inches is taken to be read to: charts and tapes go to 1/16 (common practice, no source)."""

PITCH_LIMITS_MM = (5.0, 50.0)
"""Distances that a hole-to-hole seat can have; charts run from 3/8 to 7/8 in (9.5 to 22 mm). Own choice."""

HOLE_LIMITS_MM = (1.5, 15.0)
"""Bores that a hole-to-hole seat can have; charts run from 1/8 to 5/16 in (3.2 to 7.9 mm). Own choice."""

SIX_INCHES_LIMITS = (3.0, 30.0)
"""Holes in six inches at those pitches (derived)."""

ALONG_LIMITS = (2.0, 200.0)
"""Holes along a rail, or round a seat, that there can be. Own choice: seats have below 200."""

_VULGAR = {
    "½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8", "⅓": "1/3", "⅔": "2/3",
}  # fmt: skip
_OVER = re.compile(r"^(?P<length>.*?)\s*(?:over|/)\s*(?P<n>\d{1,3})(?:\s*spaces?)?$", re.IGNORECASE)
_HAS_UNIT = re.compile(r"(mm|cm|inches|inch|in|\"|″|'')\s*$", re.IGNORECASE)
_COUNT = re.compile(r"^(?P<whole>\d{1,4})?(?:(?:^|[\s-]+|(?<=\d)\s*)(?P<num>\d{1,2})/(?P<den>\d{1,2}))?$")
_WORDS = {
    "just over": "+", "a bit over": "+", "over": "+", "full": "+", "strong": "+",
    "just under": "-", "a bit under": "-", "under": "-", "scant": "-", "bare": "-",
    "about": "~", "roughly": "~", "approx": "~",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One reading, as written and as understood.

    Attributes
    ----------
    as_written : str
    quantity : one of `Quantity`
    place : str
        Rail it was taken on; empty when not said.
    value_mm : float or None
        For lengths; as read, before any change of basis.
    n_holes : float or None
        For counts; 11.5 when the tape's end cuts a hole.
    division_mm : float
        Division it was read to (0 for counts).
    u_mm : float
        One standard uncertainty from reading: a rectangle of half a division to each side (GUM, ISO/IEC
        Guide 98-3, 4.3.7); 0 for counts.
    basis : one of `Basis`
        For distances.
    note : str
        What was taken for granted, such as ``taken as mm``; empty when nothing was.
    """

    as_written: str
    quantity: Quantity
    place: str = ""
    value_mm: float | None = None
    n_holes: float | None = None
    division_mm: float = 0.0
    u_mm: float = 0.0
    basis: Basis = "centre"
    note: str = ""

    @property
    def words(self) -> str:
        """What was understood, such as ``12.7 mm (1/2 in), good to 0.8 mm``."""
        if self.n_holes is not None:
            return f"{self.n_holes:g} holes"
        value = self.value_mm or 0.0
        return f"{value:.1f} mm ({inches_32(value)}), good to {math.sqrt(3) * self.u_mm:.1f} mm"


def read_list(
    text: str, quantity: Quantity, *, unit: str | None = None, basis: Basis = "centre", sharp: bool = False
) -> list[Reading]:
    """Read a list such as ``12, 12, 11 1/2`` or ``front: 1/2, 1/2+; left: 13 mm``.

    Parameters
    ----------
    text : readings apart by commas or semicolons; ``place:`` holds until the next place.
    unit : ``mm`` or ``in`` for numbers without one; else it is guessed from what is possible, and noted.
    basis : how distances were taken.
    sharp : figures stated as known (typed), good to half of 1/32 in or half a millimetre, rather than
        read off a tape.

    Raises
    ------
    BadInput
        One sentence with what was understood.
    """
    out: list[Reading] = []
    place = ""
    for part in _split(_plain(text), quantity, text):
        if ":" in part:
            said, _, part = part.rpartition(":")
            place = _place(said, text)
        if part.strip():
            out.append(_read_one(part.strip(), quantity, place, unit=unit, basis=basis, sharp=sharp))
    if not out:
        raise BadInput(f"There is no reading in '{text.strip()}'.", "Write them like: 12, 12, 11 1/2")
    return out


def limits_mm(quantity: Quantity) -> tuple[float, float]:
    """Lengths that can be true of a seat."""
    return HOLE_LIMITS_MM if quantity == "hole" else PITCH_LIMITS_MM


def is_possible(reading: Reading) -> bool:
    """Whether any seat could have it: a reading that cannot be is a slip, whatever the photograph says."""
    if reading.n_holes is not None:
        low, high = SIX_INCHES_LIMITS if reading.quantity == "six-inches" else ALONG_LIMITS
        return low <= reading.n_holes <= high
    low, high = limits_mm(reading.quantity)
    return low <= (reading.value_mm or 0.0) <= high


def refuse_impossible(readings: Iterable[Reading]) -> None:
    """Complain of the first reading that no seat could have, with what was understood and what may be meant.

    Raises
    ------
    BadInput
    """
    for r in readings:
        if is_possible(r):
            continue
        what = QUANTITY_WORDS[r.quantity]
        if r.n_holes is not None:
            low, high = SIX_INCHES_LIMITS if r.quantity == "six-inches" else ALONG_LIMITS
            raise BadInput(
                f"'{r.as_written}' was understood as {r.n_holes:g}: no seat has that {what} ({low:g} to {high:g})."
            )
        value, (low, high) = r.value_mm or 0.0, limits_mm(r.quantity)
        meant = ""
        if low <= value / MM_PER_INCH <= high:
            meant = f"Was {value / MM_PER_INCH:g} mm meant?"
        elif low <= value * MM_PER_INCH <= high:
            meant = f"Was {value:g} in meant?"
        elif low <= value - MM_PER_INCH <= high:
            meant = "Was it read from the 1-inch mark?"
        raise BadInput(
            f"'{r.as_written}' was understood as {value:.1f} mm ({inches_32(value)}): no seat has that {what} "
            f"({low:g} to {high:g} mm).",
            meant,
        )


def _plain(text: str) -> str:
    """Typographic fractions, primes and dashes to plain signs."""
    for sign, plain in _VULGAR.items():
        text = re.sub(rf"(\d)?\s*{sign}", lambda m, p=plain: f"{m[1]} {p}" if m[1] else p, text)  # type: ignore[misc]
    return text.replace("⁄", "/").replace("–", "-").replace("−", "-").replace("’", "'").replace("”", '"')


def _split(text: str, quantity: Quantity, original: str) -> list[str]:
    """Parts between separators. A comma with digits on both sides may be a decimal sign; see the docs."""
    if len(text) > 2000:
        raise BadInput("That is too long for a list of readings.", "Give at most 2000 signs.")
    if quantity in ("six-inches", "along"):
        return re.split(r"[;,\n]", text)
    parts: list[str] = []
    for piece in re.split(r";|\n|,(?=\s|$)", text):
        commas = piece.count(",")
        found = re.fullmatch(r"(.*?)(\d+),(\d+)(\s*(?:mm|cm|in\w*|\")?\s*)", piece, re.IGNORECASE)
        if commas == 1 and found and "/" not in piece:
            if len(found[3]) == 1 or found[2] == "0":
                parts.append(piece.replace(",", "."))
            else:
                raise BadInput(
                    f"'{piece.strip()}' can be read as {found[2]}.{found[3]} or as {found[2]} and {found[3]}.",
                    "Put a space after the comma between readings, or write a point.",
                )
        else:
            parts += piece.split(",")
    if not any(p.strip() for p in parts):
        raise BadInput(f"There is no reading in '{original.strip()}'.", "Write them like: 1/2, 1/2+, 13 mm")
    return parts


def _place(said: str, text: str) -> str:
    word = said.strip().lower().removesuffix(" rail").strip()
    word = {"rear": "back", "all": "", "seat": "", "anywhere": ""}.get(word, word)
    if word and word not in PLACES:
        raise BadInput(
            f"'{said.strip()}' in '{text.strip()}' is no place on the seat.", f"Places are: {', '.join(PLACES)}."
        )
    return word


def _read_one(text: str, quantity: Quantity, place: str, *, unit: str | None, basis: Basis, sharp: bool) -> Reading:
    if quantity in ("six-inches", "along"):
        return _read_count(text, quantity, place)
    core, lean = _lean(text)
    over = _OVER.match(core)
    spaces = 1
    # "127 mm / 10" and "5 in over 10" are lengths over several spaces; "1/2" is a fraction.
    if over and (_HAS_UNIT.search(over["length"].strip()) or "over" in core.lower()):
        core, spaces = over["length"].strip(), int(over["n"])
        if spaces == 0:
            raise BadInput(f"'{text}' is a length over no spaces.", "Write it like: 127 mm over 10")
    if spaces > 1 and quantity == "hole":
        raise BadInput(f"'{text}' was understood as a length over {spaces} holes.", "Gauge each hole by itself.")
    try:
        written_mm, note, in_inches = _length(core, unit, limits_mm(quantity), spaces)
    except ValueError as e:
        said = QUANTITY_WORDS[quantity]
        raise BadInput(f"'{text}' was not understood as a {said}: {e}.", "Write it like 1/2, 3/16+ or 13 mm.") from e
    division = _division_mm(core, in_inches, sharp=sharp)
    half = division / 2
    if lean == "+":
        written_mm, half = written_mm + division / 4, division / 4
    elif lean == "-":
        written_mm, half = written_mm - division / 4, division / 4
    elif lean == "~":
        half = division
    return Reading(
        as_written=text,
        quantity=quantity,
        place=place,
        value_mm=written_mm / spaces,
        division_mm=division / spaces,
        u_mm=half / spaces / math.sqrt(3),
        basis=basis,
        note=note,
    )


def _read_count(text: str, quantity: Quantity, place: str) -> Reading:
    core = re.sub(r"\s*(holes?)$", "", text.strip(), flags=re.IGNORECASE)
    found = _COUNT.match(core)
    if core and found and (found["den"] is None or int(found["den"])):
        n = float(found["whole"] or 0) + (int(found["num"]) / int(found["den"]) if found["den"] else 0.0)
    elif re.fullmatch(r"\d{1,4}\.\d{1,3}", core):
        n = float(core)
    else:
        what = QUANTITY_WORDS[quantity]
        raise BadInput(f"'{text}' was not understood as a {what}.", "Write it like 12 or 11 1/2.")
    if quantity == "along" and n != int(n):
        raise BadInput(f"'{text}' was understood as {n:g} holes along a rail.", "Holes along a rail are whole.")
    return Reading(as_written=text, quantity=quantity, place=place, n_holes=n)


def _lean(text: str) -> tuple[str, str]:
    """The text without ``+``, ``-``, ``just over`` and the like, and which way it leans."""
    lower = " ".join(text.lower().split())
    for words, sign in _WORDS.items():
        if lower.startswith(words + " "):
            return lower[len(words) + 1 :], sign
        if lower.endswith(" " + words):
            return lower[: -len(words) - 1], sign
    if lower.startswith("~"):
        return lower[1:].strip(), "~"
    found = re.fullmatch(r"(.*\S)\s*([+-])\s*(mm|cm|in\w*|\"|'')?", lower)
    if found:
        return f"{found[1]} {found[3] or ''}".strip(), found[2]
    return lower, ""


def _length(core: str, unit: str | None, limits: tuple[float, float], spaces: int) -> tuple[float, str, bool]:
    """Length in mm, what was guessed, and whether it was in inches."""
    said = _HAS_UNIT.search(core)
    fraction = "/" in core
    if said or fraction or unit:
        in_inches = (said[1].lower() not in ("mm", "cm")) if said else fraction or unit == "in"
        return parse_length_mm(core, default_unit=unit), "", in_inches
    number = parse_length_mm(core, default_unit="mm")
    for guess, factor in (("mm", 1.0), ("in", MM_PER_INCH)):
        if limits[0] <= number * factor / spaces <= limits[1]:
            return number * factor, f"taken as {number:g} {guess}", guess == "in"
    return parse_length_mm(core), "", False  # complains that a unit is needed


def _division_mm(core: str, in_inches: bool, *, sharp: bool) -> float:
    """Division the reading was taken to, from how it is written."""
    fraction = re.search(r"/\s*(\d+)", core)
    decimals = re.search(r"[.,](\d+)", core)
    if in_inches:
        base = INCH_DIVISION_MM / 2 if sharp else INCH_DIVISION_MM
        if fraction:
            return min(base, MM_PER_INCH / int(fraction[1]))
        # A decimal of two places or fewer may stand for a fraction (0.5, 0.19): no finer than the tape.
        return min(base, MM_PER_INCH * 10.0 ** -len(decimals[1])) if decimals and len(decimals[1]) > 2 else base
    base = 10.0 if re.search(r"cm\s*$", core, re.IGNORECASE) else 1.0
    if decimals:
        return max(0.01, base * 10.0 ** -len(decimals[1]))
    return min(1.0, base)
