"""The marked photograph: every hole ringed and numbered, legible on a phone.

Nothing is told by colour alone: rails carry their names, and doubtful, blocked and hidden holes
have shapes of their own.
"""

import re
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.holes.hole import Hole
from holecount.measurement import Measurement
from holecount.photo import Photo
from holecount.troubles import Trouble

Colour = tuple[int, int, int]
"""Blue, green, red."""

SUFFIXES = (".jpg", ".jpeg", ".png")
"""File name endings a marked photograph can have."""

RAIL_COLOURS: dict[str, Colour] = {
    "front": (253, 134, 30),
    "right": (46, 255, 255),
    "back": (200, 168, 212),
    "left": (158, 222, 30),
    "ring": (253, 134, 30),
}
"""Azure, yellow, pink, green. Light, because each is drawn over a dark edge, and as far apart in the
common kinds of colour blindness as a search found them: a test reckons their distances. Own choice."""

DOUBT_COLOUR: Colour = (46, 60, 255)
SCALE_COLOUR: Colour = (255, 255, 255)
DARK: Colour = (25, 25, 25)
LIGHT: Colour = (250, 250, 250)
"""Of doubtful marks, of references, of the edge under every line, and of numbers. Own choice, as above."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OverlaySettings:
    """How the marked photograph is drawn. Own choices, looked at on a phone-sized screen.

    Attributes
    ----------
    longest_px : int
        Long side of the drawn picture; larger photographs are made smaller.
    readable_pitch_px : float
        Pitch below which numbers cannot be read: smaller photographs are enlarged up to it.
    ring_clearance : float
        Radius of the ring over that of the hole, so that the rim stays in sight.
    margin_frac : float
        Surroundings kept round the holes and references, as a share of their extent.
    jpeg_quality : int
        0 to 100.
    """

    longest_px: int = 2400
    readable_pitch_px: float = 48.0
    ring_clearance: float = 1.25
    margin_frac: float = 0.12
    jpeg_quality: int = 88


_SHIFT = 4
"""Binary digits behind the point of the coordinates OpenCV draws with."""

_CAPITALS = 21.0
"""Height in pixels of OpenCV's FONT_HERSHEY_SIMPLEX capitals at size 1, as ``cv2.getTextSize`` has it."""

_ENDS = np.linspace(0, 2 * np.pi, 49)
_CIRCLE = np.column_stack([np.cos(_ENDS), np.sin(_ENDS)])[:-1]


def draw_marked(photo: Photo, m: Measurement, settings: OverlaySettings | None = None) -> NDArray[np.uint8]:
    """Draw the measurement over its photograph.

    Returns
    -------
    uint8 array, shape (rows, columns, 3)
        Blue first; the part of the photograph round the seat, made smaller or larger, with a key below it.
    """
    s = settings or OverlaySettings()
    x0, y0, x1, y1 = _part(photo, m, s)
    factor = _zoom(max(x1 - x0, y1 - y0), m, s)
    size = (max(1, round((x1 - x0) * factor)), max(1, round((y1 - y0) * factor)))
    way = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    picture = np.asarray(cv2.resize(photo.bgr[y0:y1, x0:x1], size, interpolation=way), np.uint8)
    pen = _Pen(picture=picture, corner=(x0, y0), factor=factor, width=max(2, round(max(size) / 850)))
    if m.scale is not None:
        for r in m.scale.references:
            if r.outline_px:
                pen.outline(np.array(r.outline_px, float), r.words, [(h.x_px, h.y_px) for h in m.holes])
    if m.holes:
        _draw_holes(pen, m, s)
    return np.asarray(np.vstack([picture, _key(m, size[0], pen.width)]), np.uint8)


