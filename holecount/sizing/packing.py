"""Do the strands that share a hole go through it? A packing calculation, from width and thickness.

A strand's section is taken as a flat bar with rounded edges (a stadium); strands are rigid and may lie
as well as they can. The smallest bores were searched once (`holecount.sizing.pack_search`) and stand in
``packings.json``, each with the layout that proves it; here they are looked up and scaled.
"""

import json
import math
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Verdict = Literal["fits easily", "tight", "will not go"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StrandSettings:
    """What a strand is taken to be.

    Attributes
    ----------
    thickness_per_width : float
        About 1.1 mm for 2.5 mm cane (derived from plausible thicknesses: none is published); sane 0.3 to 0.6.
    thickness_limits_mm : (float, float)
        Plausible thicknesses 0.8 to 1.2 mm (derived, as above).
    u_assumed_mm, u_measured_mm : float
        One standard uncertainty of the thickness: assumed, the plausible range as a rectangle, 0.4 mm /
        sqrt 12 (derived); measured with a calliper on soft, uneven strand (no source, an assumption).
    squeeze_frac : float
        Soaked cane gives a little: strands that as rigid bodies need up to this share more than the bore
        are still called tight. Sane 0 to 0.1; no source, an assumption.
    more_go : int
        Strands fit easily when this many more would go as well: the pair that couching adds (Perry; Sharp).
    """

    thickness_per_width: float = 0.44
    thickness_limits_mm: tuple[float, float] = (0.8, 1.2)
    u_assumed_mm: float = 0.115
    u_measured_mm: float = 0.05
    squeeze_frac: float = 0.05
    more_go: int = 2


def assumed_thickness_mm(width_mm: float, settings: StrandSettings | None = None) -> float:
    """Thickness of a strand when none was measured."""
    s = settings or StrandSettings()
    low, high = s.thickness_limits_mm
    return min(max(s.thickness_per_width * width_mm, low), high, width_mm)


@cache
def _table() -> tuple[NDArray[np.float64], NDArray[np.float64], tuple[Any, ...]]:
    """Aspects (k,), bores in thicknesses (n, k), layouts."""
    raw = json.loads(resources.files(__package__).joinpath("packings.json").read_text(encoding="utf-8"))
    bores = np.array([[cell["bore"] for cell in row] for row in raw["packings"]])
    return np.array(raw["aspects"], float), bores, tuple(raw["packings"])


def most_tabled() -> int:
    """Greatest number of strands in the table."""
    return len(_table()[1])


def bore_needed_mm(n_strands: int, width_mm: float, thickness_mm: float) -> float:
    """Smallest bore in mm that n strands go through as rigid bodies.

    Between the table's aspects linearly. Beyond its greatest number the share of the bore that is filled
    is held; beyond its widest aspect the whole layout is scaled up (both derived, on the large side).

    Raises
    ------
    ValueError
        For no strands, or sizes that are not positive.
    """
    if n_strands < 1 or not (width_mm > 0 and thickness_mm > 0):
        raise ValueError("strands need a number, a width and a thickness above zero")
    wide, thick = max(width_mm, thickness_mm), min(width_mm, thickness_mm)
    aspects, bores, _ = _table()
    n = min(n_strands, len(bores))
    aspect = wide / thick
    bore = float(np.interp(aspect, aspects, bores[n - 1]))
    if aspect > aspects[-1]:
        bore *= aspect / float(aspects[-1])
    return bore * thick * math.sqrt(n_strands / n)


def layout_mm(n_strands: int, width_mm: float, thickness_mm: float) -> tuple[tuple[float, float, float], ...]:
    """A layout that goes through a bore a little over `bore_needed_mm`: x and y in mm from the middle, turn in degrees.

    It is that of the next wider aspect in the table, for drawing.
    """
    aspects, _, cells = _table()
    if not 1 <= n_strands <= len(cells):
        raise ValueError(f"layouts are known for 1 to {len(cells)} strands")
    wide, thick = max(width_mm, thickness_mm), min(width_mm, thickness_mm)
    k = min(int(np.searchsorted(aspects, wide / thick - 1e-9)), len(aspects) - 1)
    return tuple((x * thick, y * thick, math.degrees(turn)) for x, y, turn in cells[n_strands - 1][k]["layout"])


def fit(n_strands: int, width_mm: float, thickness_mm: float, bore_mm: float, settings: StrandSettings) -> Verdict:
    """How n strands go through a bore."""
    if bore_needed_mm(n_strands + settings.more_go, width_mm, thickness_mm) <= bore_mm:
        return "fits easily"
    if least_bore_mm(n_strands, width_mm, thickness_mm, settings) <= bore_mm:
        return "tight"
    return "will not go"


def least_bore_mm(n_strands: int, width_mm: float, thickness_mm: float, settings: StrandSettings) -> float:
    """Smallest bore in mm that soaked strands go through: the rigid one less what they give."""
    return bore_needed_mm(n_strands, width_mm, thickness_mm) / (1 + settings.squeeze_frac)


def thickest_mm(n_strands: int, width_mm: float, bore_mm: float, settings: StrandSettings) -> float | None:
    """Thickest strand of that width of which n still go (to 0.01 mm); None when even 0.3 mm does not."""
    low, high = 0.3, width_mm
    if least_bore_mm(n_strands, width_mm, low, settings) > bore_mm:
        return None
    if least_bore_mm(n_strands, width_mm, high, settings) <= bore_mm:
        return high
    while high - low > 0.005:
        middle = (low + high) / 2
        low, high = (middle, high) if least_bore_mm(n_strands, width_mm, middle, settings) <= bore_mm else (low, middle)
    return math.floor(low * 100) / 100
