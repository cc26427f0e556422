"""The verb size: saved measurements, typed figures, both; table and JSON; complaints in one sentence."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import made_measurement as made
import pytest

from holecount import tally
from holecount.cli import run

Capture = pytest.CaptureFixture[str]

MINE = """
name = "mine"
source = "list of 2026"
spacing = "centre to centre"
unit = "mm"
grade = "U"
[[row]]
cane = "No. 7"
width = "2.4"
hole = "4.5"
spacing = "12"
"""


@pytest.fixture
def saved(tmp_path: Path) -> Path:
    path = tmp_path / "my seat.json"
    path.write_text(tally.to_json(made.special()), encoding="utf-8")
    return path


def size(capsys: Capture, *arguments: str) -> str:
    assert run(["size", *arguments]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return out


def as_json(capsys: Capture, *arguments: str) -> dict[str, Any]:
    return dict(json.loads(size(capsys, *arguments, "--as", "json")))


def complaint(capsys: Capture, *arguments: str, status: int = 4) -> str:
    assert run(["size", *arguments]) == status
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1 or status == 2
    return err


def test_saved_measurement(capsys: Capture, saved: Path) -> None:
    told = size(capsys, str(saved))
    assert told.startswith("Take  2.25 mm (fine-fine), ")
    for word in ("pitch", "tightest", "holes", "4 strands", "binder", "charts", "Good to know", "Look again", "glare"):
        assert word in told
    assert max(map(len, told.splitlines())) <= 88
    plain = as_json(capsys, str(saved))
    assert plain["choice"]["width_mm"] == 2.25
    assert plain["choice"]["name"] == "fine-fine"
    assert plain["low_confidence"]
    assert plain["figures"]["origin"] == "photo"


def test_typed_figures(capsys: Capture) -> None:
    plain = as_json(capsys, "--pitch", "1/2", "--hole", "3/16", "--six-inches", "12,11,12")
    assert plain["choice"]["name"] == "fine-fine"
    assert plain["figures"]["origin"] == "typed"
    assert {"width_mm", "name", "chance"} <= set(plain["candidates"][0])
    assert plain["binder"]["width_mm"] == 5.0
    assert plain["fits"]
    assert isinstance(plain["remarks"], list)
    assert plain["low_confidence"] == []


def test_shape_and_couching(capsys: Capture) -> None:
    figures = ("--pitch", "15.3 mm", "--hole", "4.8mm")
    assert as_json(capsys, *figures, "--shape", "square")["choice"]["name"] == "fine"
    assert as_json(capsys, *figures, "--shape", "round")["choice"]["name"] == "fine-fine"
    couched = as_json(capsys, *figures, "--shape", "round", "--couched", "--thickness", "1.2")
    assert couched["couched"]
    assert couched["choice"]["width_mm"] < 2.25
    assert couched["strand"] == {"thickness_mm": 1.2, "thickness_from": "measured"}
    assert as_json(capsys, *figures, "--strands", "8")["choice"]["width_mm"] < 2.5


def test_both_together(capsys: Capture, saved: Path) -> None:
    plain = as_json(capsys, str(saved), "--pitch", "13 mm")
    assert plain["figures"]["origin"] == "photo and typed"
    assert 12.7 < plain["figures"]["pitch_mm"] < 13


def test_explain_cites_rows_and_sources(capsys: Capture) -> None:
    told = size(capsys, "--pitch", "5/8", "--hole", "3/16", "--explain")
    flat = " ".join(told.split())
    assert 'usual chart [M], row "fine: hole 3/16 in, spacing 5/8 in"' in flat
    assert 'Perry 1917 [A], row "fine: hole 3/16 in, spacing 5/8 in"' in flat
    assert "common practice, no source" in flat


def test_own_chart_decides_unless_told_otherwise(capsys: Capture, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(MINE, encoding="utf-8")
    figures = ("--pitch", "1/2", "--hole", "3/16", "--chart", str(path))
    plain = as_json(capsys, *figures)
    assert (plain["deciding_chart"], plain["choice"]["name"]) == ("mine", "No. 7")
    assert plain["charts"][0]["chart"] == "mine"
    assert as_json(capsys, *figures, "--decide", "perry-1917")["deciding_chart"] == "perry-1917"


def test_into_a_file(capsys: Capture, tmp_path: Path) -> None:
    out = tmp_path / "size.json"
    assert size(capsys, "--pitch", "1/2", "--as", "json", "-o", str(out)) == ""
    assert json.loads(out.read_text())["choice"]
    assert "is there already" in complaint(capsys, "--pitch", "1/2", "-o", str(out), status=5)
    assert size(capsys, "--pitch", "5/8", "--force", "-o", str(out)) == ""
    assert "Take  2.5 mm (fine)" in out.read_text()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "nothing to choose from"),
        (("--pitch", "banana"), "'banana' was not understood as a distance"),
        (("--pitch", "13 in", "--hole", "3/16"), "understood as 330.2 mm (13 in): no seat has that distance"),
        (("--pitch", "13 in"), "Was 13 mm meant?"),
        (("--pitch", "0.5 mm"), "Was 0.5 in meant?"),
        (("--hole", "1 3/16"), "Was it read from the 1-inch mark?"),
        (("--six-inches", "120"), "understood as 120: no seat has that number of holes in six inches (3 to 30)"),
        (("--hole", "3/16 over 2"), "length over 2 holes"),
        (("--pitch", "1/2", "--decide", "best"), "no chart named 'best'"),
        (("--pitch", "1/2", "--thickness", "thin"), "thickness cannot be read"),
        (("--pitch", "1/2", "--thickness", "9"), "no cane"),
        (("--pitch", "1/2", "--strands", "99"), "cannot be"),
        (("--pitch", "1/2", "--chart", "nowhere.toml"), "cannot be read"),
        (("nowhere.json",), "cannot be read"),
    ],
)
def test_complaints(capsys: Capture, arguments: tuple[str, ...], said: str) -> None:
    assert said in complaint(capsys, *arguments)


def test_damaged_and_unscaled_measurements(capsys: Capture, tmp_path: Path) -> None:
    path = tmp_path / "seat.json"
    path.write_text("{}")
    assert "not a saved measurement" in complaint(capsys, str(path))
    path.write_text(tally.to_json(made.measurement_of(made.square_seat(), scale=False)))
    assert "in pixels" in complaint(capsys, str(path))
    path.write_text(MINE.replace("2.4", "2.4 ft"))
    assert "not a length" in complaint(capsys, "--pitch", "1/2", "--chart", str(path))
    path.write_text(MINE)
    twice = ("--chart", str(path), "--chart", str(path))
    assert "Two charts are named 'mine'" in complaint(capsys, "--pitch", "1/2", *twice)


def test_sizing_loads_no_picture_reader() -> None:
    """The paper verbs must not wait for OpenCV."""
    code = (
        "import sys; from holecount.cli import run; run(['size', '--pitch', '1/2', '--hole', '3/16']);"
        "assert not {'cv2', 'scipy', 'skimage', 'matplotlib', 'holecount.photo'} & set(sys.modules), sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)
