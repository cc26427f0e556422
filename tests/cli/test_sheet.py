"""The verb sheet: one seat or several, photograph found or not, and every failure one sentence."""

import hashlib
from dataclasses import replace
from pathlib import Path

import made_measurement as made
import numpy as np
import pytest
from PIL import Image

from holecount import tally
from holecount.cli import run
from holecount.measurement import Measurement


def saved(folder: Path, name: str = "seat.json", m: Measurement | None = None) -> Path:
    file = folder / name
    file.write_text(tally.to_json(m or made.special()), encoding="utf-8")
    return file


def test_sheet_of_a_saved_measurement(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "my sheet.html"
    assert run(["sheet", str(saved(tmp_path)), "-o", str(out), "--name", "Küchenstuhl", "--date", "2026-11-25"]) == 0
    html = out.read_text(encoding="utf-8")
    assert "Küchenstuhl" in html
    assert "2026-11-25" in html
    printed, err = capsys.readouterr()
    assert printed == ""
    assert "does not lie beside" in err


def test_it_goes_to_standard_output_without_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["sheet", str(saved(tmp_path))]) == 0
    assert capsys.readouterr().out.startswith("<!doctype html>")


def test_the_photograph_beside_is_marked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Image.fromarray(np.full((1200, 1600, 3), 150, np.uint8)).save(tmp_path / "seat.jpg")
    digest = hashlib.sha256((tmp_path / "seat.jpg").read_bytes()).hexdigest()
    file = saved(tmp_path, m=replace(made.special(), photo_sha256=digest))
    assert run(["sheet", str(file)]) == 0
    out, err = capsys.readouterr()
    assert "data:image/jpeg;base64," in out
    assert err == ""


def test_another_photograph_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Image.fromarray(np.full((1200, 1600, 3), 150, np.uint8)).save(tmp_path / "other.jpg")
    assert run(["sheet", str(saved(tmp_path)), "--photo", str(tmp_path / "other.jpg")]) == 4
    assert "is not the photograph that was measured" in capsys.readouterr().err


def test_readings_notes_and_old_seat(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "tape.txt").write_text("pitch front: 1/2\nhole: 3/16\n", encoding="utf-8")
    Image.fromarray(np.full((300, 400, 3), 90, np.uint8)).save(tmp_path / "old.png")
    args = ["--readings", str(tmp_path / "tape.txt"), "--notes", "Walnut.", "--old-seat", str(tmp_path / "old.png")]
    assert run(["sheet", str(saved(tmp_path)), *args, "--cracks", "no", "--couched"]) == 0
    html = capsys.readouterr().out
    assert "Tape beside the photograph" in html
    assert "Walnut." in html
    assert "data:image/jpeg;base64," in html
    assert "stand or sit" not in html
    assert "couching counted" in html


def test_several_make_a_set(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [str(saved(tmp_path, f"chair {k}.json")) for k in (1, 2, 3)]
    assert run(["sheet", *files]) == 0
    several = capsys.readouterr().out
    assert "same cane for all" in several
    assert "chair 2" in several
    assert run(["sheet", str(tmp_path)]) == 0
    assert "same cane for all" in capsys.readouterr().out


def test_nothing_is_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "sheet.html"
    out.write_text("mine", encoding="utf-8")
    assert run(["sheet", str(saved(tmp_path)), "-o", str(out)]) == 5
    assert out.read_text(encoding="utf-8") == "mine"
    assert run(["sheet", str(saved(tmp_path)), "-o", str(out), "--force"]) == 0
    capsys.readouterr()


@pytest.mark.parametrize(
    ("content", "status", "words"),
    [
        ("", 4, "not a saved measurement"),
        ("[]", 4, "not a saved measurement"),
        ('{"schema": 99, "holes": []}', 4, "schema 99"),
    ],
)
def test_what_is_no_measurement_is_refused(
    content: str, status: int, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "x.json"
    file.write_text(content, encoding="utf-8")
    assert run(["sheet", str(file)]) == status
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert err.count("\n") == 1


def test_an_empty_folder_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["sheet", str(tmp_path)]) == 4
    assert "neither jobs nor saved measurements" in capsys.readouterr().err


def test_what_belongs_to_one_seat_is_refused_for_several(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = str(saved(tmp_path))
    assert run(["sheet", file, file, "--notes", "x"]) == 2
    assert "With several seats" in capsys.readouterr().err
