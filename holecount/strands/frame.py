"""The hole line as the weaver sees it: front before you, four sides, which hole faces which.

A `Frame` is made from a measurement or from typed figures; everything after works on it alone.
Its ring of holes runs anticlockwise from the front left corner: front, right, back, left.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holecount.measurement import Measurement
from holecount.strands.corners import four_corners
from holecount.troubles import BadInput

RING_SHAPES = ("round", "oval")
FEWEST_HOLES = 12
"""Two holes between the corners on each of four sides: the smallest weave with a pattern (derived)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """Holes in ring order, in a frame turned so that the centre strand runs along y.

    Attributes
    ----------
    numbers : tuple of int
        Hole numbers as on the marked photograph, in ring order.
    xy_mm : (n, 2)
        Centres; x right, y to the back. Typed figures without a pitch count in pitches.
    status : tuple of str
        ``open``, ``blocked`` or ``hidden``, hole by hole.
    corners : tuple of float or None
        Ring positions of front left, front right, back right, back left; a half one is a corner without
        a hole. None on round and oval seats, where the weaver chooses them.
    reflection : int or None
        Hole ``i`` and hole ``reflection - i`` (modulo n) face each other across the centre line; None when
        the seat is not alike left and right.
    mirror_misfit : float
        Root mean square distance of the holes from the mean of hole and mirror image, in pitches.
    shape : str
    in_mm : bool
        Whether positions are millimetres.
    """

    numbers: tuple[int, ...]
    xy_mm: NDArray[np.float64]
    status: tuple[str, ...]
    corners: tuple[float, float, float, float] | None
    reflection: int | None
    mirror_misfit: float
    shape: str
    in_mm: bool

    @property
    def n(self) -> int:
        """Number of holes, hidden ones included."""
        return len(self.numbers)

    @property
    def pitch_mm(self) -> float:
        """Median distance from hole to hole."""
        return float(np.median(np.hypot(*(np.roll(self.xy_mm, -1, axis=0) - self.xy_mm).T)))

    @property
    def perimeter_mm(self) -> float:
        """Length of the hole line."""
        return float(np.hypot(*(np.roll(self.xy_mm, -1, axis=0) - self.xy_mm).T).sum())

    def mirrored_xy_mm(self) -> NDArray[np.float64]:
        """Centres averaged with their mirror images: exactly alike left and right. Needs ``reflection``."""
        assert self.reflection is not None
        other = (self.reflection - np.arange(self.n)) % self.n
        mean_x = float(self.xy_mm[:, 0].mean())
        flipped = self.xy_mm[other] * [-1.0, 1.0] + [2 * mean_x, 0.0]
        return (self.xy_mm + flipped) / 2


def between(start: float, stop: float, n: int) -> list[int]:
    """Holes strictly between two ring positions, going anticlockwise."""
    first = math.floor(start) + 1
    return [(first + k) % n for k in range(math.ceil((stop - start) % n + start) - first)]


def reflect_fit(xy_mm: NDArray[np.float64], reflection: int) -> tuple[float, float]:
    """Best mirror line for holes ``i`` and ``reflection - i``: direction in degrees (0 to 180) and misfit in mm.

    Least squares over lines through the centroid (derived: with z the centred positions as complex
    numbers, the line's doubled angle is the phase of the sum of z_i z_j).
    """
    z = (xy_mm - xy_mm.mean(axis=0)) @ np.array([1, 1j])
    total = complex((z * z[(reflection - np.arange(len(z))) % len(z)]).sum())
    misfit = max(0.0, 2 * float((np.abs(z) ** 2).sum()) - 2 * abs(total)) / len(z)
    return math.degrees(math.atan2(total.imag, total.real)) / 2 % 180.0, math.sqrt(misfit) / 2


