"""A measurement as JSON (schema 1) and CSV, and back."""

import csv
import dataclasses
import io
import json
import math
import types
import typing
from pathlib import Path
from typing import Any

from holecount import __version__
from holecount.loading import read_text
from holecount.measurement import Measurement
from holecount.stats import Spread
from holecount.troubles import BadInput

SCHEMA = 1
"""Grows when a field changes its meaning or goes; new fields alone do not change it."""

MOST_BYTES = 20_000_000
"""Of a saved measurement; one of 100 holes takes 70 kB (own choice)."""

MOST_ENTRIES = 2000
"""Of a list in it; seats have below 200 holes (own choice)."""

MOST_LENGTH = 1e6
"""Greatest number there can be: the widest picture read has below 66 000 pixels, a seat below 1000 mm. Derived."""


def _plain(value: object) -> object:
    """Dataclasses and tuples to what JSON knows; NaN and infinities to null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        out = {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
        if isinstance(value, Spread):
            out["u_mean_mm"] = value.u_mean_mm
        return out
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def to_dict(m: Measurement) -> dict[str, Any]:
    """The measurement as nested dicts and lists, ready for JSON."""
    out: dict[str, Any] = {"schema": SCHEMA, "made_by": f"holecount {__version__}"}
    plain = _plain(m)
    assert isinstance(plain, dict)
    out.update(plain)
    for hole, h in zip(out["holes"], m.holes, strict=True):
        known = h.u_own_diameter_mm is not None and h.u_shared_diameter_mm is not None
        hole["u_diameter_mm"] = math.hypot(h.u_own_diameter_mm or 0, h.u_shared_diameter_mm or 0) if known else None
    return out


def to_json(m: Measurement) -> str:
    """The measurement as JSON text, strict (no NaN), ending with a newline."""
    return json.dumps(to_dict(m), indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def to_csv(m: Measurement) -> str:
    """One line per hole with a heading line; RFC 4180 with plain newlines."""
    rows = to_dict(m)["holes"]
    names = list(rows[0]) if rows else []
    text = io.StringIO()
    writer = csv.DictWriter(text, names, lineterminator="\n")
    writer.writeheader()
    writer.writerows([{k: " ".join(v) if isinstance(v, list) else v for k, v in r.items()} for r in rows])
    return text.getvalue()


def _build(kind: Any, value: Any, where: str) -> Any:
    """Rebuild ``kind`` (a type annotation) from JSON, checking as it goes."""
    origin, args = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType):
        if value is None and type(None) in args:
            return None
        return _build(next(a for a in args if a is not type(None)), value, where)
    if origin is typing.Literal:
        if value not in args:
            raise BadInput(f"{where} is {value!r}.", f"It must be one of: {', '.join(map(str, args))}.")
        return value
    if origin is tuple:
        if not isinstance(value, list):
            raise BadInput(f"{where} should be a list.")
        if len(value) > MOST_ENTRIES:
            raise BadInput(f"{where} has more than {MOST_ENTRIES} entries.")
        each = [args[0]] * len(value) if len(args) == 2 and args[1] is Ellipsis else list(args)
        if len(each) != len(value):
            raise BadInput(f"{where} should hold {len(each)} values, not {len(value)}.")
        return tuple(_build(a, v, f"{where}[{i}]") for i, (a, v) in enumerate(zip(each, value, strict=True)))
    if dataclasses.is_dataclass(kind):
        if not isinstance(value, dict):
            raise BadInput(f"{where} should be an object.")
        hints = typing.get_type_hints(kind)
        made: dict[str, Any] = {}
        for f in dataclasses.fields(kind):
            if f.name in value:
                inner = f"{where}.{f.name}" if where else f.name
                made[f.name] = _build(hints[f.name], value[f.name], inner)
                _check_number(f.name, made[f.name], inner)
            elif f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING:
                raise BadInput(f"{where or 'the file'} lacks '{f.name}'.")
        return kind(**made)  # type: ignore[operator]
    if kind is float and isinstance(value, int | float) and not isinstance(value, bool):
        if not abs(value) <= MOST_LENGTH:
            raise BadInput(f"{where} is {value!r:.30}, more than can be.")
        return float(value)
    if kind in (str, int, bool) and type(value) is kind:
        return value
    raise BadInput(f"{where} is {value!r}, which is not {'a number' if kind in (int, float) else 'what it should be'}.")


_ABOVE_ZERO = {"width_px", "height_px", "number", "n", "mm_per_px", "distance_mm", "focal_px", "diameter_mm"}
"""Fields that mean nothing unless they are above zero."""


def _check_number(name: str, value: Any, where: str) -> None:
    """Hold a number to what its name promises: ``u_`` and ``n_`` are never below 0, ``_frac`` lies in 0 to 1."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return
    if not abs(value) <= MOST_LENGTH:
        raise BadInput(f"{where} is {value!r:.30}, more than can be.")
    if value <= 0 and name in _ABOVE_ZERO:
        raise BadInput(f"{where} is {value:g}; it should be above zero.")
    if value < 0 and (name.startswith(("u_", "n_")) or name.endswith("_frac") or name in ("sd_mm", "share", "misfit")):
        raise BadInput(f"{where} is {value:g}; it cannot be below zero.")
    if value > 1 and name.endswith("_frac"):
        raise BadInput(f"{where} is {value:g}; it cannot be above one.")


