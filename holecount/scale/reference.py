"""What every source of scale hands to the plane fit: matched pixel and millimetre points."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """Something of known size lying on the frame.

    Millimetres are in the object's own frame; where it lies on the seat is found by the plane fit.

    Attributes
    ----------
    kind : str
        ``card``, ``sheet``, ``rectangle``, ``ruler`` or ``length``.
    words : str
        What it is, for people: ``bank card (ISO/IEC 7810 ID-1)``, ``ruler, millimetres``.
    points_px, points_mm : float arrays, shape (n, 2)
        Matched points; mm along x for a ruler. For a ruler y is zero within a row of points.
    u_px : float array, shape (n,)
        One standard uncertainty of a point along each pixel axis; independent of the others unless there are
        ``constraints``.
    constraints : float array, shape (m, 2 n), or None
        What of the points was measured, where not every point by itself: each row weighs the points' deviations
        (x and y of the first, of the second, ...) to a sum of one standard uncertainty, independent of other rows'.
    row : int array, shape (n,)
        0 for points whose ``points_mm`` is known in both axes. Points of row k >= 1 lie
        ``row_offset_mm[k - 1]`` further in y, which is known only to ``u_row_offset_mm[k - 1]``
        (the second graduated edge of a ruler of unknown width).
    u_size_rel : float
        Relative uncertainty of the object's own millimetres (manufacture, wear), shared by all its points.
    height_mm, u_height_mm : float
        Face above the plane of the holes' rims.
    outline_px : float array, shape (m, 2)
        For drawing.
    by_hand : bool
        A person placed its points.
    notes : tuple of str
        Remarks for the report, such as an ambiguity that was settled and how.
    """

    kind: str
    words: str
    points_px: NDArray[np.float64]
    points_mm: NDArray[np.float64]
    u_px: NDArray[np.float64]
    height_mm: float
    u_height_mm: float
    outline_px: NDArray[np.float64]
    u_size_rel: float = 0.0
    constraints: NDArray[np.float64] | None = None
    row: NDArray[np.int64] | None = None
    row_offset_mm: tuple[float, ...] = ()
    u_row_offset_mm: tuple[float, ...] = ()
    by_hand: bool = False
    notes: tuple[str, ...] = field(default=())