def from_measurement(m: Measurement, *, corner_holes: Sequence[int] | None = None) -> Frame:
    """The frame of a measured seat.

    Holes may come clockwise or anticlockwise, in any origin and turn, with or without named rails.

    Parameters
    ----------
    corner_holes : sequence of int, optional
        Numbers of the four corner holes as the worker sees them; they overrule what is found.

    Raises
    ------
    BadInput
        When there are too few holes, the hole line is not closed, or the corner holes make no sense.
    """
    holes = list(m.holes)
    if len(holes) < FEWEST_HOLES:
        raise BadInput(
            f"{m.photo_name} has {len(holes)} holes, too few for the seven-step pattern.",
            f"It takes {FEWEST_HOLES} or more.",
        )
    if m.shape == "rows":
        raise BadInput(f"{m.photo_name} shows rows of holes that do not close to a seat.", "Photograph the whole seat.")
    xy = np.array([[h.x_mm, h.y_mm] for h in holes], float)
    area = float((xy[:, 0] * np.roll(xy[:, 1], -1) - np.roll(xy[:, 0], -1) * xy[:, 1]).sum())
    if area < 0:
        holes, xy = holes[::-1], xy[::-1]
    gaps = np.hypot(*(np.roll(xy, -1, axis=0) - xy).T)
    widest = int(gaps.argmax())
    if gaps[widest] > 0.2 * gaps.sum():
        a, b = holes[widest].number, holes[(widest + 1) % len(holes)].number
        raise BadInput(
            f"The hole line of {m.photo_name} is open between holes {a} and {b}: a rail is missing.",
            "Photograph the whole seat.",
        )
    index = {h.number: i for i, h in enumerate(holes)}
    corners: tuple[float, ...] | None
    if corner_holes is not None:
        if len(set(corner_holes)) != 4 or not set(corner_holes) <= index.keys():
            raise BadInput("The corner holes must be four different hole numbers of this seat.")
        corners = tuple(sorted(float(index[k]) for k in corner_holes))
    elif m.shape in RING_SHAPES:
        corners = None
    else:
        corners = four_corners(xy, [i for i, h in enumerate(holes) if h.corner])
    if corners is not None and any(len(between(corners[k], corners[(k + 1) % 4], len(xy))) < 2 for k in range(4)):
        raise BadInput(
            f"The corner holes of {m.photo_name} leave fewer than two holes on a side.",
            "Name the four corners with --corner-holes.",
        )
    in_mm = m.scale is not None
    names = tuple(h.number for h in holes)
    status = tuple(h.status for h in holes)
    if corners is None:
        return _ring_frame(names, xy, status, m.shape if m.shape in RING_SHAPES else "round", in_mm)
    first = _front_side(corners, xy, [h.rail for h in holes])
    turned = corners[first:] + corners[:first]
    return _cornered_frame(names, xy, status, turned, m.shape if m.shape not in RING_SHAPES else "square", in_mm)


def _front_side(corners: tuple[float, ...], xy: NDArray[np.float64], rails: Sequence[str]) -> int:
    """Which of the four sides is the front: the one named so, else the lowest."""
    sides = [between(corners[k], corners[(k + 1) % 4], len(xy)) for k in range(4)]
    if "front" in rails:
        return max(range(4), key=lambda k: sum(rails[i] == "front" for i in sides[k]))
    return min(range(4), key=lambda k: float(xy[sides[k], 1].mean()) if sides[k] else math.inf)


def _turn(xy: NDArray[np.float64], by_deg: float) -> NDArray[np.float64]:
    c, s = math.cos(math.radians(by_deg)), math.sin(math.radians(by_deg))
    return np.asarray((xy - xy.mean(axis=0)) @ np.array([[c, s], [-s, c]]))


def _cornered_frame(
    names: tuple[int, ...],
    xy: NDArray[np.float64],
    status: tuple[str, ...],
    corners: tuple[float, ...],
    shape: str,
    in_mm: bool,
) -> Frame:
    n = len(names)
    shift = math.floor(corners[0])
    order = [(shift + k) % n for k in range(n)]
    xy, names, status = xy[order], tuple(names[i] for i in order), tuple(status[i] for i in order)
    a, b, c, d = ((p - shift) % n for p in corners)
    point = _corner_points(xy, (a, b, c, d))
    front, back = point[1] - point[0], point[2] - point[3]
    across = front / np.hypot(*front) + back / np.hypot(*back)
    xy = _turn(xy, -math.degrees(math.atan2(across[1], across[0])))
    reflection: int | None = None
    misfit = math.inf
    if (a + b - c - d) % n == 0 and (a + b) % 1 == 0:
        reflection = int(a + b) % n
        line_deg, misfit_mm = reflect_fit(xy, reflection)
        misfit = misfit_mm / float(np.median(np.hypot(*(np.roll(xy, -1, axis=0) - xy).T)))
        if misfit > MIRROR_LIMIT:
            reflection = None
        else:
            xy = _turn(xy, 90.0 - line_deg)
    return Frame(
        numbers=names,
        xy_mm=xy,
        status=status,
        corners=(a, b, c, d),
        reflection=reflection,
        mirror_misfit=misfit,
        shape=shape,
        in_mm=in_mm,
    )


MIRROR_LIMIT = 0.3
"""Share of the pitch by which holes may miss the mean of hole and mirror image (root mean square) and still be alike.

Measured on the sample set, 2026-11: hand-bored seats that are meant to be alike reach 0.05.
"""


def _corner_points(xy: NDArray[np.float64], corners: tuple[float, ...]) -> NDArray[np.float64]:
    n = len(xy)
    return np.array([(xy[math.floor(p) % n] + xy[math.ceil(p) % n]) / 2 for p in corners])


