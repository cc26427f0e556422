"""The verb tape: readings by themselves and against a saved measurement."""

import json
from pathlib import Path
from typing import Any

import made_measurement as made
import pytest

from holecount import tally
from holecount.cli import run

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def saved(tmp_path: Path) -> Path:
    path = tmp_path / "seat.json"
    path.write_text(tally.to_json(made.measurement_of(made.square_seat(side=14))), encoding="utf-8")
    return path


def tape(capsys: Capture, *arguments: str) -> str:
    assert run(["tape", *arguments]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return out


def as_json(capsys: Capture, *arguments: str) -> dict[str, Any]:
    return dict(json.loads(tape(capsys, *arguments, "--as", "json")))


def test_tape_alone(capsys: Capture) -> None:
    told = tape(capsys, "--six-inches", "12, 12, 11 1/2", "--hole", "3/16", "--pitch", "1/2, 1/2+")
    assert told.startswith("Readings\n")
    assert "Take  2.25 mm (fine-fine)" in told
    assert "seat by the tape: pitch" in " ".join(told.split())
    assert max(map(len, told.splitlines())) <= 88


def test_against_the_photo(capsys: Capture, saved: Path) -> None:
    told = tape(capsys, str(saved), "--pitch", "front: 1/2, 1 1/2", "--six-inches", "12, 10", "--along", "front: 14")
    flat = " ".join(told.split())
    assert "Readings against the photo" in told
    assert "agrees front pitch 1/2" in flat
    assert "wrong front pitch 1 1/2" in flat
    assert "read from the 1-inch mark" in flat
    assert "counted spaces instead of holes (fence-post)" in flat
    assert "Wrong readings are left out below." in told
    plain = as_json(capsys, str(saved), "--pitch", "front: 1/2, 1 1/2", "--six-inches", "12, 10")
    assert [c["verdict"] for c in plain["checks"]] == ["agrees", "wrong", "agrees", "doubtful"]
    assert plain["size"]["choice"]["name"] == "fine-fine"
    assert plain["size"]["figures"]["origin"] == "photo and tape"
    assert {"as_written", "understood", "value_mm", "u_mm", "slips", "expected"} <= set(plain["checks"][0])
    assert plain["tape"][0]["name"] == "seat"


def test_only_holes_along_rails(capsys: Capture, saved: Path) -> None:
    plain = as_json(capsys, str(saved), "--along", "front: 15, left: 15")
    assert [c["verdict"] for c in plain["checks"]] == ["agrees", "agrees"]
    assert plain["size"]["figures"]["origin"] == "photo"


def test_readings_from_a_file(capsys: Capture, tmp_path: Path) -> None:
    path = tmp_path / "chair.txt"
    path.write_text("pitch is: side\npitch front: 1/2, 1/2\npitch left: 9/16\nhole: 3/16\nsix inches: 12, 11\n")
    plain = as_json(capsys, "--readings", str(path))
    assert len(plain["checks"]) == 6
    assert [s["name"] for s in plain["tape"]] == ["seat", "front", "left"]
    told = tape(capsys, "--readings", str(path))
    assert "front by the tape" in told


def test_side_and_between(capsys: Capture) -> None:
    plain = as_json(capsys, "--taken", "between", "--pitch", "8 mm, 8 mm", "--hole", "4.8 mm", "--unit", "mm")
    assert plain["size"]["figures"]["pitch_mm"] == pytest.approx(12.8)


def test_into_a_file(tmp_path: Path, capsys: Capture) -> None:
    out = tmp_path / "t.json"
    assert tape(capsys, "--pitch", "1/2", "--hole", "3/16", "--as", "json", "-o", str(out)) == ""
    assert json.loads(out.read_text())["size"]["choice"]["width_mm"] == 2.25


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "There are no readings"),
        (("--pitch", "eleven"), "'eleven' was not understood"),
        (("--pitch", "13 in"), "No reading is left"),
        (("--along", "front: 15"), "No reading is left"),
        (("--pitch", "8 mm", "--taken", "between"), "no hole diameter to add"),
        (("--readings", "nowhere.txt"), "cannot be read"),
        (("nowhere.json", "--pitch", "1/2"), "cannot be read"),
        (("--six-inches", "top: 12"), "no place"),
    ],
)
def test_complaints(capsys: Capture, arguments: tuple[str, ...], said: str) -> None:
    assert run(["tape", *arguments]) == 4
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert err.count("\n") == 1
