"""Find the rulers in a photograph and hand on where their graduations lie.

Strips of strokes are found (`strips`), their period is followed (`lattice`), the
graduation is read (`graduations`), and here its marks are located to a small part of a
pixel, edges of one ruler are brought together, and all is put as `Reference`.
"""

import math
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.photo import Photo
from holecount.scale.graduations import Attempt, read_graduation
from holecount.scale.lattice import Ruling, follow_strip, rate_strip
from holecount.scale.reference import Reference
from holecount.scale.ruler_edge import (
    Edge,
    EdgeSettings,
    covers,
    edge_of,
    in_frame,
    long_side_px,
    periods_at,
    read_edge,
    read_straightened,
)
from holecount.scale.ruler_opposite import OppositeSettings, opposite_ruling
from holecount.scale.strips import Strip, StripSettings, find_strips
from holecount.scale.strokes import System

Array = NDArray[np.float64]

_WASHED_OUT = 250
"""Coded brightness from which a pixel counts as white (derived: noise of some levels below 255)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RulerSettings:
    """How rulers are looked for, and what is believed of them.

    Attributes
    ----------
    strips, edge, opposite : settings of the stages below
    max_followed : int
        Strips followed at most, for time (3 to 12; measured on the sample set, 2026-11).
    min_blurred_peak, max_blurred : float, int
        Of these, those with a peak this high, and no more of them, are tried again as rulers whose
        millimetres run together (measured on the sample set, 2026-11).
    max_straightened : int
        Where nothing was read, of the strips that were followed the strokes of so many are straightened and
        tried again, those that are explained best (1 to 4; time).
    in_step_mm : float
        Two edges printed alike have their marks opposite each other within this, as far as the
        strokes' lean can tell (measured on the sample set, 2026-11).
    edge_scale_rel : float
        Most by which the scale along a ruler's two edges may differ: 40 mm of width at 35 degrees
        of tilt and 500 mm (derived).
    width_mm : tuple of float
        Least and greatest width of a ruler: 12 to 45 mm (common practice, no source), a little more for slant.
    steel_mm, steel_u_mm : float
        Thickness believed of a grey face: steel rules are 0.5 to 1 mm, some grey or white ones
        are plastic (common practice, no source).
    wood_mm, wood_u_mm : float
        Of a face of strong warm colour: wood 2.5 to 4 mm, plastic 1.5 to 3 mm (common practice, no source).
    other_mm, other_u_mm : float
        Of any other face: anything from steel to wood.
    u_size_steel, u_size_other : float
        Relative error of the graduation itself (from memory: steel rules are good to some 0.1 mm in
        300 mm; wood swells by about one in a thousand).
    washed_out_frac : float
        Share of pure white in the picture from which a ruler is also looked for in each pixel's
        darkest colour (measured on the sample set, 2026-11).
    """

    strips: StripSettings = field(default_factory=StripSettings)
    edge: EdgeSettings = field(default_factory=EdgeSettings)
    opposite: OppositeSettings = field(default_factory=OppositeSettings)
    max_followed: int = 5
    min_blurred_peak: float = 4.2
    max_blurred: int = 3
    max_straightened: int = 2
    in_step_mm: float = 0.6
    edge_scale_rel: float = 0.045
    width_mm: tuple[float, float] = (10.0, 52.0)
    steel_mm: float = 0.9
    steel_u_mm: float = 0.4
    wood_mm: float = 3.0
    wood_u_mm: float = 0.7
    other_mm: float = 2.0
    other_u_mm: float = 1.3
    u_size_steel: float = 0.0003
    u_size_other: float = 0.001
    washed_out_frac: float = 0.006


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    """The second edge of a ruler seen from the first."""

    width_mm: float
    same_way: bool
    offset_mm: float
    """Second edge's zero in the first one's mm, with strokes drawn out straight across."""
    scale_ratio: float
    below: bool


def _pair(a: Edge, b: Edge, settings: RulerSettings) -> _Pair | None:
    """How edge b lies to edge a when both can be one ruler's, else None."""
    turn = math.cos(a.ruling.direction_rad - b.ruling.direction_rad)
    if abs(turn) < math.cos(math.radians(6)):
        return None
    along, below = in_frame(a, b.points_px)
    low, high = max(along.min(), a.along_mm.min()), min(along.max(), a.along_mm.max())
    if high - low < 0.4 * min(np.ptp(along), np.ptp(a.along_mm)):
        return None
    width = float(np.median(below)) / a.px_per_mm * a.graduation.inward
    if not settings.width_mm[0] <= width <= settings.width_mm[1]:
        return None
    # Both must look inwards.
    _, back = in_frame(b, a.points_px)
    if float(np.median(back)) * b.graduation.inward < 0:
        return None
    slope, _ = np.polyfit(b.along_mm * math.copysign(1.0, turn), along, 1)
    return _Pair(
        width_mm=width,
        same_way=turn > 0,
        offset_mm=float(np.median(along - b.along_mm * math.copysign(1.0, turn))),
        scale_ratio=float(slope),
        below=float(np.median(below)) > 0,
    )