def _ring_frame(
    names: tuple[int, ...], xy: NDArray[np.float64], status: tuple[str, ...], shape: str, in_mm: bool
) -> Frame:
    """A ring turned so that its best mirror line near the y axis is vertical, starting at the front."""
    n = len(names)
    pitch = float(np.median(np.hypot(*(np.roll(xy, -1, axis=0) - xy).T)))
    trust = 3.0 if shape == "round" else 30.0  # Any line mirrors a round ring; only the axes mirror an oval one.
    best, chosen = math.inf, (0, 90.0, 0.0)
    for reflection in range(n):
        line_deg, misfit_mm = reflect_fit(xy, reflection)
        off_deg = abs(line_deg - 90.0)
        cost = trust * misfit_mm / pitch + off_deg / 15.0
        if off_deg <= 45.0 and cost < best - 1e-9:
            best, chosen = cost, (reflection, line_deg, misfit_mm / pitch)
    reflection, line_deg, misfit = chosen
    xy = _turn(xy, 90.0 - line_deg)
    # The mirror line passes the ring at positions reflection / 2 and half a ring farther: the lower one is the front.
    ends = [reflection / 2, (reflection + n) / 2]
    low = min(ends, key=lambda p: float(xy[math.floor(p) % n, 1] + xy[math.ceil(p) % n, 1]))
    shift = math.floor(low)
    order = [(shift + k) % n for k in range(n)]
    return Frame(
        numbers=tuple(names[i] for i in order),
        xy_mm=xy[order],
        status=tuple(status[i] for i in order),
        corners=None,
        reflection=round(2 * (low - shift)) if misfit <= MIRROR_LIMIT else None,
        mirror_misfit=misfit,
        shape=shape,
        in_mm=in_mm,
    )


def from_counts(
    front: int, back: int, left: int, right: int, *, pitch_mm: float | None, wing: str | None = None
) -> Frame:
    """A frame from the holes of each side, corner holes counted on both their sides.

    The seat is drawn with straight rails and holes at the pitch along each rail; the taper follows from
    front and back. ``wing`` (``"left"`` or ``"right"``) keeps that side square to the front, so that all
    the taper is on the other one. Without a pitch, lengths count in pitches.

    Raises
    ------
    BadInput
        When a side has fewer than four holes, or the sides cannot meet.
    """
    for name, count in (("front", front), ("back", back), ("left", left), ("right", right)):
        if count < 4:
            raise BadInput(f"The {name} has {count} holes.", "Each side takes at least 4, corner holes counted.")
    p = pitch_mm or 1.0
    inset = (front - back) * p / 2
    run = max(left, right) - 1
    if wing is None:
        lean_left = lean_right = inset
    else:
        lean_left, lean_right = (0.0, 2 * inset) if wing == "left" else (2 * inset, 0.0)
    slant = max(abs(lean_left), abs(lean_right))
    if slant >= run * p:
        raise BadInput("Front and back differ by more than the sides are long.", "Count again, corner holes included.")
    depth = math.sqrt((run * p) ** 2 - slant**2)
    width = (front - 1) * p
    corner = np.array([[0.0, 0.0], [width, 0.0], [width - lean_right, depth], [lean_left, depth]])
    points = [
        corner[k] + (corner[(k + 1) % 4] - corner[k]) * j / (count - 1)
        for k, count in enumerate((front, right, back, left))
        for j in range(count - 1)
    ]
    n = len(points)
    places = (0.0, float(front - 1), float(front + right - 2), float(front + right + back - 3))
    shape = "square" if front == back else "tapered"
    return _cornered_frame(tuple(range(1, n + 1)), np.array(points), ("open",) * n, places, shape, pitch_mm is not None)


def from_ring(holes: int, *, across_mm: float, deep_mm: float | None = None) -> Frame:
    """A round or oval frame of evenly bored holes, hole 1 at the front, counted anticlockwise.

    ``across_mm`` is the width of the hole line from left to right, ``deep_mm`` from front to back.
    """
    if holes < FEWEST_HOLES:
        raise BadInput(f"A ring of {holes} holes is too small for the pattern.", f"It takes {FEWEST_HOLES} or more.")
    deep = deep_mm or across_mm
    fine = np.linspace(-math.pi / 2, 1.5 * math.pi, 20001)
    line = np.column_stack([across_mm / 2 * np.cos(fine), deep / 2 * np.sin(fine)])
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.arange(holes) * way[-1] / holes
    xy = np.column_stack([np.interp(at, way, line[:, 0]), np.interp(at, way, line[:, 1])])
    names = tuple(range(1, holes + 1))
    shape = "round" if abs(deep - across_mm) < 0.01 * across_mm else "oval"
    return _ring_frame(names, xy, ("open",) * holes, shape, in_mm=True)
