"""Sizing charts as data: a file a chart, every row as printed, with its grade and source.

The form of a chart file is described in ``docs/charts-format.md``.
"""

import itertools
import re
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal

from holecount.lengths import inches_32, parse_length_mm
from holecount.loading import read_text
from holecount.troubles import BadInput

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

SpacingMeaning = Literal["centre to centre", "same side", "between", "not said"]
"""What a chart's spacing is: centre to centre; one side of a hole to the same side of the next (the same
length where the holes are alike); the wood between two holes; or not said (then taken as centre to centre)."""

SPACING_MEANINGS: tuple[SpacingMeaning, ...] = ("centre to centre", "same side", "between", "not said")

GRADES: dict[str, str] = {
    "A": "published handbook or bulletin",
    "P": "common practice, no source",
    "D": "derived",
    "M": "from memory, unconfirmed",
    "U": "added by the user",
}
"""How far a chart or fact can be trusted: ``U`` is a user's own file."""

BUILT_IN = ("usual", "perry-1917", "repair-handbook", "metric-pairs")
"""Charts that come along, in the order in which they are asked."""

NAMES_TABLE = "names"

_CHART_KEYS = {"name", "title", "grade", "source", "spacing", "unit", "notes", "row"}
_ROW_KEYS = {"cane", "width", "hole", "spacing"}
_NAME = re.compile(r"[a-z0-9][a-z0-9._-]{0,39}\Z")
_RANGE = re.compile(r"^\s*([^\s-][^-]*?)\s*(?:-|–|to)\s*(\S.*)$")
MOST_ROWS = 200
MOST_BYTES = 200_000
"""Of a chart file: the longest chart known has seven rows. Own choice."""
WIDTH_LIMITS_MM = (0.5, 12.0)
"""Sane cane and binder widths; the known ones run from 1.5 to 6 mm (from memory)."""
HOLE_LIMITS_MM = (1.0, 20.0)
SPACING_LIMITS_MM = (3.0, 60.0)
"""Beyond these an entry is a slip: charts run from 1/8 to 5/16 in and from 3/8 to 7/8 in. Own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of a chart; what is blank in print is None here.

    Attributes
    ----------
    cane : str or None
        Name as printed.
    width_low_mm, width_high_mm : float or None
        Width as printed; equal where one width is printed.
    hole_mm, spacing_mm : float or None
    hole_printed, spacing_printed, width_printed : str
        As they stand in the chart, with unit; empty when blank.
    """

    cane: str | None
    width_low_mm: float | None
    width_high_mm: float | None
    hole_mm: float | None
    spacing_mm: float | None
    width_printed: str
    hole_printed: str
    spacing_printed: str

    def words(self) -> str:
        """``fine: hole 3/16 in, spacing 5/8 in``; blanks are said to be blank."""
        parts = [f"width {self.width_printed}"] if self.width_printed else []
        parts.append(f"hole {self.hole_printed or 'blank'}")
        parts.append(f"spacing {self.spacing_printed or 'blank'}")
        return f"{self.cane or 'no name'}: {', '.join(parts)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """One chart, rows in the order of the file (thinnest first)."""

    name: str
    title: str
    grade: str
    source: str
    spacing_meaning: SpacingMeaning
    notes: tuple[str, ...]
    rows: tuple[Row, ...]

    @property
    def cited(self) -> str:
        """Title with grade, such as ``Perry 1917 [A]``."""
        return f"{self.title} [{self.grade}]"

    def spacing_centre_mm(self, row: Row, hole_mm: float | None) -> float | None:
        """The row's spacing centre to centre: wood between the holes gets the row's hole, else ``hole_mm``, added."""
        if row.spacing_mm is None or self.spacing_meaning != "between":
            return row.spacing_mm
        hole = row.hole_mm if row.hole_mm is not None else hole_mm
        return None if hole is None else row.spacing_mm + hole


def parse_chart(text: str, *, source: str, grade: str | None = None) -> Chart:
    """Read a chart from TOML text.

    Parameters
    ----------
    text : the file's text.
    source : what to call it in complaints, such as ``'mine.toml'`` with quotes.
    grade : grade that overrides the file's; a user's file is always ``U``.

    Raises
    ------
    BadInput
        With one sentence on what is wrong and where.
    """
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as e:
        why = str(e) if isinstance(e, tomllib.TOMLDecodeError) else "too deeply nested or a number out of range"
        raise BadInput(f"{source} is not a chart file: {why}.", "See docs/charts-format.md.") from e
    _known_keys(raw, _CHART_KEYS, source)
    name = _text(raw, "name", source)
    if not _NAME.match(name):
        raise BadInput(f"{source} has the name {name!r}; use small letters, digits, points and dashes, at most 40.")
    meaning = _text(raw, "spacing", source)
    if meaning not in SPACING_MEANINGS:
        raise BadInput(f"{source} says its spacing is {meaning!r}; it must be one of: {', '.join(SPACING_MEANINGS)}.")
    unit = _text(raw, "unit", source)
    if unit not in ("in", "mm"):
        raise BadInput(f"{source} has the unit {unit!r}; it must be in or mm.")
    own_grade = grade or _text(raw, "grade", source)
    if own_grade not in GRADES:
        raise BadInput(f"{source} has the grade {own_grade!r}; it must be one of: {', '.join(GRADES)}.")
    notes = raw.get("notes", [])
    if not isinstance(notes, list) or not all(isinstance(n, str) for n in notes):
        raise BadInput(f"{source}: notes should be a list of texts.")
    table = raw.get("row", [])
    if not isinstance(table, list) or not table:
        raise BadInput(f"{source} has no [[row]].", "A chart needs at least one row.")
    if len(table) > MOST_ROWS:
        raise BadInput(f"{source} has {len(table)} rows; at most {MOST_ROWS} are read.")
    rows = tuple(_row(r, f"{source}, row {k}", unit) for k, r in enumerate(table, 1))
    return Chart(
        name=name,
        title=_text(raw, "title", source) if "title" in raw else name,
        grade=own_grade,
        source=_text(raw, "source", source),
        spacing_meaning=meaning,
        notes=tuple(notes),
        rows=rows,
    )


def read_chart(path: Path) -> Chart:
    """Read a user's chart file; its grade is ``U`` whatever it says.

    Raises
    ------
    BadInput
        When it cannot be read, is no chart, or cannot decide anything (see `ordered_or_complain`).
    """
    hint = "Give a chart file as in docs/charts-format.md."
    text = read_text(path, most_bytes=MOST_BYTES, what="a chart file", hint=hint)
    chart = parse_chart(text, source=f"'{path}'", grade="U")
    if chart.name in (*BUILT_IN, NAMES_TABLE):
        raise BadInput(f"'{path}' has the name of a built-in chart, {chart.name}.", "Give it a name of its own.")
    for k, row in enumerate(chart.rows, 1):
        if row_width_mm(row) is None:
            raise BadInput(
                f"'{path}', row {k}: no width, and {row.cane!r} is no name whose usual width is known.",
                'Add a width, such as width = "2.5".',
            )
    ordered_or_complain(chart, f"'{path}'")
    return chart


def ordered_or_complain(chart: Chart, source: str) -> None:
    """A wider cane never wants a closer spacing or a smaller hole; a chart that says so is mistyped."""
    rows = sorted((r for r in chart.rows if row_width_mm(r) is not None), key=lambda r: row_width_mm(r) or 0.0)
    for field, word in (("spacing_mm", "spacing"), ("hole_mm", "hole")):
        have = [r for r in rows if getattr(r, field) is not None]
        for thin, wide in itertools.pairwise(have):
            if getattr(thin, field) > getattr(wide, field) + 1e-9 and row_width_mm(thin) != row_width_mm(wide):
                raise BadInput(
                    f"{source}: {wide.cane or wide.width_printed} is wider than {thin.cane or thin.width_printed} "
                    f"but has the smaller {word}.",
                    "Look for a slip in the rows.",
                )


@cache
def built_in(name: str) -> Chart:
    """One of the charts that come along, or the table of names."""
    text = resources.files(__package__).joinpath("charts", f"{name}.toml").read_text(encoding="utf-8")
    return parse_chart(text, source=f"the built-in chart {name}")


def built_in_charts() -> tuple[Chart, ...]:
    """All charts that come along, without the table of names."""
    return tuple(built_in(name) for name in BUILT_IN)


def names_table() -> Chart:
    """Usual widths by name (from memory)."""
    return built_in(NAMES_TABLE)


def chart_named(name: str, charts: Iterable[Chart]) -> Chart:
    """The chart of that name; `BadInput` naming those there are."""
    charts = tuple(charts)
    for chart in charts:
        if chart.name == name:
            return chart
    raise BadInput(f"There is no chart named '{name}'.", f"There are: {', '.join(c.name for c in charts)}.")


def row_width_mm(row: Row) -> float | None:
    """Widest cane the row stands for: its own printed width, else the usual one of its name (from memory)."""
    if row.width_high_mm is not None:
        return row.width_high_mm
    for known in names_table().rows:
        if row.cane is not None and known.cane == row.cane.strip().lower():
            return known.width_high_mm
    return None


def width_name(width_mm: float, chart: Chart | None = None) -> str:
    """Name of a cane by its width: from ``chart`` where it names that width, else the usual one (from memory).

    Ranges of neighbouring names share their ends; a width at the top of one range takes that name.
    Empty when no name is known.
    """
    tables = ([chart] if chart else []) + [names_table()]
    for table in tables:
        named = [r for r in table.rows if r.cane and r.width_high_mm is not None and r.width_low_mm is not None]
        for r in named:
            if r.width_high_mm == width_mm:
                return r.cane or ""
        for r in named:
            if (r.width_low_mm or 0.0) <= width_mm <= (r.width_high_mm or 0.0):
                return r.cane or ""
    return ""


def also_named(width_mm: float) -> tuple[str, ...]:
    """All usual names a width is sold under (from memory), narrowest name first."""
    return tuple(
        r.cane or ""
        for r in names_table().rows
        if r.width_low_mm is not None and r.width_high_mm is not None and r.width_low_mm <= width_mm <= r.width_high_mm
    )


def _known_keys(table: Mapping[str, Any], known: set[str], where: str) -> None:
    extra = sorted(set(table) - known)
    if extra:
        raise BadInput(f"{where} has the unknown entry {extra[0]!r}.", f"Known are: {', '.join(sorted(known))}.")


def _text(table: Mapping[str, Any], key: str, where: str) -> str:
    value = table.get(key)
    if not isinstance(value, str) or not value.strip():
        raise BadInput(f"{where} lacks {key!r} (a text).", "See docs/charts-format.md.")
    return " ".join(value.split())


def _row(raw: object, where: str, unit: str) -> Row:
    if not isinstance(raw, dict):
        raise BadInput(f"{where} should be a table with cane, width, hole, spacing.")
    _known_keys(raw, _ROW_KEYS, where)
    cane = _text(raw, "cane", where) if "cane" in raw else None
    if cane is None and "width" not in raw:
        raise BadInput(f"{where} has neither a cane nor a width.")
    low = high = None
    if "width" in raw:
        low, high = _width(_written(raw, "width", where), where)
    return Row(
        cane=cane,
        width_low_mm=low,
        width_high_mm=high,
        hole_mm=_length(raw, "hole", where, unit, HOLE_LIMITS_MM),
        spacing_mm=_length(raw, "spacing", where, unit, SPACING_LIMITS_MM),
        width_printed=_with_unit(raw, "width", "mm"),
        hole_printed=_with_unit(raw, "hole", unit),
        spacing_printed=_with_unit(raw, "spacing", unit),
    )


def _written(raw: Mapping[str, Any], key: str, where: str) -> str:
    value = raw[key]
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise BadInput(f"{where}: {key} should be a length.")
    return str(value).strip()


def _length(raw: Mapping[str, Any], key: str, where: str, unit: str, limits: tuple[float, float]) -> float | None:
    if key not in raw or _written(raw, key, where) == "":
        return None
    return _checked(_written(raw, key, where), unit, f"{where}: {key}", limits)


def _checked(text: str, unit: str, where: str, limits: tuple[float, float]) -> float:
    try:
        value_mm = parse_length_mm(text, default_unit=unit)
    except ValueError as e:
        raise BadInput(f"{where}: {e}.") from e
    if not limits[0] <= value_mm <= limits[1]:
        raise BadInput(
            f"{where}: {text!r} is {value_mm:.4g} mm ({inches_32(value_mm)}), which is outside "
            f"{limits[0]:g} to {limits[1]:g} mm."
        )
    return value_mm


def _width(text: str, where: str) -> tuple[float, float]:
    found = _RANGE.match(text)
    ends = [found[1], found[2]] if found else [text]
    widths = [_checked(end, "mm", f"{where}: width", WIDTH_LIMITS_MM) for end in ends]
    if widths[0] > widths[-1]:
        raise BadInput(f"{where}: width {text!r} runs backwards.")
    return widths[0], widths[-1]


def _with_unit(raw: Mapping[str, Any], key: str, unit: str) -> str:
    if key not in raw or str(raw[key]).strip() == "":
        return ""
    text = str(raw[key]).strip()
    return text if re.search(r"[A-Za-z\"″']", text) else f"{text} {unit}"
