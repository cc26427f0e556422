"""What the sizing rules answer."""

from dataclasses import dataclass

from holecount.sizing.binder import Binder
from holecount.sizing.figures import Figures
from holecount.sizing.packing import Verdict
from holecount.stats import LowConfidence


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One width that may be right.

    Attributes
    ----------
    width_mm : float
    name : str
        Usual name, empty when none is known.
    chance : float
        0 to 1.
    chance_at_least : float
        That this or a wider one is right.
    why : str
        What would make it the right one; empty for the only one.
    """

    width_mm: float
    name: str
    chance: float
    chance_at_least: float
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """How strands that share a hole go through the small holes.

    ``needs_mm`` is the bore they need as rigid bodies, ``hole_mm`` the bore they have, ``thickest_mm`` the
    thickest strand of this width of which as many go (None: none does).
    """

    where: str
    n_strands: int
    width_mm: float
    thickness_mm: float
    needs_mm: float
    hole_mm: float
    verdict: Verdict
    thickest_mm: float | None
    decides: bool
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartSays:
    """What one chart says by itself, figures taken as exact.

    ``by_spacing_mm``, ``by_hole_mm`` are widths by one of them alone; ``width_mm`` by both, strands included.
    ``up_to_mm`` is the next row's width where the figures lie between two rows, else ``width_mm``.
    """

    chart: str
    cited: str
    source: str
    width_mm: float | None
    up_to_mm: float | None
    name: str
    by_spacing_mm: float | None
    by_hole_mm: float | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """One step of the reasoning and where it comes from."""

    words: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeRemark:
    """Something the worker should know; ``code`` names its kind."""

    code: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeChoice:
    """The decision and all that led to it.

    Attributes
    ----------
    choice : Candidate or None
        None when not even the thinnest cane is likely to go.
    candidates : tuple of Candidate
        The choice first, then by falling chance; below 0.5 % left out.
    chance_none : float
        That not even the thinnest goes through.
    deciding : str
        Name of the chart that decides.
    by_chart : tuple of ChartSays
        The deciding chart first.
    fits : tuple of Fit
    thickness_mm : float or None
        Of the chosen strand; ``thickness_from`` says whether measured or assumed.
    binder : Binder
    to_decide : str
        What to measure when two sizes are near even; empty otherwise.
    reasons, remarks, low_confidence : tuples
    shape, couched, figures : what it was chosen from.
    """

    choice: Candidate | None
    candidates: tuple[Candidate, ...]
    chance_none: float
    deciding: str
    by_chart: tuple[ChartSays, ...]
    fits: tuple[Fit, ...]
    thickness_mm: float | None
    thickness_from: str
    binder: Binder
    to_decide: str
    reasons: tuple[Reason, ...]
    remarks: tuple[SizeRemark, ...]
    low_confidence: tuple[LowConfidence, ...]
    shape: str | None
    couched: bool
    figures: Figures
