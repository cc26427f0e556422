"""Binder: wide enough to cover the holes, and how it is couched."""

from dataclasses import dataclass
from typing import Literal

from holecount.lengths import MM_PER_INCH, inches_32
from holecount.sizing.figures import Figures
from holecount.sizing.packing import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class BinderSettings:
    """Binders and how they are laid.

    Attributes
    ----------
    widths_mm : tuple of float
        Usual binders (from memory).
    extra_mm : (float, float)
        Added to the hole line for the overlap of the ends: 50 to 100 mm (derived).
    close_mm : float
        Holes at or below this pitch are taken as close. Perry couches through every hole, or every other
        where they are close, without a figure; 1/2 in is an assumption, no source.
    """

    widths_mm: tuple[float, ...] = (4.0, 5.0, 6.0)
    extra_mm: tuple[float, float] = (50.0, 100.0)
    close_mm: float = MM_PER_INCH / 2


Couch = Literal["every hole", "every second hole", "where strands are few"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Binder:
    """What binder to lay.

    Attributes
    ----------
    width_mm : float or None
        None when no bore is known.
    covers : bool
        Whether it covers the wide holes.
    couch : which holes to couch through.
    length_mm : (float, float) or None
        Binder alone, least and most, when the length of the hole line is known.
    words, sources : tuple of str
    """

    width_mm: float | None
    covers: bool
    couch: Couch
    length_mm: tuple[float, float] | None
    words: tuple[str, ...]
    sources: tuple[str, ...]


def choose_binder(figures: Figures, couched_fit: Verdict | None, settings: BinderSettings | None = None) -> Binder:
    """The narrowest usual binder that covers the wide holes; couching by pitch and by what still goes.

    Parameters
    ----------
    couched_fit : how an ordinary hole takes its strands with the couching, at the chosen size.
    """
    s = settings or BinderSettings()
    words: list[str] = []
    sources = ["must cover the holes: White 1902; Seton 1931", "usual binders 4, 5 and 6 mm: from memory"]
    wide = figures.wide_hole_mm
    width: float | None = None
    covers = False
    if wide is None:
        words.append("hole diameter not known: choose a binder that covers the widest hole")
    else:
        width = next((w for w in s.widths_mm if w > wide), s.widths_mm[-1])
        covers = width > wide
        hole = f"holes up to {wide:.1f} mm ({inches_32(wide)})"
        if covers:
            words.append(f"{width:g} mm binder covers {hole}")
        else:
            words.append(f"no usual binder covers {hole}: the widest, {width:g} mm, leaves their edges to be seen")
    close = figures.pitch is not None and figures.pitch.mean_mm <= s.close_mm + 0.05
    couch: Couch
    if couched_fit == "will not go":
        couch = "where strands are few"
        words.append("couching will not go through an ordinary hole beside its strands: couch where fewer strands lie")
        sources.append("strands with couching (4 + 2): Perry 1917; Sharp")
    elif close:
        couch = "every second hole"
        words.append("couch through every second hole: the holes are close")
        sources.append(
            "every other where close: Perry 1917; every second hole: White 1902; 'close' as 1/2 in: no source"
        )
    else:
        couch = "every hole"
        words.append("couch through every hole, or through every second one")
        sources.append("every hole: Perry 1917; every second hole: White 1902")
    length = None
    if figures.perimeter_mm is not None:
        length = (figures.perimeter_mm + s.extra_mm[0], figures.perimeter_mm + s.extra_mm[1])
        words.append(f"length {length[0] / 1000:.2f} to {length[1] / 1000:.2f} m, couching not counted")
        sources.append("hole line + 50 to 100 mm: derived")
    return Binder(
        width_mm=width, covers=covers, couch=couch, length_mm=length, words=tuple(words), sources=tuple(sources)
    )
