"""What a tap or a key does to a job's inputs.

Rules of measuring and sizing are elsewhere: this only writes down what the worker said, in the form of the fix file
and the job's settings.
"""

import hashlib
import json
import math
from dataclasses import dataclass, replace
from typing import Any

from holecount import fixes as fixes_file
from holecount import jobs
from holecount.fixes import AddedHole, Fixes, MarkedHole, Place, SeenStatus
from holecount.holes.hole import Hole
from holecount.jobs import Inputs
from holecount.lengths import parse_length_mm
from holecount.measurement import Measurement
from holecount.overlay import rims_px
from holecount.scale import by_hand
from holecount.troubles import BadInput

MOST_PX = 1_000_000
"""Coordinates beyond this are no place in any picture; the corrections themselves ask for one inside it. Own choice."""


class Stale(BadInput):
    """The change was meant for something that is no longer there: another window changed it meanwhile."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One correction as the page lists it; ``key`` names it for taking it back."""

    key: str
    words: str
    x_px: float
    y_px: float


def apply(inputs: Inputs, m: Measurement | None, sha256: str, change: Any) -> Inputs:
    """The inputs with one change made.

    Parameters
    ----------
    inputs : as they stand in the folder now.
    m : the measurement the page shows, for finding the hole that is meant.
    sha256 : of the photograph.
    change : what the browser sent: an object with ``do`` and what that needs.

    Raises
    ------
    BadInput
        When the change cannot be understood or cannot be meant.
    Stale
        When what it was meant for is no longer there.
    """
    if not isinstance(change, dict) or not isinstance(change.get("do"), str):
        raise BadInput("The change cannot be understood.", "Reload the page.")
    do = change["do"]
    if do in ("strike-out", "add", "mark"):
        at = (_coordinate(change, "x"), _coordinate(change, "y"))
        status = _status(change) if do != "strike-out" else None
        fixes = _corrected(inputs.fixes, m, do, at, status)
        return replace(inputs, fixes=_checked(fixes, sha256))
    if do == "scale-by-hand":
        return replace(inputs, fixes=_checked(_with_scale(inputs.fixes, change), sha256))
    if do == "take-back":
        return replace(inputs, fixes=_checked(_taken_back(inputs.fixes, change.get("key")), sha256))
    if do == "settings":
        return replace(inputs, settings=_settings(inputs, change.get("settings")))
    if do in ("tape", "notes"):
        return _text(inputs, do, change)
    raise BadInput(f"'{do[:30]}' is no change that can be made.", "Reload the page.")


def _coordinate(change: dict[str, Any], name: str) -> float:
    value = change.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < MOST_PX:
        raise BadInput(f"The place lacks its {name}.", "Reload the page.")
    return round(float(value), 2)


def _status(change: dict[str, Any]) -> SeenStatus:
    status = change.get("status", "open")
    if status == "open":
        return "open"
    if status == "blocked":
        return "blocked"
    raise BadInput("A hole is open or blocked.", "Reload the page.")


def _corrected(
    fixes: Fixes, m: Measurement | None, do: str, at: tuple[float, float], status: SeenStatus | None
) -> Fixes:
    hole, reach = nearest(m, at)
    if do == "add":
        if hole is not None and hole.status != "hidden":
            raise BadInput(f"There is a hole already: number {hole.number}.", "Strike it out first, or mark it.")
        struck = [p for p in fixes.strike_out if _near(p, at, reach)]
        if struck:
            return replace(fixes, strike_out=tuple(p for p in fixes.strike_out if p not in struck))
        return replace(fixes, add=(*fixes.add, AddedHole(x_px=at[0], y_px=at[1], status=status or "open")))
    if hole is None:
        raise Stale("There is no hole there any more: it was changed in another window.", "Look again.")
    here = (hole.x_px, hole.y_px)
    added = [a for a in fixes.add if math.dist((a.x_px, a.y_px), here) <= reach]
    marks = tuple(k for k in fixes.mark if not _near(k.place, here, reach))
    if do == "strike-out":
        if added:
            return replace(fixes, add=tuple(a for a in fixes.add if a not in added), mark=marks)
        return replace(fixes, strike_out=(*fixes.strike_out, _place(hole)), mark=marks)
    assert status is not None
    if added:
        again = tuple(replace(a, status=status) if a in added else a for a in fixes.add)
        return replace(fixes, add=again, mark=marks)
    return replace(fixes, mark=(*marks, MarkedHole(place=_place(hole), status=status)))


