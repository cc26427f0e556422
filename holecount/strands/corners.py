"""Where the rails of a seat meet: the four corner holes, found from the holes' own positions.

Flags that come with a measurement are a second opinion only: on a frame with rounded corners they
may sit one hole off, and a pair of sides that come out unequal is a bad guide to a weave.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class CornerSettings:
    """What counts as a corner.

    Attributes
    ----------
    min_turn_deg : float
        The hole line turns at least this much at a corner; 25 to 45. Four corners turn by 360 degrees in
        all; the shallow front corner of a strong bow still turns by about 65 (derived).
    off_rail_frac : float
        A hole belongs to both rails when it lies within this share of the pitch of both lines; beyond it
        the frame has no hole bored in that corner. 0.4 to 0.6 (derived: with a corner rounded to a radius of
        1.5 pitches the middle hole lies 0.44 off both).
    unequal_cost, flag_cost : float
        Price, in pitches of distance from the rails, of left and right sides that differ and of each
        corner that is not the one flagged. They only decide between holes that are near equal by position.
    """

    min_turn_deg: float = 35.0
    off_rail_frac: float = 0.5
    unequal_cost: float = 0.25
    flag_cost: float = 0.08


BOW_FRAC = 0.5
"""A rail counts as bowed when a parabola leaves at most this share of a line's root mean square misfit. Own choice."""


def turns_deg(xy_mm: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Turn of a closed line of points (n, 2) at each point, in degrees, between chords ``width`` points long."""
    back = xy_mm - np.roll(xy_mm, width, axis=0)
    ahead = np.roll(xy_mm, -width, axis=0) - xy_mm
    cross = back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0]
    return np.asarray(np.degrees(np.arctan2(cross, (back * ahead).sum(axis=1))))


def _peaks(turn: NDArray[np.float64], apart: int) -> list[int]:
    """The four sharpest turns that lie at least ``apart`` holes from each other, in ring order."""
    n = len(turn)
    found: list[int] = []
    for k in np.argsort(-turn, kind="stable"):
        if all(min((k - f) % n, (f - k) % n) >= apart for f in found):
            found.append(int(k))
        if len(found) == 4:
            break
    return sorted(found)


def _off_rail(xy: NDArray[np.float64], rail: NDArray[np.int_], which: NDArray[np.int_]) -> NDArray[np.float64]:
    """Distance of the holes ``which`` from the line through ``rail``, or from the parabola where it is bowed."""
    base = xy[rail[0]]
    along = xy[rail[-1]] - base
    along = along / np.hypot(*along)
    across = np.array([-along[1], along[0]])
    s, t = (xy[rail] - base) @ along, (xy[rail] - base) @ across
    curve = np.polynomial.Polynomial.fit(s, t, min(1, len(rail) - 1))
    if len(rail) >= 6:
        bowed = np.polynomial.Polynomial.fit(s, t, 2)
        # A parabola runs wild beyond its points: only a bow that halves what is left over is believed.
        if float(((bowed(s) - t) ** 2).sum()) < BOW_FRAC**2 * float(((curve(s) - t) ** 2).sum()):
            curve = bowed
    return np.asarray(np.abs((xy[which] - base) @ across - curve((xy[which] - base) @ along)))


def four_corners(
    xy_mm: NDArray[np.float64], flagged: Sequence[int], settings: CornerSettings | None = None
) -> tuple[float, float, float, float] | None:
    """The four corners of a ring of holes.

    Parameters
    ----------
    xy_mm : (n, 2)
        Hole centres, anticlockwise (y to the back).
    flagged : sequence of int
        Indices said to be corner holes; may be empty or wrong.

    Returns
    -------
    tuple of four float or None
        Ring positions in order; a whole number is a corner hole, a half one a corner without a hole
        (between the hole below and the hole above). None when there are no four corners.
    """
    given = settings or CornerSettings()
    n = len(xy_mm)
    if n < 12:
        return None
    turn = turns_deg(xy_mm, max(2, min(4, n // 12)))
    peaks = _peaks(turn, max(3, n // 12))
    flagged = sorted(set(flagged))
    if len(peaks) < 4 or min(turn[peaks]) < given.min_turn_deg:
        if len(flagged) != 4:
            return None
        return float(flagged[0]), float(flagged[1]), float(flagged[2]), float(flagged[3])
    pitch = float(np.median(np.hypot(*(np.roll(xy_mm, -1, axis=0) - xy_mm).T)))
    options: list[list[tuple[int, float]]] = []
    for k, peak in enumerate(peaks):
        near = np.array([(peak + d) % n for d in (-1, 0, 1)])
        off = np.maximum(*(_off_rail(xy_mm, rail, near) for rail in _rails_beside(peaks, k, n))) / pitch
        options.append([(int(h), float(o)) for h, o in zip(near, off, strict=True)])
    best, chosen = np.inf, tuple(peaks)
    for combo in product(*options):
        holes = [h for h, _ in combo]
        sides = [(holes[(k + 1) % 4] - holes[k]) % n for k in range(4)]
        # One pair of opposite sides is left and right.
        unequal = min(abs(sides[0] - sides[2]), abs(sides[1] - sides[3]))
        cost = sum(o for _, o in combo) + given.unequal_cost * bool(unequal)
        if len(flagged) == 4:
            cost += given.flag_cost * len(set(holes) - set(flagged))
        if cost < best - 1e-9:
            best, chosen = cost, tuple(holes)
    corners = [_place(xy_mm, peaks, k, hole, dict(options[k])[hole], pitch, given) for k, hole in enumerate(chosen)]
    return (corners[0], corners[1], corners[2], corners[3])


def _rails_beside(peaks: Sequence[int], k: int, n: int) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Holes of the rail before and of the rail after corner ``k``, without those nearest to a corner."""
    rails = []
    for first, last in ((peaks[k - 1], peaks[k]), (peaks[k], peaks[(k + 1) % 4])):
        inside = np.arange(1, (last - first) % n)
        keep = 2 if len(inside) > 8 else 1 if len(inside) > 3 else 0
        rails.append((first + inside[keep : len(inside) - keep]) % n)
    return rails[0], rails[1]


def _place(
    xy: NDArray[np.float64],
    peaks: Sequence[int],
    k: int,
    hole: int,
    off: float,
    pitch: float,
    given: CornerSettings,
) -> float:
    """The hole itself, or the gap beside it when neither neighbour lies on both rails and both lie on their own."""
    if off <= given.off_rail_frac:
        return float(hole)
    n = len(xy)
    before, after = _rails_beside(peaks, k, n)
    near = np.array([(hole + d) % n for d in (-1, 0, 1)])
    on_before, on_after = _off_rail(xy, before, near) / pitch, _off_rail(xy, after, near) / pitch
    for d in (0, 1):
        if on_before[d] < given.off_rail_frac / 2 and on_after[d + 1] < given.off_rail_frac / 2:
            return float((hole - 1 + d) % n) + 0.5
    return float(hole)
