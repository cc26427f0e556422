"""How lengths, sizes and chances are said: millimetres first, inches to 1/32 and the name second."""

from holecount.lengths import MM_PER_INCH, inches_32
from holecount.sizing.chart import width_name


def length(length_mm: float) -> str:
    """``12.7 mm (1/2 in)``."""
    return f"{length_mm + 1e-9:.1f} mm ({inches_32(length_mm)})"  # 19.05 is 19.1, whatever its last bit says


def bit(length_mm: float) -> str:
    """A drill bit: ``4.7 mm (just under 3/16 in)``; callipers and bits tell more than the nearest 1/32."""
    nearest = round(length_mm / MM_PER_INCH * 32) / 32 * MM_PER_INCH
    lean = "" if abs(length_mm - nearest) < 0.06 else "just under " if length_mm < nearest else "just over "
    return f"{length_mm + 1e-9:.1f} mm ({lean}{inches_32(length_mm)})"


def width(width_mm: float) -> str:
    """``2.25 mm``, ``2.5 mm``, ``3.0 mm``."""
    text = f"{width_mm:.2f}".rstrip("0")
    return (text + "0" if text.endswith(".") else text) + " mm"


def size(width_mm: float, name: str | None = None) -> str:
    """``2.5 mm (fine)``."""
    called = width_name(width_mm) if name is None else name
    return f"{width(width_mm)} ({called})" if called else width(width_mm)


def a_seat(shape: str | None) -> str:
    """``an oval seat``."""
    return f"{'an' if shape == 'oval' else 'a'} {shape} seat"


def percent(chance: float) -> str:
    """``86 %``; never 100, for no choice is certain, and 0 only for what cannot be."""
    if 0 < chance < 0.01:
        return "under 1 %"
    if chance > 0.99:
        return "over 99 %"
    return f"{round(100 * chance)} %"
