"""One graduated edge of a ruler: read, and its marks located to a small part of a pixel."""

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from holecount.photo import Photo
from holecount.scale.graduations import (
    Attempt,
    Graduation,
    GraduationSettings,
    is_halved,
    read_graduation,
    seen_stretch,
)
from holecount.scale.lattice import LatticeSettings, Ruling, fit_period_map
from holecount.scale.stroke_places import Places, PlaceSettings, locate, smooth
from holecount.scale.strokes import System, unroll

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeSettings:
    """How an edge is read and measured.

    Attributes
    ----------
    lattice, graduation, places : settings of the stages below
    u_floor_px : float
        Least uncertainty of a place along the edge.
    settled_px : float
        Places are taken again along the better geometry until none moves by more (four times at most),
        or by twice as much across, or leans by a twentieth of it per row.
    straightened : int
        How often strokes that cannot be read are straightened and tried again (0 to 3).
    straight_start_px : float
        Within so many rows straightened strokes of all lengths must begin (1 to 4): an edge is sharp; a weave
        that passed for strokes began within 10.

    All values: measured on the sample set, 2026-11.
    """

    lattice: LatticeSettings = field(default_factory=LatticeSettings)
    graduation: GraduationSettings = field(default_factory=GraduationSettings)
    places: PlaceSettings = field(default_factory=PlaceSettings)
    u_floor_px: float = 0.03
    settled_px: float = 0.15
    straightened: int = 2
    straight_start_px: float = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edge:
    """One graduated edge, measured.

    Attributes
    ----------
    ruling, graduation : as read
    points_px : float array, shape (n, 2)
    along_mm : float array, shape (n,)
        Along the ruler, growing with the cut's columns; zero is any longest mark.
    u_px : float array, shape (n,)
    px_per_mm : float
        Along the edge, in its middle.
    outer_row, inner_row : float
        Rows below the line where the strokes start and where the longest end.
    saturation, brightness : float
        Of the face between the strokes, 0 to 1.
    """

    ruling: Ruling
    graduation: Graduation
    points_px: Array
    along_mm: Array
    u_px: Array
    px_per_mm: float
    outer_row: float
    inner_row: float
    saturation: float
    brightness: float


def _bend(x: Array, y: Array) -> tuple[Array, float]:
    """A straight line, or a parabola where it is clearly better, robustly; and the spread of the points about it."""
    middle, half = float(0.5 * (x.min() + x.max())), float(0.5 * np.ptp(x))
    t = (x - middle) / half
    powers = np.stack([np.ones_like(t), t, t * t], axis=1)
    fits: list[tuple[Array, float]] = []
    for terms in (2, 3):
        weight = np.ones_like(x)
        design = powers[:, :terms]
        p: Array = np.zeros(terms)
        left = y
        for _ in range(4):
            weighted = (design * weight[:, None]).T
            p = np.asarray(np.linalg.solve(weighted @ design, weighted @ y), np.float64)
            left = y - design @ p
            scale = max(1.4826 * float(np.median(np.abs(left))), 1e-3)
            weight = 1 / (1 + (left / (2 * scale)) ** 2) ** 2
        spread = math.sqrt(float((weight * left**2).sum() / weight.sum()) * len(x) / max(1, len(x) - terms))
        fits.append((p, spread))
    best = 1 if len(x) >= 8 and len(x) * (1 - (fits[1][1] / max(fits[0][1], 1e-9)) ** 2) > 8 else 0
    spread = fits[best][1]
    a, b, c = (float(v) for v in np.append(fits[best][0], [0.0] * (1 - best)))
    # From t back to x.
    slope, bow = b / half, c / half**2
    return np.array([bow, slope - 2 * bow * middle, a - slope * middle + bow * middle**2]), spread


def across_scale(rate: Array) -> Array:
    """Picture scale across the edge against its median, from that along it: depth enters once instead of twice."""
    return np.asarray(np.sqrt(float(np.median(rate)) / rate))