def nearest(m: Measurement | None, at: tuple[float, float]) -> tuple[Hole | None, float]:
    """The hole meant by a place, None when there is none; and how near counts as the same place, in px."""
    if m is None or not m.holes:
        return None, 0.0
    rims = rims_px(m.holes, 1.0)
    k = min(range(len(m.holes)), key=lambda i: math.dist((m.holes[i].x_px, m.holes[i].y_px), at))
    hole = m.holes[k]
    reach = 1.25 * max(math.dist((hole.x_px, hole.y_px), (float(x), float(y))) for x, y in rims[k])
    return (hole if math.dist((hole.x_px, hole.y_px), at) <= reach else None), reach


def _near(place: Place, at: tuple[float, float], reach: float) -> bool:
    return place.number is None and math.dist(place.at_px, at) <= reach


def _place(hole: Hole) -> Place:
    return Place(x_px=round(hole.x_px, 2), y_px=round(hole.y_px, 2))


def _checked(fixes: Fixes, sha256: str) -> Fixes:
    """The corrections as they will be read back, bound to their photograph."""
    if not (fixes.scale or fixes.add or fixes.strike_out or fixes.mark):
        return Fixes()
    return fixes_file.from_text(fixes_file.to_text(replace(fixes, photo_sha256=sha256)), source="the corrections")


def _with_scale(fixes: Fixes, change: dict[str, Any]) -> Fixes:
    """The corrections with one reference placed by hand, in place of whatever was used before.

    Two points come with a length, four with a size such as ``85.6x53.98``, whose longer side goes with the pair of
    sides that is longer in the picture.
    """
    points, size = change.get("points"), change.get("size")
    if not isinstance(points, list) or not isinstance(size, str) or len(points) not in (2, 4):
        raise BadInput("The scale cannot be understood.", "Reload the page.")
    entry: dict[str, Any]
    if len(points) == 2:
        entry = {"ends": points, "length": _with_unit(size)}
    else:
        try:
            long_mm, short_mm = sorted(by_hand.parse_size_mm(size, default_unit="mm"), reverse=True)
        except ValueError as e:
            raise BadInput(f"The size cannot be read: {e}.", "Write it like 85.6x53.98.") from e
        first_is_long = _first_side_is_long(points)
        width_mm, depth_mm = (long_mm, short_mm) if first_is_long else (short_mm, long_mm)
        entry = {"corners": points, "width": f"{width_mm!r} mm", "depth": f"{depth_mm!r} mm"}
    text = json.dumps({"holecount_fixes": fixes_file.SCHEMA, "scale": [entry]})
    return replace(fixes, scale=fixes_file.from_text(text, source="the scale").scale)


def _with_unit(size: str) -> str:
    """A length as typed, millimetres when no unit was."""
    try:
        return f"{parse_length_mm(size, default_unit='mm')!r} mm"
    except ValueError as e:
        raise BadInput(f"The length cannot be read: {e}.", "Write it like 6 in or 150 mm.") from e


def _first_side_is_long(points: list[Any]) -> bool:
    try:
        p = [(float(x), float(y)) for x, y in points]
    except (TypeError, ValueError, OverflowError):
        return True  # What is wrong with the points, the reader of corrections says.
    side = [math.dist(p[i], p[(i + 1) % 4]) for i in range(4)]
    return side[0] + side[2] >= side[1] + side[3]