def _thickness(edges: list[Edge], settings: RulerSettings) -> tuple[float, float, float]:
    """Height of the face, its uncertainty, and the graduation's relative error, by the face's colour."""
    saturation = float(np.mean([e.saturation for e in edges]))
    if float(np.mean([e.brightness for e in edges])) > 0.97:
        return settings.other_mm, settings.other_u_mm, settings.u_size_other  # washed out: no colour to go by
    if saturation < 0.2:
        return settings.steel_mm, settings.steel_u_mm, settings.u_size_steel
    if saturation > 0.35:
        return settings.wood_mm, settings.wood_u_mm, settings.u_size_other
    return settings.other_mm, settings.other_u_mm, settings.u_size_other


def _words(edges: list[Edge]) -> str:
    names = {"mm": "millimetres", "inch": "inches"}
    return "ruler, " + " and ".join(dict.fromkeys(names[e.graduation.system] for e in edges))


def _outline(edge: Edge, width_mm: float | None) -> Array:
    """Four corners of the graduated part of the face, shape (4, 2)."""
    g, r = edge.graduation, edge.ruling
    ends = r.map.place(periods_at(edge, np.array([edge.along_mm.min(), edge.along_mm.max()])))
    inner = edge.inner_row if width_mm is None else edge.outer_row + g.inward * width_mm * edge.px_per_mm
    corners = []
    for row, order in ((edge.outer_row, (0, 1)), (inner, (1, 0))):
        for i in order:
            x = ends[i] + row * (r.shear[0] + r.shear[1] * (ends[i] - r.map.x0))
            corners.append((x, float(np.polyval(r.line, x)) + row))
    table = np.array(corners)
    return r.to_px(table[:, 0], table[:, 1])


def _single(
    edge: Edge, edges: list[Edge], settings: RulerSettings, width_mm: float | None, notes: tuple[str, ...]
) -> Reference:
    height, u_height, u_size = _thickness(edges, settings)
    return Reference(
        kind="ruler",
        words=_words([edge]),
        points_px=edge.points_px,
        points_mm=np.column_stack([edge.along_mm, np.zeros(len(edge.along_mm))]),
        u_px=edge.u_px,
        height_mm=height,
        u_height_mm=u_height,
        outline_px=_outline(edge, width_mm),
        u_size_rel=u_size,
        row=np.zeros(len(edge.along_mm), np.int64),
        notes=notes,
    )


def _double(a: Edge, b: Edge, pair: _Pair, settings: RulerSettings) -> Reference:
    """Two edges graduated alike and in step: row 0 and row 1 of one reference."""
    # Row 1 lies towards positive y, up in a frame whose x runs with the columns.
    if pair.below:
        a, b = b, a
        turned = _pair(a, b, settings)
        assert turned is not None
        pair = turned
    sign = 1.0 if pair.same_way else -1.0
    step = a.graduation.long_mm
    along_b = b.along_mm * sign + round(pair.offset_mm / step) * step
    height, u_height, u_size = _thickness([a, b], settings)
    return Reference(
        kind="ruler",
        words=_words([a, b]),
        points_px=np.concatenate([a.points_px, b.points_px]),
        points_mm=np.column_stack([np.concatenate([a.along_mm, along_b]), np.zeros(len(a.along_mm) + len(along_b))]),
        u_px=np.concatenate([a.u_px, b.u_px]),
        height_mm=height,
        u_height_mm=u_height,
        outline_px=_outline(a, pair.width_mm),
        u_size_rel=u_size,
        row=np.repeat(np.array([0, 1], np.int64), [len(a.along_mm), len(along_b)]),
        row_offset_mm=(pair.width_mm,),
        u_row_offset_mm=(0.12 * pair.width_mm,),
        notes=("both edges read",),
    )


