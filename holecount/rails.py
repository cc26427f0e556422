"""Order on paper: corners, rails by name, the seat's own axes, its shape.

Takes the places of the holes in order along the line and knows nothing of pictures, except which way
was down in it, for telling front from back when the seat itself does not.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class RailSettings:
    """How corners and shapes are told; own choices where no source is said.

    corner_deg : a turn of this much within two holes on either side is a corner; round seats of 40 holes
        or more turn 36 degrees at most over that stretch (derived), frames' corners 70 and more (sample set).
    one_hole_share : share of the corner's turn that falls on one hole when a hole sits in the corner.
    tapered_ratio : front and back lengths differ by more than this on a tapered seat.
    bowed_share : bow of the front over its length from which it is called bowed.
    round_ratio : longest over shortest way across up to which a ring is called round.
    """

    corner_deg: float = 48.0
    one_hole_share: float = 0.62
    tapered_ratio: float = 1.05
    bowed_share: float = 0.02
    round_ratio: float = 1.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Rail:
    """One rail, as indices into the ordered holes.

    ``holes`` runs along the rail, corner holes at both ends included; ``closed`` for a ring.
    """

    name: str
    holes: tuple[int, ...]
    closed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """The holes in their final order with the seat's own axes.

    Attributes
    ----------
    order : int array, shape (n,)
        Index into the places given, in numbering order: anticlockwise seen from above, from the front's left end.
    rail_of : tuple of str, corner : tuple of bool
        For each hole in the new order; a corner hole goes with the rail it begins.
    rails : tuple of Rail
        Indices into the new order.
    shape : str
        ``square``, ``tapered``, ``bowed``, ``round``, ``oval`` or ``rows``.
    turn : float array, shape (2, 2); origin_mm : float array, shape (2,)
        New millimetres are turn @ (old - origin): x to the right along the front, y to the back.
    """

    order: NDArray[np.int64]
    rail_of: tuple[str, ...]
    corner: tuple[bool, ...]
    rails: tuple[Rail, ...]
    shape: str
    turn: Array
    origin_mm: Array


def find_corners(xy_mm: Array, settings: RailSettings | None = None) -> list[tuple[int, bool]]:
    """Corners of a closed line (n, 2) running anticlockwise: (index, hole in the corner?).

    Without a hole in the corner the index is that of the last hole before it.
    """
    s = settings or RailSettings()
    n = len(xy_mm)
    if n < 12:
        return []
    step = np.roll(xy_mm, -1, axis=0) - xy_mm
    angle = np.arctan2(step[:, 1], step[:, 0])
    turn = (angle - np.roll(angle, 1) + np.pi) % (2 * np.pi) - np.pi  # at hole i
    reach = np.roll(turn, -1) + turn + np.roll(turn, 1)
    # A corner without a hole splits its turn over two neighbours; reach over three covers both cases.
    usual = 2 * np.pi / n * 3
    limit = max(np.radians(s.corner_deg), 1.6 * usual)
    out: list[tuple[int, bool]] = []
    taken = np.zeros(n, bool)
    for i in np.argsort(-np.where(np.abs(reach) > 0, reach + 0.1 * turn, 0)):
        i = int(i)
        if reach[i] < limit or taken[i]:
            continue
        for k in range(-3, 4):
            taken[(i + k) % n] = True
        near = [(i + k) % n for k in (-1, 0, 1)]
        top = max(near, key=lambda q: turn[q])
        if turn[top] >= s.one_hole_share * reach[i]:
            out.append((top, True))
        else:
            pair = max(((i - 1) % n, i), key=lambda q: turn[q] + turn[(q + 1) % n])
            out.append((pair, False))
    return sorted(out)


def lay_out(xy_mm: Array, picture_down: Array, settings: RailSettings | None = None) -> Layout:
    """Name the rails of a closed hole line.

    Parameters
    ----------
    xy_mm : (n, 2) in order round the seat, either way.
    picture_down : (2,) the direction in these millimetres that is down in the picture.
    """
    s = settings or RailSettings()
    n = len(xy_mm)
    area = 0.5 * float(np.sum(xy_mm[:, 0] * np.roll(xy_mm[:, 1], -1) - np.roll(xy_mm[:, 0], -1) * xy_mm[:, 1]))
    order = np.arange(n) if area > 0 else np.arange(n)[::-1]
    xy = xy_mm[order]
    corners = find_corners(xy, s)
    if len(corners) == 4:
        return _four_rails(xy, order, corners, picture_down, s)
    return _ring(xy, order, picture_down, s)


def _ring(xy: Array, order: NDArray[np.int64], down: Array, s: RailSettings) -> Layout:
    n = len(xy)
    centre = (xy.max(axis=0) + xy.min(axis=0)) / 2
    across = [float(np.ptp(xy @ np.array([np.cos(a), np.sin(a)]))) for a in np.linspace(0, np.pi, 36, endpoint=False)]
    shape = "round" if max(across) / min(across) <= s.round_ratio else "oval"
    y_axis = -down / np.hypot(*down)
    turn = np.array([[y_axis[1], -y_axis[0]], [y_axis[0], y_axis[1]]])
    new = (xy - centre) @ turn.T
    first = int(np.argmin(np.abs(new[:, 0]) + np.where(new[:, 1] < 0, 0, 1e6)))
    order = np.roll(order, -first)
    return Layout(
        order=order,
        rail_of=("ring",) * n,
        corner=(False,) * n,
        rails=(Rail(name="ring", holes=tuple(range(n)), closed=True),),
        shape=shape,
        turn=turn,
        origin_mm=centre,
    )


def _four_rails(
    xy: Array, order: NDArray[np.int64], corners: list[tuple[int, bool]], down: Array, s: RailSettings
) -> Layout:
    n = len(xy)
    spans = []
    for k, (i, _) in enumerate(corners):
        j, with_hole = corners[(k + 1) % 4]
        start = i if corners[k][1] else (i + 1) % n
        count = (j - start) % n + 1
        spans.append([(start + q) % n for q in range(count)])
        del with_hole
    length = [float(np.hypot(*(xy[p[-1]] - xy[p[0]]))) for p in spans]
    bow = [_bow(xy[p]) for p in spans]
    front = _front(xy, spans, length, bow, down, s)
    spans = spans[front:] + spans[:front]
    corner_at = {c for c, with_hole in corners if with_hole}
    first = spans[0][0]
    new_index = {int((first + q) % n): q for q in range(n)}
    names = ("front", "right", "back", "left")
    rail_of = [""] * n
    for name, span in zip(names, spans, strict=True):
        for q, hole in enumerate(span):
            at = new_index[hole]
            if q < len(span) - 1 or hole not in corner_at:
                rail_of[at] = name
    for name, span in zip(names, spans, strict=True):
        rail_of[new_index[span[0]]] = name
    lengths = length[front:] + length[:front]
    bows = bow[front:] + bow[:front]
    if bows[0] > s.bowed_share:
        shape = "bowed"
    elif max(lengths[0], lengths[2]) / max(min(lengths[0], lengths[2]), 1e-9) > s.tapered_ratio:
        shape = "tapered"
    else:
        shape = "square"
    x_axis = xy[spans[0][-1]] - xy[spans[0][0]]
    x_axis = x_axis / np.hypot(*x_axis)
    turn = np.array([[x_axis[0], x_axis[1]], [-x_axis[1], x_axis[0]]])
    rotated = xy @ turn.T
    centre = turn.T @ ((rotated.max(axis=0) + rotated.min(axis=0)) / 2)
    return Layout(
        order=np.roll(order, -first),
        rail_of=tuple(rail_of),
        corner=tuple(int((first + q) % n) in corner_at for q in range(n)),
        rails=tuple(
            Rail(name=name, holes=tuple(new_index[h] for h in span)) for name, span in zip(names, spans, strict=True)
        ),
        shape=shape,
        turn=turn,
        origin_mm=centre,
    )


def _bow(xy: Array) -> float:
    """Signed bow of a rail to its right-hand side (outwards on an anticlockwise line) over its length."""
    chord = xy[-1] - xy[0]
    length = float(np.hypot(*chord))
    if length <= 0 or len(xy) < 4:
        return 0.0
    off = ((xy - xy[0]) @ np.array([chord[1], -chord[0]])) / length
    middle = off[len(xy) // 4 : len(xy) - len(xy) // 4]
    return float(np.median(middle)) / length


def _front(
    xy: Array, spans: Sequence[Sequence[int]], length: list[float], bow: list[float], down: Array, s: RailSettings
) -> int:
    """Which rail is the front: a bowed one, else the longer of a tapered pair, else the lowest in the picture."""
    top = int(np.argmax(bow))
    if bow[top] > s.bowed_share and bow[top] > 2 * sorted(bow)[-2]:
        return top
    ratio = [length[k] / max(length[(k + 2) % 4], 1e-9) for k in range(4)]
    best = int(np.argmax(ratio))
    if ratio[best] > s.tapered_ratio:
        return best
    centre = xy.mean(axis=0)
    return int(np.argmax([float((xy[list(p)].mean(axis=0) - centre) @ down) for p in spans]))


def rows_layout(rows: Sequence[int], xy_mm: Array, picture_down: Array) -> Layout:
    """Layout of separate open rows: ``rows`` are their lengths, holes given row after row."""
    names: list[str] = []
    rails: list[Rail] = []
    at = 0
    for k, n in enumerate(rows):
        names += [f"row {k + 1}"] * n
        rails.append(Rail(name=f"row {k + 1}", holes=tuple(range(at, at + n))))
        at += n
    y_axis = -picture_down / np.hypot(*picture_down)
    return Layout(
        order=np.arange(at),
        rail_of=tuple(names),
        corner=(False,) * at,
        rails=tuple(rails),
        shape="rows",
        turn=np.array([[y_axis[1], -y_axis[0]], [y_axis[0], y_axis[1]]]),
        origin_mm=xy_mm.mean(axis=0) if at else np.zeros(2),
    )