def corrections(fixes: Fixes, m: Measurement | None = None) -> list[Correction]:
    """Every correction in words, in the order they were made within each kind.

    ``m``, made with them, gives the numbers by which the holes are called now.
    """
    out = []
    for r in fixes.scale:
        x, y = (sum(p[i] for p in r.points_px) / len(r.points_px) for i in (0, 1))
        size = f"{r.width_mm:g} mm" if r.depth_mm is None else f"{r.width_mm:g} x {r.depth_mm:g} mm"
        words = f"{'length' if r.depth_mm is None else 'rectangle'} of {size} placed by hand"
        out.append(_correction("scale", r, words, x, y))
    for p in fixes.strike_out:
        if p.number is None:
            out.append(_correction("strike-out", p, f"struck out{_near_words(m, p.at_px)}", *p.at_px))
    for a in fixes.add:
        out.append(_correction("add", a, f"{_hole_words(m, (a.x_px, a.y_px))}added, {a.status}", a.x_px, a.y_px))
    for k in fixes.mark:
        if k.place.number is None:
            out.append(_correction("mark", k, f"{_hole_words(m, k.place.at_px)}marked {k.status}", *k.place.at_px))
    return out


def _hole_words(m: Measurement | None, at: tuple[float, float]) -> str:
    hole, _ = nearest(m, at)
    return f"hole {hole.number} " if hole is not None else ""


def _near_words(m: Measurement | None, at: tuple[float, float]) -> str:
    if m is None or not m.holes:
        return ""
    return f" near hole {min(m.holes, key=lambda h: math.dist((h.x_px, h.y_px), at)).number}"


def _correction(kind: str, entry: object, words: str, x: float, y: float) -> Correction:
    return Correction(key=_key(kind, entry), words=words, x_px=x, y_px=y)


def _key(kind: str, entry: object) -> str:
    return f"{kind}-{hashlib.sha256(repr(entry).encode()).hexdigest()[:12]}"


def _taken_back(fixes: Fixes, key: Any) -> Fixes:
    made = replace(
        fixes,
        scale=tuple(r for r in fixes.scale if _key("scale", r) != key),
        strike_out=tuple(p for p in fixes.strike_out if _key("strike-out", p) != key),
        add=tuple(a for a in fixes.add if _key("add", a) != key),
        mark=tuple(k for k in fixes.mark if _key("mark", k) != key),
    )
    if made == fixes:
        raise Stale("That correction was taken back already.", "")
    return made


def _settings(inputs: Inputs, given: Any) -> jobs.JobSettings:
    if not isinstance(given, dict):
        raise BadInput("The settings cannot be understood.", "Reload the page.")
    raw = json.loads(jobs.settings_text(inputs.settings))
    unknown = sorted(set(given) - set(raw) - {"holecount_job"})
    if unknown:
        raise BadInput(f"'{unknown[0][:30]}' is no setting.", "Reload the page.")
    made = jobs.settings_from({**raw, **given}, "the settings", inputs.settings.name)
    return jobs.cleaned(made)


def _text(inputs: Inputs, do: str, change: dict[str, Any]) -> Inputs:
    """Tape readings or notes; refused when they were changed elsewhere since the page showed them."""
    text, was = change.get("text"), change.get("was")
    if not isinstance(text, str) or not isinstance(was, str):
        raise BadInput("The text cannot be understood.", "Reload the page.")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if len(text) > jobs.MOST_TEXT:
        raise BadInput(f"More than {jobs.MOST_TEXT} characters are not kept.", "Shorten the text.")
    now = inputs.tape if do == "tape" else inputs.notes
    if now not in (was, text):
        raise Stale("The text was changed in another window.", "Choose which one to keep.")
    return replace(inputs, tape=text) if do == "tape" else replace(inputs, notes=text)
