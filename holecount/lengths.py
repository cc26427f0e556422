"""Lengths as a caner writes them: millimetres first, inches to the nearest 1/32.

The only room that knows about inches, fractions and rounding for print.
"""

import math
import re
from fractions import Fraction

MM_PER_INCH = 25.4
"""Millimetres in an inch: exact, international yard and pound agreement of 1959."""

SIX_INCHES_MM = 6 * MM_PER_INCH
"""The stretch in which a caner counts holes, 152.4 mm."""

MOST_MM = 1e6
"""Longest length that is read, a kilometre: a hank of cane has 300 m (derived)."""

MOST_CHARACTERS = 100
"""Of one written length. Own choice."""

_NUMBER = r"(?:\d+(?:[.,]\d+)?|[.,]\d+)"
_LENGTH = re.compile(
    rf"^\s*(?:(?P<whole>{_NUMBER})?(?:(?<=\d)[\s-]+|^\s*)(?P<num>\d+)\s*/\s*(?P<den>\d+)|(?P<plain>{_NUMBER}))"
    r"\s*(?P<unit>mm|cm|inches|inch|in|\"|″|'')?\s*$",
    re.IGNORECASE,
)


def parse_length_mm(text: str, *, default_unit: str | None = None) -> float:
    """Read one length such as ``13 mm``, ``3/16 in``, ``1 1/2"`` or ``5.5cm``; returns mm.

    A fraction without a unit is inches; a plain number without a unit takes
    ``default_unit`` (``"mm"`` or ``"in"``).

    Raises
    ------
    ValueError
        When the text is no length, has no unit where one is needed, is not positive or beyond a kilometre.
    """
    found = _LENGTH.match(text) if len(text) <= MOST_CHARACTERS else None
    if not found:
        raise ValueError(f"'{text.strip()}' is not a length; write it like 13 mm, 1/2 in or 5.5 cm")
    unit = (found["unit"] or "").lower()
    if found["plain"] is not None:
        value = float(found["plain"].replace(",", "."))
    else:
        if int(found["den"]) == 0:
            raise ValueError(f"'{text.strip()}' divides by nothing")
        value = float((found["whole"] or "0").replace(",", ".")) + int(found["num"]) / int(found["den"])
        unit = unit or "in"
    unit = unit or (default_unit or "")
    if not unit:
        raise ValueError(f"'{text.strip()}' needs a unit: mm or in")
    if not (value > 0 and math.isfinite(value)):
        raise ValueError(f"'{text.strip()}' is not a length above zero")
    value_mm = value * {"mm": 1.0, "cm": 10.0}.get(unit, MM_PER_INCH)
    if value_mm > MOST_MM:
        raise ValueError(f"'{text.strip()}' is more than a kilometre")
    return value_mm


def inches_32(length_mm: float) -> str:
    """The length in inches to the nearest 1/32, as ``1 3/16 in`` (reduced), ``0 in`` when below 1/64."""
    n = round(abs(length_mm) / MM_PER_INCH * 32)
    whole, rest = divmod(n, 32)
    parts = [str(whole)] if whole else []
    if rest:
        parts.append(str(Fraction(rest, 32)))
    return ("-" if length_mm < 0 and n else "") + (" ".join(parts) or "0") + " in"


def mm_with_u(length_mm: float, u_mm: float | None) -> str:
    """``12.70 ± 0.05 mm``; the uncertainty has two figures when it begins with 1 or 2, else one.

    The Particle Data Group's rule in spirit (Review of Particle Physics, introduction, section 5.3), with never
    more than three decimals.
    """
    if u_mm is None or not math.isfinite(u_mm) or u_mm <= 0:
        return f"{length_mm:.2f} mm"
    exponent = math.floor(math.log10(u_mm))
    leading = u_mm / 10**exponent
    decimals = min(3, max(0, -exponent + (1 if leading < 2.95 else 0)))
    return f"{length_mm:.{decimals}f} ± {u_mm:.{decimals}f} mm"