def encode(picture: NDArray[np.uint8], suffix: str, settings: OverlaySettings | None = None) -> bytes:
    """The picture as a file's bytes; ``suffix`` is one of `SUFFIXES`."""
    s = settings or OverlaySettings()
    kind = ".png" if suffix.lower() == ".png" else ".jpg"
    how = [int(cv2.IMWRITE_JPEG_QUALITY), s.jpeg_quality] if kind == ".jpg" else []
    done, data = cv2.imencode(kind, picture, how)
    if not done:
        raise Trouble("The marked photograph could not be made.", "Choose another format: .jpg or .png.")
    return bytes(data.tobytes())


def _part(photo: Photo, m: Measurement, s: OverlaySettings) -> tuple[int, int, int, int]:
    """Columns and rows of the photograph that are drawn: x0 <= x < x1, y0 <= y < y1."""
    points = [(h.x_px, h.y_px) for h in m.holes]
    points += [p for r in (m.scale.references if m.scale else ()) for p in r.outline_px]
    if len(points) < 2:
        return 0, 0, photo.width_px, photo.height_px
    xy = np.array(points)
    low, high = xy.min(axis=0), xy.max(axis=0)
    margin = s.margin_frac * float((high - low).max()) + 20.0
    x0, y0 = np.clip(np.floor(low - margin), 0, [photo.width_px - 1, photo.height_px - 1]).astype(int)
    x1, y1 = np.clip(np.ceil(high + margin), [x0 + 1, y0 + 1], [photo.width_px, photo.height_px]).astype(int)
    return int(x0), int(y0), int(x1), int(y1)


def _zoom(long_px: int, m: Measurement, s: OverlaySettings) -> float:
    """Factor from the photograph's pixels to the drawn ones."""
    most = s.longest_px / long_px
    pitch = _median_gap_px(m)
    wanted = max(1.0, s.readable_pitch_px / pitch) if pitch > 0 else 1.0
    return min(most, wanted)