def _joined(a: Edge, b: Edge) -> Edge | None:
    """Two stretches of one edge, with something lying between them, as one; None when they are not that."""
    step = a.graduation.long_mm
    turn = math.cos(a.ruling.direction_rad - b.ruling.direction_rad)
    if a.graduation.system != b.graduation.system or abs(turn) < math.cos(math.radians(3)):
        return None
    along, below = in_frame(a, b.points_px)
    if abs(float(np.median(below))) > 3.0 * a.px_per_mm or min(along.max(), a.along_mm.max()) > max(
        along.min(), a.along_mm.min()
    ):
        return None
    sign = math.copysign(1.0, turn)
    apart = along - sign * b.along_mm
    offset = float(np.median(apart))
    whole = round(offset / step) * step
    # Carried on over the gap, the first stretch must meet the second's marks far better than half a step.
    if abs(offset - whole) > 0.12 * step or float(np.ptp(apart)) > 0.24 * step:
        return None
    along_mm = np.concatenate([a.along_mm, sign * b.along_mm + whole])
    order = np.argsort(along_mm)
    return replace(
        a,
        points_px=np.concatenate([a.points_px, b.points_px])[order],
        along_mm=along_mm[order],
        u_px=np.concatenate([a.u_px, b.u_px])[order],
    )


def _assemble(edges: list[Edge], settings: RulerSettings) -> list[Reference]:
    """Edges of one ruler together; edges that contradict each other are left out."""
    left = sorted(edges, key=lambda e: -len(e.along_mm) * e.graduation.explained)
    for i, a in enumerate(left):
        for b in left[i + 1 :]:
            both = _joined(a, b)
            if both is not None:
                left[i] = a = both
                left.remove(b)
    references: list[Reference] = []
    while left:
        a = left.pop(0)
        partner: tuple[Edge, _Pair] | None = None
        for b in left:
            pair = _pair(a, b, settings)
            if pair is not None:
                partner = (b, pair)
                break
        if partner is None:
            references.append(_single(a, [a], settings, None, ()))
            continue
        b, pair = partner
        left.remove(b)
        if abs(pair.scale_ratio - 1) > settings.edge_scale_rel:
            continue  # the two edges give different scales: neither is to be trusted
        if a.graduation.system == b.graduation.system:
            step = a.graduation.long_mm
            apart = pair.offset_mm - round(pair.offset_mm / step) * step
            if abs(apart) < settings.in_step_mm:
                references.append(_double(a, b, pair, settings))
                continue
        notes = ("the other edge gives the same scale",)
        references.append(_single(a, [a, b], settings, pair.width_mm, notes))
        references.append(_single(b, [a, b], settings, pair.width_mm, notes))
    return references


def _other_edge(
    photo: Photo,
    grey: NDArray[np.uint8],
    edge: Edge,
    strips: list[Strip],
    system: System | None,
    settings: RulerSettings,
) -> Edge | None:
    """Look for the second graduated edge: along the geometry of the first, or else where a strip was seen."""
    known = settings.edge.graduation
    for opposite in (True, False):
        ruling = opposite_ruling(grey, edge, settings.opposite) if opposite else _beside(grey, edge, strips, settings)
        if ruling is None:
            continue
        attempt = read_graduation(ruling, long_side_px(photo), system, known, edge.px_per_mm)
        other = edge_of(photo, ruling, attempt, settings.edge)
        if other is None:
            other = read_straightened(photo, ruling, attempt, system, settings.edge, edge.px_per_mm)
        if other is not None and _pair(edge, other, settings) is not None:
            return other
    return None


def _beside(grey: NDArray[np.uint8], edge: Edge, strips: list[Strip], settings: RulerSettings) -> Ruling | None:
    """The strokes of the first strip that lies where an edge's second edge may be."""
    low, high = settings.width_mm
    for strip in strips:
        along, below = in_frame(edge, strip.centre_px[None])
        inwards = (float(below[0]) - edge.outer_row) * edge.graduation.inward / edge.px_per_mm
        turn = abs(math.sin(strip.direction_rad - edge.ruling.direction_rad))
        if low - 2 < inwards < high and turn < 0.1 and edge.along_mm.min() < along[0] < edge.along_mm.max():
            return follow_strip(grey, strip, settings.edge.lattice)
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rulers:
    """What was found of rulers.

    Attributes
    ----------
    references : tuple of Reference
        One per ruler, or two (one per edge) when its edges are graduated differently or out of
        step: x runs along the edge in mm from some longest mark, y is zero on each edge's line.
    unread : int
        Rows of regular strokes, as clear as a ruler's, whose units and division could not be told beyond
        doubt. A woven ground can look like that too.
    """

    references: tuple[Reference, ...]
    unread: int


def find_rulers(
    photo: Photo, *, system: System | None = None, settings: RulerSettings | None = None
) -> list[Reference]:
    """The rulers that `look_for_rulers` could read."""
    return list(look_for_rulers(photo, system=system, settings=settings).references)