def _refined(ruling: Ruling, g: Graduation, places: Places, stretch: tuple[float, float]) -> Ruling:
    """The ruling with its geometry bent to the measured places, its line through their pivot, a long period longer."""
    column = ruling.map.place(places.periods)
    rate = ruling.map.rate(column)
    lean = ruling.shear[0] + ruling.shear[1] * (column - ruling.map.x0)
    # The cut is taken along strokes: on the pivot row a stroke stands off its foot by the lean.
    x = column + places.shift / rate + places.pivot_row * lean
    lower = (places.pivot_row - places.level_row) * across_scale(np.abs(rate))
    row = np.polyval(ruling.line, x) + places.level_row + places.drop_px + lower
    slant = lean + places.slant
    x0 = float(0.5 * (x[0] + x[-1]))
    reach = float(0.5 * abs(x[-1] - x[0]))
    period_map = fit_period_map(x, places.periods, 1 / np.maximum(places.u_shift, 1e-3), x0, reach, len(x) >= 7)
    line = _bend(x, row)[0]
    lean_fit = np.polyfit(x - x0, slant, 1, w=1 / np.maximum(places.u_slant, 1e-3))
    ends = np.sort(period_map.place(np.array([stretch[0] - g.periods, stretch[1] + g.periods])))
    return replace(
        ruling,
        map=period_map,
        line=line,
        shear=lean_fit[::-1].copy(),
        first_column=float(max(0.0, ends[0])),
        last_column=float(min(ruling.cut.shape[1] - 1.0, ends[1])),
    )


def _lowered(g: Graduation, rows: float) -> Graduation:
    """The same graduation told from a line that lies ``rows`` lower."""
    ranks = tuple(replace(r, first_row=r.first_row - rows, last_row=r.last_row - rows) for r in g.ranks)
    return replace(g, ranks=ranks)


def _points(ruling: Ruling, places: Places, settings: EdgeSettings) -> tuple[Array, Array]:
    """Full-picture px (n, 2) of the places and one standard uncertainty (n,) of each.

    They lie on one line along the edge, at the middle of the strokes.
    """
    column = ruling.map.place(places.periods)
    rate = np.abs(ruling.map.rate(column))
    lean = ruling.shear[0] + ruling.shear[1] * (column - ruling.map.x0)
    # Along, each place is its own; across, the edge is straight but for distortion.
    bend, spread = _bend(column, places.drop_px)
    # Neighbouring places are misled alike by what lies beside the ruler: half of them count.
    u_drop = spread * math.sqrt(2 * 3 / len(column))
    left = places.shift - smooth(places.periods, places.shift)
    scatter = float(np.sqrt((left**2).sum() / max(1, len(left) - 4)))
    u_along = np.sqrt(0.5 * (places.u_shift**2 + scatter**2)) / rate
    below = places.level_row + (places.pivot_row - places.level_row) * across_scale(rate)
    x = column + places.shift / rate + below * lean
    u_px = np.sqrt(u_along**2 + u_drop**2 + settings.u_floor_px**2)
    return ruling.to_px(x, np.polyval(ruling.line, x) + below + np.polyval(bend, column)), np.asarray(u_px)


def _face(photo: Photo, ruling: Ruling, g: Graduation, first: float, last: float) -> tuple[float, float]:
    """Saturation and brightness of the face where only the longest strokes reach, 0 to 1."""
    reach = [r.last_row if g.inward > 0 else r.first_row for r in g.ranks[:2]]
    rows = np.linspace(reach[1], reach[0], 5)[1:-1]
    columns = ruling.map.place(np.asarray(np.linspace(first, last, 80)[2:-2], np.float64))
    x = np.tile(columns, len(rows))
    y = np.asarray(np.polyval(ruling.line, x) + np.repeat(rows, len(columns)), np.float64)
    px = np.rint(ruling.to_px(x, y)).astype(np.int64)
    inside = (px[:, 0] >= 0) & (px[:, 0] < photo.width_px) & (px[:, 1] >= 0) & (px[:, 1] < photo.height_px)
    if not inside.any():
        return 0.5, 0.5
    colour = photo.bgr[px[inside, 1], px[inside, 0]].astype(np.float64)
    face = np.median(colour[colour.sum(axis=1) >= np.median(colour.sum(axis=1))], axis=0)
    top = float(face.max())
    return (top - float(face.min())) / max(top, 1.0), top / 255.0


def read_edge(
    photo: Photo,
    ruling: Ruling,
    system: System | None,
    settings: EdgeSettings,
    px_per_mm: float | None = None,
    blurred: bool = False,
) -> Edge | None:
    """Read a ruling's graduation and locate its marks; None when either fails.

    Parameters
    ----------
    photo : Photo
    ruling : Ruling
    system : str or None
        Keep to ``mm`` or ``inch``.
    settings : EdgeSettings
    px_per_mm, blurred
        As in `read_graduation`.
    """
    attempt = read_graduation(ruling, long_side_px(photo), system, settings.graduation, px_per_mm, blurred)
    return edge_of(photo, ruling, attempt, settings)


def long_side_px(photo: Photo) -> int:
    """The picture's longer side."""
    return max(photo.width_px, photo.height_px)


