"""The verb charts: rows as printed, blanks blank, sources beside them."""

import json
from pathlib import Path

import pytest

from holecount.cli import run

Capture = pytest.CaptureFixture[str]


def test_all_charts_with_sources(capsys: Capture) -> None:
    assert run(["charts"]) == 0
    out = capsys.readouterr().out
    for part in (
        "perry-1917: Perry 1917",
        "[A] published handbook or bulletin",
        "source: L. Day Perry, Seat Weaving, Manual Arts Press, Peoria, 1917",
        "usual: usual chart",
        "[M] from memory, unconfirmed",
        "repair-handbook",
        "metric-pairs",
        "names: usual widths by name",
        "spacing: centre to centre",
    ):
        assert part in out


def test_rows_are_shown_as_printed_and_blanks_stay_blank(capsys: Capture) -> None:
    assert run(["charts", "perry-1917"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert any(
        line.split() == ["fine-fine", "4.76", "mm,", "3/16", "in", "12.70", "mm,", "1/2", "in"] for line in lines
    )
    assert "  common" in lines
    assert "  wide binder" in lines


def test_json(capsys: Capture) -> None:
    assert run(["charts", "--as", "json"]) == 0
    made = json.loads(capsys.readouterr().out)
    assert [c["name"] for c in made["charts"]] == ["usual", "perry-1917", "repair-handbook", "metric-pairs", "names"]
    common = made["charts"][1]["rows"][5]
    assert common["cane"] == "common"
    assert common["hole_mm"] is None
    assert common["spacing_printed"] == ""


def test_own_chart_is_shown_beside(capsys: Capture, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(
        'name = "mine"\nsource = "list"\nspacing = "between"\nunit = "in"\n[[row]]\ncane = "fine"\nspacing = "7/16"\n'
        'grade = "U"\n'.replace('grade = "U"\n', "")
    )
    assert run(["charts", "mine", "--chart", str(path)]) == 0
    out = capsys.readouterr().out
    assert "[U] added by the user" in out
    assert "11.11 mm, 7/16 in" in out


def test_complaints(capsys: Capture, tmp_path: Path) -> None:
    assert run(["charts", "best"]) == 4
    assert "no chart named 'best'" in capsys.readouterr().err
    assert run(["charts", "--chart", str(tmp_path)]) == 4
    assert "cannot be read" in capsys.readouterr().err