def look_for_rulers(photo: Photo, *, system: System | None = None, settings: RulerSettings | None = None) -> Rulers:
    """Every ruler lying in the picture, wholly or in part.

    Parameters
    ----------
    photo : Photo
    system : str, optional
        ``mm`` or ``inch``: keep to edges of this graduation.
    settings : RulerSettings, optional

    """
    settings = settings or RulerSettings()
    grey = photo.grey
    edges, unread = _find_edges(photo, grey, None, system, settings)
    if not edges and float((grey[::8, ::8] >= _WASHED_OUT).mean()) > settings.washed_out_frac:
        # On a washed-out face strokes may survive in one colour only.
        darkest = cv2.extractChannel(photo.bgr, 0)
        for channel in (1, 2):
            darkest = cv2.min(darkest, cv2.extractChannel(photo.bgr, channel))
        edges, more = _find_edges(photo, np.asarray(darkest, np.uint8), grey, system, settings)
        unread += more
    return Rulers(references=tuple(_assemble(edges, settings)), unread=0 if edges else unread)


def _find_edges(
    photo: Photo,
    grey: NDArray[np.uint8],
    washed: NDArray[np.uint8] | None,
    system: System | None,
    settings: RulerSettings,
) -> tuple[list[Edge], int]:
    """All graduated edges that can be read in ``grey``, and how many could not be.

    With ``washed`` only where that picture is washed out.
    """
    strips = find_strips(grey, settings.strips)
    if washed is not None:
        strips = [s for s in strips if _mean_near(washed, s.centre_px) >= _WASHED_OUT - 20]
    rated = sorted(((rate_strip(grey, s, settings.edge.lattice), i) for i, s in enumerate(strips[:8])), reverse=True)
    edges: list[Edge] = []
    unread: list[Ruling] = []
    mixed: list[tuple[Ruling, Attempt]] = []
    followed = 0
    enough = settings.edge.lattice.min_peak
    for rating, i in rated:
        if rating < enough or followed >= settings.max_followed:
            break
        if any(covers(e, strips[i].centre_px) for e in edges):
            continue
        followed += 1
        ruling = follow_strip(grey, strips[i], settings.edge.lattice)
        if ruling is None:
            continue
        attempt = read_graduation(ruling, long_side_px(photo), system, settings.edge.graduation)
        edge = edge_of(photo, ruling, attempt, settings.edge)
        if edge is None and attempt.guess is not None:
            mixed.append((ruling, attempt))
        if edge is None and rating >= settings.min_blurred_peak:
            unread.append(ruling)
        if edge is not None and not any(_same_edge(e, edge) for e in edges):
            # A second ruler is about as clear as the first.
            enough = max(enough, 0.55 * rating)
            edges.append(edge)
    if not edges:
        mixed.sort(key=lambda tried: -_explained(tried[1]))
        for ruling, attempt in mixed[: settings.max_straightened]:
            edge = read_straightened(photo, ruling, attempt, system, settings.edge)
            if edge is not None:
                edges.append(edge)
                break
    for edge in list(edges):
        if not any(e is not edge and _pair(edge, e, settings) for e in edges):
            other = _other_edge(photo, grey, edge, strips, system, settings)
            if other is not None and not any(_same_edge(e, other) for e in edges):
                edges.append(other)
    if not edges and system == "mm":
        edges = _blurred_edges(photo, grey, unread, strips, settings)
    return edges, len(unread)


def _explained(attempt: Attempt) -> float:
    """How much of its strokes an attempt's guess explains."""
    return attempt.guess.explained if attempt.guess is not None else 0.0


def _blurred_edges(
    photo: Photo,
    grey: NDArray[np.uint8],
    rulings: list[Ruling],
    strips: list[Strip],
    settings: RulerSettings,
) -> list[Edge]:
    """Edges whose millimetres run together, where the user says that they are millimetres and the other edge agrees.

    Unasked this is not believed: a woven ground may look like it.
    """
    for ruling in rulings[: settings.max_blurred]:
        edge = read_edge(photo, ruling, "mm", settings.edge, blurred=True)
        if edge is None:
            continue
        other = _other_edge(photo, grey, edge, strips, "mm", settings)
        if other is not None:
            pair = _pair(edge, other, settings)
            apart = pair.offset_mm % 10.0 if pair else 5.0
            if min(apart, 10.0 - apart) < settings.in_step_mm:
                return [edge, other]
    return []


def _mean_near(grey: NDArray[np.uint8], px: Array) -> float:
    """Mean brightness of the 31 x 31 pixels round a place."""
    x, y = (int(v) for v in np.rint(px))
    return float(grey[max(0, y - 15) : y + 16, max(0, x - 15) : x + 16].mean())


def _same_edge(a: Edge, b: Edge) -> bool:
    along, below = in_frame(a, b.points_px)
    near = abs(float(np.median(below))) < 7.0 * a.px_per_mm
    overlap = min(along.max(), a.along_mm.max()) - max(along.min(), a.along_mm.min())
    return near and overlap > 0
