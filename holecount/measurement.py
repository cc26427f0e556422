"""A finished measurement: what `holecount measure` found, on paper."""

from dataclasses import dataclass
from typing import Literal

from holecount.holes.hole import Hole
from holecount.stats import LowConfidence, RailStats


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceUse:
    """One source of scale as it was used.

    ``outline_px`` are its outline's points in the upright picture; ``share`` is how much of what
    the references tell of the scale came from it (all together 1); ``misfit`` is its residual over its stated error
    (about 1 when they agree).
    """

    kind: str
    words: str
    outline_px: tuple[tuple[float, float], ...]
    height_mm: float
    share: float
    misfit: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleUse:
    """How millimetres were got.

    ``u_rel`` is one standard uncertainty of the mean scale over the seat, ``u_local_rel`` the worst
    local one; ``holes_share`` is the share of the information that came from the holes being bored
    with one bit and being round.
    """

    references: tuple[ReferenceUse, ...]
    mm_per_px: float
    tilt_deg: float
    distance_mm: float
    focal_px: float
    focal_from: str
    k1: float
    u_rel: float
    u_local_rel: float
    holes_share: float

    @property
    def shares(self) -> tuple[float, ...]:
        """What came from each reference of all that is known, the holes' share included; 0 to 1."""
        return tuple(r.share * (1 - self.holes_share) for r in self.references)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """Everything found in one photograph.

    Attributes
    ----------
    photo_name, photo_sha256 : str
    width_px, height_px : int
        Of the upright picture.
    verdict : {"good", "check"}
    verdict_reasons : tuple of str
        Why ``check``; empty when ``good``.
    remarks : tuple of str
        Good to know, and no reason to doubt the figures: holes under the card, holes packed with cane.
    scale : ScaleUse or None
        None when measured in pixels; then every ``_mm`` value is pixels and says so in the report.
    shape : {"square", "tapered", "bowed", "round", "oval", "rows"}
        ``rows`` are lines of holes that do not close to a seat.
    holes : tuple of Hole
        In order along the hole line, numbered from 1.
    rails : tuple of RailStats
        front, right, back, left, or one ring, or separate rows. Corner holes belong to both their rails.
    seat : RailStats
        All holes, each once.
    """

    photo_name: str
    photo_sha256: str
    width_px: int
    height_px: int
    verdict: Literal["good", "check"]
    verdict_reasons: tuple[str, ...]
    scale: ScaleUse | None
    shape: str
    holes: tuple[Hole, ...]
    rails: tuple[RailStats, ...]
    seat: RailStats
    low_confidence: tuple[LowConfidence, ...]
    remarks: tuple[str, ...] = ()
