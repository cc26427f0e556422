"""Scale given by hand: a known length between two points, or the four corners of a known rectangle.

Points are pixels (x, y) of the upright picture.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holecount.lengths import parse_length_mm
from holecount.scale.known_objects import KnownObject, known_objects, rectangle
from holecount.scale.reference import Reference
from holecount.troubles import BadInput

Point = tuple[float, float]

LEAST_MM, MOST_MM = 1.0, 10_000.0
"""Lengths beyond these are slips of the pen (own choice; seats are below 1000 mm)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ByHandSettings:
    """How well points placed by hand are known.

    Attributes
    ----------
    u_point_px : float
        One standard uncertainty of a placed point along each axis: a person clicking in an enlarged
        picture hits a mark to about a pixel. Sane: 0.3 to 3. Common practice, no source.
    u_length_mm : float
        One standard uncertainty of a stated length: read to the nearest half millimetre at both ends,
        0.5 mm / sqrt(12) each, both together 0.2 mm. Derived.
    length_height_mm, rectangle_height_mm, u_height_mm : float
        Of the marked points above the holes' rims. A length is told between two holes or marks on the wood itself,
        seldom on a thin rule (0.8 mm); a rectangle is a sheet (0.1 mm) or a card (0.8 mm). Own choice between these.
    least_apart_px : float
        Two points nearer than this to one another are a slip of the hand. Own choice.
    """

    u_point_px: float = 1.0
    u_length_mm: float = 0.2
    length_height_mm: float = 0.0
    rectangle_height_mm: float = 0.4
    u_height_mm: float = 0.4
    least_apart_px: float = 10.0


def length_between(
    first_px: Point, second_px: Point, length_mm: float, settings: ByHandSettings | None = None
) -> Reference:
    """Make a known length between two points a reference of kind ``length``.

    Raises
    ------
    ValueError
        When the points are nearly the same or the length cannot be meant.
    """
    s = settings or ByHandSettings()
    _check_length(length_mm)
    points = _points((first_px, second_px), s)
    return Reference(
        kind="length",
        words=f"{length_mm:g} mm between two points, by hand",
        points_px=points,
        points_mm=np.array([[0.0, 0.0], [length_mm, 0.0]]),
        u_px=np.full(2, s.u_point_px),
        height_mm=s.length_height_mm,
        u_height_mm=s.u_height_mm,
        outline_px=points,
        u_size_rel=s.u_length_mm / length_mm,
        by_hand=True,
    )


def rectangle_at(
    corners_px: Sequence[Point],
    width_mm: float,
    depth_mm: float,
    *,
    words: str | None = None,
    settings: ByHandSettings | None = None,
) -> Reference:
    """Make four corners of a known rectangle a reference of kind ``rectangle``.

    Parameters
    ----------
    corners_px : four points, in order round the rectangle, either way; the first two are ``width_mm`` apart.
    width_mm, depth_mm : float
        Sides in mm.
    words : what it is, for people.

    Raises
    ------
    ValueError
        When there are not four corners, or they do not go round a convex figure.
    """
    s = settings or ByHandSettings()
    _check_length(width_mm)
    _check_length(depth_mm)
    if len(corners_px) != 4:
        raise ValueError(f"a rectangle has four corners, not {len(corners_px)}")
    points = _points(corners_px, s)
    sides = np.roll(points, -1, axis=0) - points
    turns = sides[:, 0] * np.roll(sides[:, 1], -1) - sides[:, 1] * np.roll(sides[:, 0], -1)
    if not (np.all(turns > 0) or np.all(turns < 0)):
        raise ValueError("the four corners must be given in order round the rectangle")
    # Millimetres run x right, y up as seen from above; in pixels y runs down, so a figure that turns
    # clockwise on the screen (positive turns) has to turn clockwise in millimetres too.
    y = -depth_mm if turns[0] > 0 else depth_mm
    return Reference(
        kind="rectangle",
        words=words or f"rectangle {width_mm:g} x {depth_mm:g} mm, corners by hand",
        points_px=points,
        points_mm=np.array([[0.0, 0.0], [width_mm, 0.0], [width_mm, y], [0.0, y]]),
        u_px=np.full(4, s.u_point_px),
        height_mm=s.rectangle_height_mm,
        u_height_mm=s.u_height_mm,
        outline_px=points,
        u_size_rel=s.u_length_mm / max(width_mm, depth_mm),
        by_hand=True,
    )


def parse_between(text: str, settings: ByHandSettings | None = None) -> Reference:
    """Read ``X1,Y1,X2,Y2=LENGTH``, such as ``210,300,1410,312.5=100mm``; `ValueError` says what is wrong."""
    points, length = _split(text, 2, "X1,Y1,X2,Y2=LENGTH, such as 210,300,1410,312=100mm")
    return length_between(points[0], points[1], parse_length_mm(length), settings)


def parse_corners(text: str, settings: ByHandSettings | None = None) -> Reference:
    """Read ``X1,Y1,...,X4,Y4=WxH``, such as ``10,10,110,12,108,80,9,79=85.6x53.98mm``; raises like `parse_between`."""
    points, size = _split(text, 4, "X1,Y1,X2,Y2,X3,Y3,X4,Y4=WxH, such as 10,10,110,12,108,80,9,79=85.6x53.98mm")
    width_mm, depth_mm = parse_size_mm(size)
    return rectangle_at(points, width_mm, depth_mm, settings=settings)