def _median_gap_px(m: Measurement) -> float:
    xy = np.array([[h.x_px, h.y_px] for h in m.holes], float).reshape(-1, 2)
    return float(np.median(np.hypot(*np.diff(xy, axis=0).T))) if len(xy) > 1 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pen:
    """Draws on ``picture`` in the photograph's pixels, each line over a dark edge."""

    picture: NDArray[np.uint8]
    corner: tuple[int, int]
    factor: float
    width: int

    def drawn(self, px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Photograph pixels (n, 2) to drawn pixels; pixel centres are whole numbers in both."""
        return np.asarray((px - self.corner + 0.5) * self.factor - 0.5)

    def line(self, px: NDArray[np.float64], colour: Colour, *, closed: bool = False, dashed: bool = False) -> None:
        """A line through photograph points (n, 2)."""
        self.line_drawn(self.drawn(px), colour, closed=closed, dashed=dashed)

    def line_drawn(self, at: NDArray[np.float64], colour: Colour, *, closed: bool, dashed: bool) -> None:
        """A line through drawn points (n, 2)."""
        fixed = np.round(at * 2**_SHIFT).astype(np.int32)
        if dashed:
            ends = np.vstack([fixed, fixed[:1]]) if closed else fixed
            pieces = [ends[i : i + 3] for i in range(0, len(ends) - 1, 6)]
        else:
            pieces = [fixed]
        for c, extra in ((DARK, 2 * self.width), (colour, 0)):
            cv2.polylines(self.picture, pieces, closed and not dashed, c, self.width + extra, cv2.LINE_AA, _SHIFT)

    def text(self, words: str, centre: NDArray[np.float64], height: float, colour: Colour) -> None:
        """Words round a drawn point, capitals ``height`` drawn pixels high."""
        width = _text_width(words, height)
        edge = max(1, round(height / 7))
        pad = edge + 2 + round(height / 3)
        ink = np.zeros((round(height) + 2 * pad, width + 2 * pad), np.uint8)
        _write(ink, words, pad, pad + round(height), height, (255,))
        halo = cv2.dilate(ink, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * edge + 1, 2 * edge + 1)))
        rows, columns = self.picture.shape[:2]
        x = int(np.clip(round(centre[0] - ink.shape[1] / 2), 0, max(0, columns - ink.shape[1])))
        y = int(np.clip(round(centre[1] - ink.shape[0] / 2), 0, max(0, rows - ink.shape[0])))
        under = self.picture[y : y + ink.shape[0], x : x + ink.shape[1]]
        for c, mask in ((DARK, halo), (colour, ink)):
            cover = mask[: under.shape[0], : under.shape[1], None] / 255.0
            under[:] = np.round(under * (1 - cover) + np.array(c) * cover)

    def outline(self, px: NDArray[np.float64], words: str, keep_clear_px: list[tuple[float, float]]) -> None:
        """A reference: its outline, and what it is, written on it where no hole is near."""
        self.line(px, SCALE_COLOUR, closed=len(px) > 2)
        middle = px.mean(axis=0)
        places = np.vstack([middle, (px + middle) / 2])
        clear = np.array(keep_clear_px, float).reshape(-1, 2)
        room = [float(np.hypot(*(clear - p).T).min(initial=np.inf)) for p in places]
        at = self.drawn(places[int(np.argmax(room))][None])[0]
        self.text(_plain(re.split(r" \(|,", words)[0]), at, 7.0 * self.width, SCALE_COLOUR)


def _draw_holes(pen: _Pen, m: Measurement, s: OverlaySettings) -> None:
    holes = m.holes
    xy = np.array([[h.x_px, h.y_px] for h in holes])
    rims = rims_px(holes, s.ring_clearance)
    outward = _outward(xy)
    gap = max(_median_gap_px(m), 1.0) * pen.factor
    heights = _number_heights(holes, pen.drawn(xy), max(pen.picture.shape[:2]) / 85)
    for hole, rim in zip(holes, rims, strict=True):
        _draw_hole(pen, hole, rim)
    for hole, at, rim, out in zip(holes, pen.drawn(xy), rims, outward, strict=True):
        height = heights[hole.rail]
        reach = float(((pen.drawn(rim) - at) @ out).max())
        colour = DOUBT_COLOUR if _doubtful(hole) else LIGHT
        digits = len(str(hole.number))
        room = abs(out[0]) * 0.42 * digits * height + abs(out[1]) * 0.6 * height
        pen.text(str(hole.number), at + out * (reach + room + 1.5 * pen.width), height, colour)
    for rail in dict.fromkeys(h.rail for h in holes):
        on = [i for i, h in enumerate(holes) if h.rail == rail]
        middle = on[len(on) // 2]
        if rail != "ring":
            at = pen.drawn(xy)[middle] - outward[middle] * (gap * 1.1 + 13.0 * pen.width)
            pen.text(rail, at, 11.0 * pen.width, RAIL_COLOURS.get(rail, LIGHT))


def _number_heights(holes: tuple[Hole, ...], at: NDArray[np.float64], most: float) -> dict[str, float]:
    """For each rail the height of its numbers, in drawn pixels, so that neighbours do not run together."""
    steps = np.abs(np.diff(at, axis=0))
    out = {}
    for rail in dict.fromkeys(h.rail for h in holes):
        room = [
            max(20.0 * steps[i, 0] / (_text_width(str(holes[i].number), 20.0) + 4), steps[i, 1] / 1.4)
            for i in range(len(steps))
            if holes[i].rail == rail
        ]
        out[rail] = float(np.clip(np.quantile(room, 0.2) if room else most, 8.0, most))
    return out


def _doubtful(hole: Hole) -> bool:
    """Whether a hole has a doubt that its status does not tell already."""
    return bool(set(hole.doubts) - {"blocked"}) and hole.status != "hidden"


def _draw_hole(pen: _Pen, hole: Hole, rim: NDArray[np.float64]) -> None:
    colour = RAIL_COLOURS.get(hole.rail, LIGHT)
    pen.line(rim, colour, closed=True, dashed=hole.status == "hidden")
    centre = rim.mean(axis=0)
    if hole.status == "blocked":
        arms = (rim - centre) * 0.75
        n = len(rim)
        for k in (n // 8, 3 * n // 8):
            pen.line(np.array([centre + arms[k], centre + arms[k + n // 2]]), colour)
    if _doubtful(hole):
        square = (rim - centre)[:: len(rim) // 4] * 1.55
        pen.line(centre + square, DOUBT_COLOUR, closed=True)


def rims_px(holes: tuple[Hole, ...], clearance: float) -> list[NDArray[np.float64]]:
    """Each hole's ring in photograph pixels, shape (48, 2): a circle on the frame as the camera sees it.

    The view from millimetres to pixels comes from the holes' own centres, so this needs no camera.
    """
    mm = np.array([[h.x_mm, h.y_mm] for h in holes])
    px = np.array([[h.x_px, h.y_px] for h in holes])
    known = [h.diameter_mm for h in holes if h.diameter_mm is not None]
    usual = float(np.median(known)) if known else 0.0
    view = _view(mm, px)
    out = []
    for i, h in enumerate(holes):
        radius_mm = clearance * (h.diameter_mm or usual) / 2
        if view is not None and radius_mm > 0:
            ring = cv2.perspectiveTransform((mm[i] + radius_mm * _CIRCLE)[None], view)[0]
            out.append(np.asarray(ring - ring.mean(axis=0) + px[i], np.float64))
        else:
            near = np.sort(np.hypot(*(px - px[i]).T))[1:3]
            near_mm = np.sort(np.hypot(*(mm - mm[i]).T))[1:3]
            local = float(near.sum() / near_mm.sum()) if near_mm.sum() > 0 else 1.0
            radius_px = radius_mm * local if radius_mm > 0 else (0.25 * float(near.mean()) if len(near) else 10.0)
            out.append(px[i] + max(radius_px, 3.0) * _CIRCLE)
    return out


def _view(mm: NDArray[np.float64], px: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Homography from frame millimetres to photograph pixels; None when the holes lie on one line."""
    if len(mm) < 6:
        return None
    spread = np.linalg.svd(mm - mm.mean(axis=0), compute_uv=False)
    if spread[1] < 0.05 * spread[0]:
        return None
    try:
        view, _ = cv2.findHomography(mm, px, 0)
        view = np.asarray(view, np.float64).reshape(3, 3)
    except (cv2.error, ValueError, TypeError):  # OpenCV says "none" in all these ways.
        return None
    off = np.hypot(*(cv2.perspectiveTransform(mm[None], view)[0] - px).T)
    pitch = float(np.median(np.hypot(*np.diff(px, axis=0).T)))
    return view if float(np.median(off)) < 0.2 * pitch else None


def _outward(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Unit vectors across the hole line at each hole, away from the seat's middle; shape (n, 2)."""
    n = len(xy)
    if n < 3:
        return np.tile([0.0, -1.0], (n, 1))
    gaps = np.hypot(*np.diff(xy, axis=0).T)
    closed = float(np.hypot(*(xy[-1] - xy[0]))) < 4 * float(np.median(gaps))
    before = np.roll(xy, 1, axis=0) if closed else np.vstack([xy[:1], xy[:-1]])
    after = np.roll(xy, -1, axis=0) if closed else np.vstack([xy[1:], xy[-1:]])
    along = after - before
    across = np.column_stack([along[:, 1], -along[:, 0]])
    length = np.hypot(*across.T)
    across = np.where(length[:, None] > 0, across / np.maximum(length, 1e-9)[:, None], [0.0, -1.0])
    away = np.sign(((xy - xy.mean(axis=0)) * across).sum(axis=1))
    return np.asarray(across * np.where(away < 0, -1.0, 1.0)[:, None])


def _plain(words: str) -> str:
    """Words in the signs that OpenCV can draw."""
    return words.replace("±", "+-").replace("×", "x").encode("ascii", "replace").decode("ascii")


def _key(m: Measurement, width: int, pen_width: int) -> NDArray[np.uint8]:
    """The strip below the photograph: the figures, and what the marks mean."""
    height = 7.0 * pen_width + 3
    line = round(2.4 * height)
    margin = round(height)
    marks = [("ring", "hole with its number")]
    if any(h.status == "blocked" for h in m.holes):
        marks.append(("cross", "blocked"))
    if any(h.status == "hidden" for h in m.holes):
        marks.append(("dashes", "hidden, not counted"))
    if any(_doubtful(h) for h in m.holes):
        marks.append(("diamond", "doubtful"))
    if m.scale is not None:
        marks.append(("line", "scale"))
    rows: list[list[tuple[str, str, int]]] = [[]]
    x = margin
    for mark, words in marks:
        wide = round(2.2 * height) + _text_width(words, height) + 2 * margin
        if rows[-1] and x + wide > width:
            rows.append([])
            x = margin
        rows[-1].append((mark, words, x))
        x += wide
    headline = _fitting(_headline(m), width - 2 * margin, height)
    strip = np.full(((len(headline) + len(rows)) * line + margin, width, 3), DARK, np.uint8)
    pen = _Pen(picture=strip, corner=(0, 0), factor=1.0, width=pen_width)
    for i, words in enumerate(headline):
        _write(strip, words, margin, round((i + 0.75) * line), height, LIGHT)
    for i, row in enumerate(rows, len(headline)):
        for mark, words, x in row:
            middle = np.array([x + height, (i + 0.55) * line])
            _sample_mark(pen, mark, middle, 0.62 * height)
            _write(strip, words, round(x + 2.2 * height), round(middle[1] + height / 2), height, LIGHT)
    return strip


def _headline(m: Measurement) -> list[str]:
    """The figures in pieces that may go on lines of their own."""
    unit = "mm" if m.scale is not None else "px"
    pieces = [f"{m.seat.n_holes} holes"]
    for name, spread in (("pitch", m.seat.pitch), ("diameter", m.seat.diameter)):
        if spread is not None:
            pieces.append(f"{name} {spread.mean_mm:.2f} +- {spread.u_mean_mm:.2f} {unit}")
    pieces.append("good" if m.verdict == "good" else "check: look again")
    return pieces


def _fitting(pieces: list[str], width: int, height: float) -> list[str]:
    """Pieces joined to as few lines as fit."""
    lines = [pieces[0]]
    for piece in pieces[1:]:
        longer = f"{lines[-1]},  {piece}"
        if _text_width(longer, height) <= width:
            lines[-1] = longer
        else:
            lines.append(piece)
    return lines


def _text_width(words: str, height: float) -> int:
    (w, _), _ = cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, height / _CAPITALS, max(1, round(height / 9)))
    return int(w)


def _write(
    picture: NDArray[np.uint8], words: str, x: int, baseline: int, height: float, colour: tuple[int, ...]
) -> None:
    """Words from ``x`` on, standing on ``baseline``, capitals ``height`` pixels high."""
    stroke = max(1, round(height / 9))
    font, size = cv2.FONT_HERSHEY_SIMPLEX, height / _CAPITALS
    cv2.putText(picture, words, (x, baseline), font, size, colour, stroke, cv2.LINE_AA)


def _sample_mark(pen: _Pen, mark: str, middle: NDArray[np.float64], radius: float) -> None:
    """One mark of the key."""
    ring = middle + radius * _CIRCLE
    colour = RAIL_COLOURS["front"]
    if mark == "line":
        pen.line_drawn(middle + radius * np.array([[-1.2, 0.0], [1.2, 0.0]]), SCALE_COLOUR, closed=False, dashed=False)
        return
    pen.line_drawn(ring, colour, closed=True, dashed=mark == "dashes")
    if mark == "cross":
        for k in (6, 18):
            arms = np.array([ring[k], ring[k + 24]])
            pen.line_drawn(middle + 0.75 * (arms - middle), colour, closed=False, dashed=False)
    if mark == "diamond":
        pen.line_drawn(middle + 1.55 * (ring[::12] - middle), DOUBT_COLOUR, closed=True, dashed=False)
