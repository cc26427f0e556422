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
from holecount.measurement import Measurement
from holecount.stats import Spread
from holecount.troubles import BadInput

SCHEMA = 1
"""Grows when a field changes its meaning or goes; new fields alone do not change it."""


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
                made[f.name] = _build(hints[f.name], value[f.name], f"{where}.{f.name}" if where else f.name)
            elif f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING:
                raise BadInput(f"{where or 'the file'} lacks '{f.name}'.")
        return kind(**made)  # type: ignore[operator]
    if kind is float and isinstance(value, int | float) and not isinstance(value, bool):
        if not math.isfinite(value):
            raise BadInput(f"{where} is not a finite number.")
        return float(value)
    if kind in (str, int, bool) and type(value) is kind:
        return value
    raise BadInput(f"{where} is {value!r}, which is not {'a number' if kind in (int, float) else 'what it should be'}.")


def from_json(text: str, *, source: str = "the file") -> Measurement:
    """Read a saved measurement.

    Raises
    ------
    BadInput
        When it is no measurement, damaged, or of a newer schema.
    """
    try:
        raw = json.loads(text)
    except (json.JSONDecodeError, RecursionError) as e:
        raise BadInput(
            f"{source} is not a saved measurement (not JSON).",
            "Make one with: holecount measure PHOTO --as json > SAVED.json",
        ) from e
    if not isinstance(raw, dict) or "schema" not in raw or "holes" not in raw:
        raise BadInput(
            f"{source} is JSON but not a saved measurement.",
            "Make one with: holecount measure PHOTO --as json > SAVED.json",
        )
    if raw["schema"] != SCHEMA:
        raise BadInput(
            f"{source} has schema {raw['schema']!r}; this holecount reads schema {SCHEMA}.",
            "Measure the photograph again, or update holecount.",
        )
    try:
        made = _build(Measurement, raw, "")
    except BadInput as e:
        raise BadInput(f"{source} is damaged: {e.what}", e.hint or "Measure the photograph again.") from e
    assert isinstance(made, Measurement)
    return made


def read(path: Path) -> Measurement:
    """Read a saved measurement from a file; `BadInput` when it cannot be read."""
    try:
        return from_json(path.read_text(encoding="utf-8"), source=f"'{path}'")
    except (OSError, UnicodeDecodeError) as e:
        why = e.strerror if isinstance(e, OSError) else "not text"
        raise BadInput(
            f"'{path}' cannot be read: {why}.", "Give a file made by: holecount measure PHOTO --as json"
        ) from e