def _check_whole(m: Measurement) -> None:
    """Refuse a measurement whose parts speak of holes that are not there, or contradict one another."""
    n = len(m.holes)
    if [h.number for h in m.holes] != list(range(1, n + 1)):
        raise BadInput(f"its holes are not numbered from 1 to {n}.")
    rails = [r.name for r in m.rails]
    if len(set(rails)) != len(rails):
        raise BadInput("two rails have one name.")
    strangers = {h.rail for h in m.holes} - set(rails)
    if strangers:
        raise BadInput(f"holes lie on a rail '{min(strangers)}' that it does not list.")
    for rail in (*m.rails, m.seat):
        named = set(rail.holes)
        for spread in (rail.pitch, rail.same_side_pitch, rail.diameter):
            named |= {*spread.min_at, *spread.max_at} if spread else set()
            # A mean of equal numbers may lie beside them by the last digit.
            if spread and not (0 < spread.min_mm <= 1.000001 * spread.mean_mm <= 1.000002 * spread.max_mm):
                raise BadInput(f"the figures of '{rail.name}' contradict one another.")
        if not named <= set(range(1, n + 1)):
            raise BadInput(f"'{rail.name}' speaks of holes that are not there.")
        if rail.n_open + rail.n_blocked != rail.n_holes or len(rail.holes) != rail.n_holes + rail.n_hidden:
            raise BadInput(f"the counts of '{rail.name}' contradict one another.")


def from_json(text: str, *, source: str = "the file") -> Measurement:
    """Read a saved measurement.

    Raises
    ------
    BadInput
        When it is no measurement, damaged, or of a newer schema.
    """
    try:
        raw = json.loads(text)
    except (ValueError, RecursionError) as e:  # Numbers of thousands of digits are a ValueError, too.
        raise BadInput(
            f"{source} is not a saved measurement (not JSON).",
            "Make one with: holecount measure PHOTO --as json > SAVED.json",
        ) from e
    if not isinstance(raw, dict) or "schema" not in raw or "holes" not in raw:
        raise BadInput(
            f"{source} is JSON but not a saved measurement.",
            "Make one with: holecount measure PHOTO --as json > SAVED.json",
        )
    if raw["schema"] != SCHEMA or isinstance(raw["schema"], bool):
        raise BadInput(
            f"{source} has schema {raw['schema']!r}; this holecount reads schema {SCHEMA}.",
            "Measure the photograph again, or update holecount.",
        )
    try:
        made = _build(Measurement, raw, "")
        _check_whole(made)
    except BadInput as e:
        raise BadInput(f"{source} is damaged: {e.what}", e.hint or "Measure the photograph again.") from e
    assert isinstance(made, Measurement)
    return made


def read(path: Path) -> Measurement:
    """Read a saved measurement from a file; `BadInput` when it cannot be read."""
    hint = "Give a file made by: holecount measure PHOTO --as json"
    text = read_text(path, most_bytes=MOST_BYTES, what="a saved measurement", hint=hint)
    return from_json(text, source=f"'{path}'")