def parse_size_mm(text: str, *, default_unit: str | None = None) -> tuple[float, float]:
    """Read ``WxH``, such as ``85.6x53.98mm`` or ``4 in x 2 in``; returns both in mm.

    Raises
    ------
    ValueError
        When it is no such size. A unit on the second length serves for the first; ``default_unit`` for both.
    """
    parts = re.split(r"\s*[x×]\s*", text.strip(), maxsplit=1, flags=re.IGNORECASE)
    if len(parts) != 2:
        raise ValueError(f"'{text}' is not a size; write it like 85.6x53.98mm or 4x2in")
    unit = re.search(r"(mm|cm|inches|inch|in|\"|″|'')\s*$", parts[1], re.IGNORECASE)
    first = parts[0] if re.search(r"[^\d\s.,/]", parts[0]) or not unit else parts[0] + unit[1]
    return parse_length_mm(first, default_unit=default_unit), parse_length_mm(parts[1], default_unit=default_unit)


def parse_object(text: str) -> KnownObject:
    """What lies on the frame, as typed: the name of a known object, or the size ``WxH`` of a rectangle, mm unless told.

    Raises
    ------
    ValueError
        When it is neither.
    """
    known = known_objects().get(text.strip().lower())
    if known is not None:
        return known
    try:
        return rectangle(*parse_size_mm(text, default_unit="mm"))
    except ValueError as e:
        raise ValueError(f"{e}, or one of: {', '.join(known_objects())}") from e


def require_inside(reference: Reference, width_px: int, height_px: int) -> None:
    """Refuse points that do not lie in the picture.

    Of a rectangle that is partly cut off, up to two corners may lie beyond the edge, where its sides, drawn on, would
    meet; its middle has to be in the picture.

    Raises
    ------
    BadInput
        With the point that lies outside.
    """
    outside = ~_inside(reference.points_px, width_px, height_px)
    if not outside.any():
        return
    x, y = reference.points_px[int(outside.argmax())]
    hint = "Count pixels in the upright picture, from its top left corner."
    if reference.kind == "rectangle":
        if outside.sum() <= 2 and _inside(reference.points_px.mean(axis=0)[None], width_px, height_px)[0]:
            return
        hint = "Two corners and the middle have to be in the picture; or give a length between two marks that are."
    raise BadInput(f"The point {x:g},{y:g} lies outside the picture, which has {width_px} x {height_px} pixels.", hint)


def less_sure_beyond_edge(reference: Reference, width_px: int, height_px: int) -> Reference:
    """The reference with corners beyond the edge as uncertain as drawing on a side from its seen part makes them.

    Of a side, the part v in the picture is seen and the part e beyond is not: points known to u at both ends of v fix
    the line at its far end to u sqrt((1 + e/v)^2 + (e/v)^2) (derived). Of a corner's two sides the worse one counts.
    Where the neighbour lies beyond the edge too, the side between is not seen and the corner may be anywhere beyond it.
    """
    outside = ~_inside(reference.points_px, width_px, height_px)
    if reference.kind != "rectangle" or not outside.any():
        return reference
    points, u_px, n = reference.points_px, reference.u_px.copy(), len(reference.u_px)
    for k in np.nonzero(outside)[0]:
        for other in ((k - 1) % n, (k + 1) % n):
            if outside[other]:
                continue
            side_px = float(np.hypot(*(points[k] - points[other])))
            seen = max(_seen_share(points[other], points[k], width_px, height_px), 0.02)
            u_px[k] = max(u_px[k], reference.u_px[k] * math.hypot(1 / seen, (1 - seen) / seen))
            if outside[(k - 1) % n] or outside[(k + 1) % n]:
                u_px[k] = max(u_px[k], (1 - seen) * side_px)
    return replace(reference, u_px=u_px)


def _inside(points_px: NDArray[np.float64], width_px: int, height_px: int) -> NDArray[np.bool_]:
    """Which points (n, 2) lie in the picture."""
    return np.asarray(((points_px >= -0.5) & (points_px <= np.array([width_px, height_px]) - 0.5)).all(axis=1))


def _seen_share(inside: NDArray[np.float64], outside: NDArray[np.float64], width_px: int, height_px: int) -> float:
    """Share of the way from a point in the picture to one beyond its edge that lies in the picture."""
    way = outside - inside
    low, high = np.array([-0.5, -0.5]), np.array([width_px, height_px]) - 0.5
    edge = np.where(way > 0, high, low)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(way != 0, (edge - inside) / way, np.inf)
    return float(np.clip(share.min(), 0.0, 1.0))


def _split(text: str, n_points: int, pattern: str) -> tuple[list[Point], str]:
    """Points before the sign =, and what follows it."""
    before, equals, after = text.partition("=")
    try:
        numbers = [float(n) for n in before.split(",")]
    except ValueError:
        numbers = []
    if not equals or len(numbers) != 2 * n_points or not all(map(math.isfinite, numbers)):
        raise ValueError(f"'{text}' is not of the form {pattern}")
    return list(zip(numbers[::2], numbers[1::2], strict=True)), after


def _points(points_px: Sequence[Point], s: ByHandSettings) -> NDArray[np.float64]:
    points = np.asarray(points_px, np.float64).reshape(-1, 2)
    if not np.isfinite(points).all():
        raise ValueError("a point has no place")
    for i in range(len(points)):
        for j in range(i):
            if float(np.hypot(*(points[i] - points[j]))) < s.least_apart_px:
                raise ValueError(f"two of the points are less than {s.least_apart_px:g} pixels apart")
    return points


def _check_length(length_mm: float) -> None:
    if not LEAST_MM <= length_mm <= MOST_MM:
        raise ValueError(f"{length_mm:g} mm is no length to be seen on a seat ({LEAST_MM:g} mm to {MOST_MM:g} mm)")