def read_straightened(
    photo: Photo,
    ruling: Ruling,
    attempt: Attempt,
    system: System | None,
    settings: EdgeSettings,
    px_per_mm: float | None = None,
) -> Edge | None:
    """Read an edge whose strokes are mixed because their geometry was not known well enough.

    The strokes are straightened by whatever repeats in them, and read again. As this is a further chance
    for what is no ruler too, straight strokes must also begin together, at an edge.

    Parameters
    ----------
    attempt : Attempt
        What reading the ruling as it was followed gave.
    """
    for _ in range(settings.straightened):
        straighter = _straightened(ruling, attempt, settings)
        if straighter is None:
            return None
        ruling = straighter
        attempt = read_graduation(ruling, long_side_px(photo), system, settings.graduation, px_per_mm)
        g = attempt.reading
        if g is not None:
            starts = [r.first_row if g.inward > 0 else -r.last_row for r in g.ranks]
            return edge_of(photo, ruling, attempt, settings) if np.ptp(starts) <= settings.straight_start_px else None
    return None


def _straightened(ruling: Ruling, attempt: Attempt, settings: EdgeSettings) -> Ruling | None:
    """The ruling along the geometry of an attempt's guess; None when that gives none."""
    if attempt.band is None or attempt.guess is None:
        return None
    places = locate(attempt.band, attempt.guess, settings.places)
    if places is None:
        return None
    return _refined(ruling, attempt.guess, places, seen_stretch(attempt.band, attempt.guess))


def edge_of(photo: Photo, ruling: Ruling, attempt: Attempt, settings: EdgeSettings) -> Edge | None:
    """The edge of a ruling whose graduation was read, with its marks located; None when either failed."""
    band, g = attempt.band, attempt.reading
    if band is None or g is None:
        return None
    step = round(float(band.rows[1] - band.rows[0]))
    places = locate(band, g, settings.places)
    if places is None:
        return None
    # Again along the better geometry, until it stays.
    for _ in range(4):
        ruling = _refined(ruling, g, places, seen_stretch(band, g))
        g = _lowered(g, places.pivot_row)
        deepest = max(max(-r.first_row, r.last_row) for r in g.ranks[1:])
        band = unroll(ruling, round(deepest) + 3 * step, step)
        places = locate(band, g, settings.places)
        if places is None:
            return None
        moved = max(
            float(np.abs(places.shift).max()) * band.px_per_period,
            0.5 * float(np.abs(places.drop_px).max()),
            20 * abs(float(np.mean(places.slant))),
        )
        if moved < settings.settled_px:
            break
    if is_halved(ruling, g, settings.graduation):
        return None
    points_px, u_px = _points(ruling, places, settings)
    first, last = seen_stretch(band, g)
    rate = float(ruling.map.rate(ruling.map.place(np.array([0.5 * (first + last)])))[0])
    saturation, brightness = _face(photo, ruling, g, first, last)
    edges = [r.first_row if g.inward > 0 else r.last_row for r in g.ranks]
    return Edge(
        ruling=ruling,
        graduation=g,
        points_px=points_px,
        along_mm=(places.periods - places.centre - g.origin - g.phase) / g.periods * g.long_mm,
        u_px=u_px,
        px_per_mm=g.periods / rate / g.long_mm,
        outer_row=float(np.median(edges)),
        inner_row=g.ranks[0].last_row if g.inward > 0 else g.ranks[0].first_row,
        saturation=saturation,
        brightness=brightness,
    )


def in_frame(edge: Edge, px: Array) -> tuple[Array, Array]:
    """Points (n, 2) in an edge's own terms: mm along its marks (strokes drawn out straight) and rows below its line."""
    r = edge.ruling
    c, s = math.cos(r.direction_rad), math.sin(r.direction_rad)
    d = px - r.origin_px
    column, row = d @ np.array([c, s]), d @ np.array([-s, c])
    below = row - np.polyval(r.line, column)
    foot = column - below * (r.shear[0] + r.shear[1] * (column - r.map.x0))
    foot = column - below * (r.shear[0] + r.shear[1] * (foot - r.map.x0))
    g = edge.graduation
    along = (r.map.periods(foot) - g.origin - g.phase) / g.periods * g.long_mm
    return np.asarray(along), np.asarray(below)


def covers(edge: Edge, px: Array) -> bool:
    """Whether a place lies in the band of strokes already read."""
    along, below = in_frame(edge, px[None])
    inwards = (float(below[0]) - edge.outer_row) * edge.graduation.inward / edge.px_per_mm
    return bool(edge.along_mm.min() - 20 < along[0] < edge.along_mm.max() + 20 and -4.0 < inwards < 7.5)


def periods_at(edge: Edge, along_mm: Array) -> Array:
    """Periods of the ruling at places along the ruler."""
    g = edge.graduation
    return along_mm / g.long_mm * g.periods + g.origin + g.phase
