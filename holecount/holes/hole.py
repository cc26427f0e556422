"""One hole on paper: what the rest of the house knows of it once the pixels are left behind."""

from dataclasses import dataclass
from typing import Literal

Status = Literal["open", "blocked", "hidden"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """A hole of the seat.

    Attributes
    ----------
    number : int
        From 1, along the hole line.
    rail : str
        Name of its rail: ``front``, ``right``, ``back``, ``left`` or ``ring``; ``row 1`` and so on where rows of
        holes do not close to a seat.
    corner : bool
        Shared by two rails (it is listed with the rail on which it comes first).
    x_px, y_px : float
        Centre in the upright picture.
    x_mm, y_mm : float
        Centre in the plane of the rims, x right, y to the back of the seat.
    u_own_centre_mm : float
        One standard uncertainty of the centre along each axis, independent of the other holes.
    status : {"open", "blocked", "hidden"}
        ``hidden`` holes are inferred from their neighbours, not seen, and not counted.
    diameter_mm : float or None
        Bore: the drill bit that would just fill it. None when blocked, hidden or not measurable.
    u_own_diameter_mm, u_shared_diameter_mm : float or None
        One standard uncertainty, independent of the other holes and common to the photograph.
    out_of_round_mm : float or None
        Half the difference between the widest and the narrowest way across.
    arc_seen_frac : float
        Share of the rim that was in sight and used, 0 to 1.
    doubts : tuple of str
        Flags from `holecount.troubles.DOUBTS`.
    """

    number: int
    rail: str
    corner: bool = False
    x_px: float
    y_px: float
    x_mm: float
    y_mm: float
    u_own_centre_mm: float
    status: Status
    diameter_mm: float | None = None
    u_own_diameter_mm: float | None = None
    u_shared_diameter_mm: float | None = None
    out_of_round_mm: float | None = None
    arc_seen_frac: float = 0.0
    doubts: tuple[str, ...] = ()
