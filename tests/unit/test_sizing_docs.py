"""What the sizing, tape and chart pages promise is so."""

import json
import re
from pathlib import Path

import made_measurement as made
import pytest

from holecount.sizing import built_in_charts, choose, figures_from, names_table, parse_chart, remarks, to_dict
from holecount.sizing.chart import GRADES, SPACING_MEANINGS
from holecount.tape import read_list, read_text
from holecount.tape.reading import Quantity

DOCS = Path(__file__).parents[2] / "docs"
SIZING, TAPE, CHARTS = (
    (DOCS / name).read_text(encoding="utf-8") for name in ("sizing.md", "tape.md", "charts-format.md")
)


def in_code(name: str, text: str) -> bool:
    return re.search(rf"`{re.escape(name)}(\[\])?`", text) is not None


def test_every_json_field_is_documented() -> None:
    plain = to_dict(choose(figures_from(made.special())))
    assert json.dumps(plain, allow_nan=False)
    for name, value in plain.items():
        assert in_code(name, SIZING), name
        if name in ("low_confidence", "reasons"):
            continue  # the first is the measurement's own, in the glossary
        inner = value[0] if isinstance(value, list) and value and isinstance(value[0], dict) else value
        if isinstance(inner, dict):
            for field in inner:
                assert in_code(field, SIZING), f"{name}.{field}"


def test_every_kind_of_remark_is_documented() -> None:
    source = Path(remarks.__file__).read_text(encoding="utf-8")
    codes = set(re.findall(r'\(\(?"([a-z-]+)",\s*(?:words|f?"|w\)|x\.)', source))
    assert len(codes) >= 15
    listed = set(re.findall(r"`([a-z-]+)`", SIZING.split("Kinds of remarks:")[1].split("##")[0]))
    assert codes <= listed
    assert listed <= set(re.findall(r'"([a-z-]+)"', source))


def test_the_example_chart_is_one() -> None:
    example = re.search(r"```toml\n(.*?)```", CHARTS, re.DOTALL)
    assert example
    chart = parse_chart(example[1], source="the example", grade="U")
    assert [r.width_high_mm for r in chart.rows] == [2.25, 2.5]
    for word in (*SPACING_MEANINGS, "name", "title", "source", "unit", "notes", "cane", "width", "hole", "[[row]]"):
        assert f"`{word}`" in CHARTS


def test_charts_and_grades_are_listed() -> None:
    for chart in (*built_in_charts(), names_table()):
        assert f"| `{chart.name}` | {chart.grade} |" in CHARTS
    for letter, words in GRADES.items():
        assert f"{letter} {words.split(',')[0]}" in CHARTS


def test_the_example_readings_are_readable() -> None:
    example = re.search(r"## A file of readings\n\n```\n(.*?)```", TAPE, re.DOTALL)
    assert example
    assert len(read_text(example[1])) == 8


@pytest.mark.parametrize(
    ("cell", "quantity"),
    [
        ('`1/2`, `1/2"`, `1/2 in`, `½`, `1 1/8`, `1-1/8`', "pitch"),
        ("`13 mm`, `1.3 cm`, `12,5 mm`", "pitch"),
        ("`1/2+`, `just over 1/2`, `full 1/2`", "pitch"),
        ("`about 1/2`, `~1/2`", "pitch"),
        ("`127 mm over 10`, `5 in over 10`", "pitch"),
        ("`12`, `11 1/2`, `11.5`", "six-inches"),
        ("`front: 1/2, 9/16; left: 1/2`", "pitch"),
    ],
)
def test_ways_of_writing_in_the_page_are_read(cell: str, quantity: Quantity) -> None:
    assert cell in TAPE
    for written in re.findall(r"`([^`]+)`", cell):
        assert read_list(written, quantity)


def test_python_example_names_what_there_is() -> None:
    example = re.search(r"```python\n(.*?)```", SIZING, re.DOTALL)
    assert example
    for line in example[1].splitlines():
        if line.startswith(("from", "import")):
            exec(line, {})
