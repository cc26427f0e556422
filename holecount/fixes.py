"""Hand corrections of one photograph: an input file, so that a corrected measurement can be made again.

The file is JSON and only ever read as data; docs/fix-file.md describes it. Places are pixels
(x, y) of the upright picture. Holes may also be called by the number they had when the photograph
was measured without corrections; then the file has to name the photograph by its SHA-256, so that
a number never reaches a hole of another picture.
"""

import json
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from holecount.holes.hole import Hole
from holecount.lengths import parse_length_mm
from holecount.loading import read_text
from holecount.scale import by_hand
from holecount.scale.reference import Reference
from holecount.troubles import BadInput

SCHEMA = 1
"""Grows when a field changes its meaning or goes."""

MOST_ENTRIES = 1000
"""More corrections than this are no handwork (own choice: seats have below 200 holes)."""

MOST_BYTES = 1_000_000
"""A thousand corrections take some 60 kB (own choice)."""

MOST_PX = 1e6
"""Pixels along a side; the widest picture there can be has below 66 000 (T.81)."""

SeenStatus = Literal["open", "blocked"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A hole meant by a correction: where it is in the upright picture, or its number, one of the two."""

    x_px: float | None = None
    y_px: float | None = None
    number: int | None = None

    @property
    def at_px(self) -> tuple[float, float]:
        """Where it is; only after `Fixes.placed` when it was given by number."""
        if self.x_px is None or self.y_px is None:
            raise ValueError(f"hole {self.number} has no place yet")
        return self.x_px, self.y_px


@dataclass(frozen=True, slots=True, kw_only=True)
class AddedHole:
    """A hole that is there though it was not found."""

    x_px: float
    y_px: float
    status: SeenStatus = "open"


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkedHole:
    """A hole that was found, with the status it really has."""

    place: Place
    status: SeenStatus


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedReference:
    """A reference placed by hand: two ends with the length between them, or four corners with the sides.

    ``depth_mm`` is None for two ends; ``width_mm`` is then the length.
    """

    points_px: tuple[tuple[float, float], ...]
    width_mm: float
    depth_mm: float | None = None

    def reference(self) -> Reference:
        """Hand it to the plane fit; `ValueError` when the points make no such object."""
        if self.depth_mm is None:
            return by_hand.length_between(self.points_px[0], self.points_px[1], self.width_mm)
        return by_hand.rectangle_at(self.points_px, self.width_mm, self.depth_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fixes:
    """All corrections of one photograph.

    Attributes
    ----------
    photo_sha256 : str or None
        The photograph they belong to; None when the file does not say (then there are no numbers).
    scale : tuple of FixedReference
        When there is one, references found in the picture are not used.
    add : tuple of AddedHole
    strike_out : tuple of Place
    mark : tuple of MarkedHole
    """

    photo_sha256: str | None = None
    scale: tuple[FixedReference, ...] = ()
    add: tuple[AddedHole, ...] = ()
    strike_out: tuple[Place, ...] = ()
    mark: tuple[MarkedHole, ...] = ()

    @property
    def of_holes(self) -> bool:
        """Whether any single hole is corrected."""
        return bool(self.add or self.strike_out or self.mark)

    @property
    def by_number(self) -> bool:
        """Whether a hole is called by its number, so that `placed` is needed first."""
        return any(p.number is not None for p in (*self.strike_out, *(m.place for m in self.mark)))

    def references(self) -> tuple[Reference, ...]:
        """The references placed by hand, for the plane fit."""
        return tuple(r.reference() for r in self.scale)

    def check_photo(self, sha256: str, width_px: int, height_px: int) -> None:
        """Refuse a photograph the corrections were not made for.

        Raises
        ------
        BadInput
            When the file names another photograph, or a place lies outside this one.
        """
        if self.photo_sha256 is not None and self.photo_sha256 != sha256:
            raise BadInput(
                "The corrections were made for another photograph.",
                "Give the photograph they belong to, or make corrections for this one.",
            )
        places = [(a.x_px, a.y_px) for a in self.add]
        places += [p.at_px for p in (*self.strike_out, *(m.place for m in self.mark)) if p.x_px is not None]
        for x, y in places:
            if not (-0.5 <= x <= width_px - 0.5 and -0.5 <= y <= height_px - 0.5):
                raise BadInput(
                    f"The corrections name a place {x:g},{y:g} outside the picture ({width_px} x {height_px} pixels).",
                    "Count pixels in the upright picture, from its top left corner.",
                )
        for reference in self.references():
            by_hand.require_inside(reference, width_px, height_px)

    def placed(self, holes: Sequence[Hole]) -> "Fixes":
        """Give holes called by number their place.

        Parameters
        ----------
        holes : the holes of this photograph as measured without corrections.

        Raises
        ------
        BadInput
            When a number is not among them.
        """
        at = {h.number: (h.x_px, h.y_px) for h in holes}

        def place(p: Place) -> Place:
            if p.number is None:
                return p
            if p.number not in at:
                raise BadInput(
                    f"The corrections name hole {p.number}, but holes run from 1 to {len(at)}.",
                    "Look the number up in the marked photograph made without corrections.",
                )
            return Place(x_px=at[p.number][0], y_px=at[p.number][1])

        return replace(
            self,
            strike_out=tuple(place(p) for p in self.strike_out),
            mark=tuple(replace(m, place=place(m.place)) for m in self.mark),
        )


def to_text(fixes: Fixes) -> str:
    """The corrections as the text of a fix file; reading it gives equal corrections."""

    def place(p: Place) -> dict[str, Any]:
        return {"number": p.number} if p.number is not None else {"x": p.x_px, "y": p.y_px}

    def scale(r: FixedReference) -> dict[str, Any]:
        points = [list(p) for p in r.points_px]
        if r.depth_mm is None:
            return {"ends": points, "length": f"{r.width_mm!r} mm"}
        return {"corners": points, "width": f"{r.width_mm!r} mm", "depth": f"{r.depth_mm!r} mm"}

    out: dict[str, Any] = {"holecount_fixes": SCHEMA}
    if fixes.photo_sha256 is not None:
        out["photo_sha256"] = fixes.photo_sha256
    lists = {
        "scale": [scale(r) for r in fixes.scale],
        "add": [{"x": a.x_px, "y": a.y_px, "status": a.status} for a in fixes.add],
        "strike_out": [place(p) for p in fixes.strike_out],
        "mark": [{**place(m.place), "status": m.status} for m in fixes.mark],
    }
    out.update({name: entries for name, entries in lists.items() if entries})
    return json.dumps(out, indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def read(path: Path) -> Fixes:
    """Read a fix file; `BadInput` says in one sentence what is wrong with it."""
    hint = "Give a file of corrections as in docs/fix-file.md."
    text = read_text(path, most_bytes=MOST_BYTES, what="a file of corrections", hint=hint)
    return from_text(text, source=f"'{path}'")


def from_text(text: str, *, source: str = "the fix file") -> Fixes:
    """Read the text of a fix file; ``source`` names it in messages.

    Raises
    ------
    BadInput
        When it is no such file or a correction cannot be meant.
    """
    try:
        raw = json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError) as e:
        raise BadInput(f"{source} is not a file of corrections (not JSON).", "See docs/fix-file.md.") from e
    try:
        return _fixes(raw)
    except ValueError as e:
        raise BadInput(f"{source}: {e}.", "See docs/fix-file.md.") from e


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number")


_FIELDS = {"holecount_fixes", "photo_sha256", "scale", "add", "strike_out", "mark"}


def _fixes(raw: Any) -> Fixes:
    top = _object(raw, "the file", _FIELDS)
    if "holecount_fixes" not in top:
        raise ValueError("it lacks 'holecount_fixes'")
    if top["holecount_fixes"] != SCHEMA or isinstance(top["holecount_fixes"], bool):
        raise ValueError(f"it has schema {top['holecount_fixes']!r}, this holecount reads {SCHEMA}")
    sha256 = top.get("photo_sha256")
    if sha256 is not None and not (isinstance(sha256, str) and re.fullmatch(r"[0-9a-f]{64}", sha256)):
        raise ValueError("'photo_sha256' should be 64 hexadecimal digits in small letters")
    made = Fixes(
        photo_sha256=sha256,
        scale=tuple(_scale(e, w) for e, w in _entries(top, "scale")),
        add=tuple(_added(e, w) for e, w in _entries(top, "add")),
        strike_out=tuple(_place(_object(e, w, {"x", "y", "number"}), w) for e, w in _entries(top, "strike_out")),
        mark=tuple(_marked(e, w) for e, w in _entries(top, "mark")),
    )
    if made.by_number and sha256 is None:
        raise ValueError("holes are called by number, so 'photo_sha256' has to say of which photograph")
    _check_once(made)
    return made


def _check_once(fixes: Fixes) -> None:
    """Two corrections of one hole contradict each other or are a slip."""
    seen: set[Place] = set()
    for p in (*fixes.strike_out, *(m.place for m in fixes.mark)):
        if p in seen:
            raise ValueError(f"{_named(p)} is corrected twice")
        seen.add(p)


def _named(p: Place) -> str:
    return f"hole {p.number}" if p.number is not None else f"the hole at {p.x_px:g},{p.y_px:g}"


def _object(value: Any, where: str, fields: set[str]) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise ValueError(f"{where} should be an object in braces")
    unknown = sorted(set(value) - fields)
    if unknown:
        raise ValueError(f"{where} has an unknown entry '{unknown[0]}'; known are {', '.join(sorted(fields))}")
    return value


def _entries(top: dict[str, Any], name: str) -> list[tuple[Any, str]]:
    value = top.get(name, [])
    if not isinstance(value, list):
        raise ValueError(f"'{name}' should be a list in square brackets")
    if len(value) > MOST_ENTRIES:
        raise ValueError(f"'{name}' has more than {MOST_ENTRIES} entries")
    return [(entry, f"'{name}' entry {i}") for i, entry in enumerate(value, 1)]


def _number(value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{where} should be a number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not abs(number) <= MOST_PX:
        raise ValueError(f"{where} should be a number of pixels")
    return number


def _point(value: Any, where: str) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError(f"{where} should hold points as [x, y]")
    return _number(value[0], where), _number(value[1], where)


def _length(value: Any, where: str) -> float:
    if not isinstance(value, str):
        raise ValueError(f'{where} should be a length with its unit in quotes, such as "85.6 mm"')
    try:
        return parse_length_mm(value)
    except ValueError as e:
        raise ValueError(f"{where}: {e}") from e


def _scale(value: Any, where: str) -> FixedReference:
    entry = _object(value, where, {"ends", "length", "corners", "width", "depth"})
    kinds = {frozenset({"ends", "length"}): 2, frozenset({"corners", "width", "depth"}): 4}
    n_points = kinds.get(frozenset(entry))
    if n_points is None:
        raise ValueError(f"{where} should have 'ends' and 'length', or 'corners', 'width' and 'depth'")
    name = "ends" if n_points == 2 else "corners"
    points = entry[name]
    if not isinstance(points, list) or len(points) != n_points:
        raise ValueError(f"{where}: '{name}' should hold {n_points} points")
    made = FixedReference(
        points_px=tuple(_point(p, f"{where}: '{name}'") for p in points),
        width_mm=_length(entry["length" if n_points == 2 else "width"], where),
        depth_mm=None if n_points == 2 else _length(entry["depth"], where),
    )
    try:
        made.reference()
    except ValueError as e:
        raise ValueError(f"{where}: {e}") from e
    return made


def _status(entry: dict[str, Any], where: str, default: SeenStatus | None) -> SeenStatus:
    status = entry.get("status", default)
    if status == "open":
        return "open"
    if status == "blocked":
        return "blocked"
    raise ValueError(f'{where}: \'status\' should be "open" or "blocked"')


def _added(value: Any, where: str) -> AddedHole:
    entry = _object(value, where, {"x", "y", "status"})
    if not {"x", "y"} <= set(entry):
        raise ValueError(f"{where} should have 'x' and 'y'")
    return AddedHole(
        x_px=_number(entry["x"], where), y_px=_number(entry["y"], where), status=_status(entry, where, "open")
    )


def _marked(value: Any, where: str) -> MarkedHole:
    entry = _object(value, where, {"x", "y", "number", "status"})
    return MarkedHole(place=_place(entry, where), status=_status(entry, where, None))


def _place(entry: dict[str, Any], where: str) -> Place:
    given = frozenset(entry) - {"status"}
    if given == {"x", "y"}:
        return Place(x_px=_number(entry["x"], where), y_px=_number(entry["y"], where))
    if given == {"number"}:
        number = entry["number"]
        if isinstance(number, bool) or not isinstance(number, int) or number < 1:
            raise ValueError(f"{where}: 'number' should be a whole number from 1")
        return Place(number=number)
    raise ValueError(f"{where} should have either 'x' and 'y', or 'number'")
