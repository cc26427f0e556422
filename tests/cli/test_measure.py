"""The verb measure: data on standard output alone, files whole, several photographs at once, failures told."""

import csv
import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import made_measurement as made
import numpy as np
import pytest
from PIL import Image

import holecount.measure
from holecount import tally
from holecount.cli import run
from holecount.fixes import Fixes, MarkedHole, Place, to_text
from holecount.measure import MeasureRequest
from holecount.measurement import Measurement
from holecount.photo import Photo, read_photo
from holecount.troubles import NoScale

SAMPLES = Path(__file__).parents[2] / "samples"


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    file = tmp_path / "my seat.jpg"
    Image.fromarray(np.full((1200, 1600, 3), 150, np.uint8)).save(file)
    return file


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[MeasureRequest]:
    """Measuring takes no time and gives a made-up seat; what was asked for is kept."""
    kept: list[MeasureRequest] = []

    def measure_photo(photo: Photo, request: MeasureRequest, progress: Callable[[str], None] | None) -> Measurement:
        kept.append(request)
        return replace(made.special(), photo_sha256=photo.sha256, photo_name=photo.path.name)

    monkeypatch.setattr(holecount.measure, "measure_photo", measure_photo)
    return kept


@pytest.mark.usefixtures("asked")
def test_json_is_all_there_is_on_standard_output(photo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["measure", str(photo), "--as", "json"]) == 0
    out, err = capsys.readouterr()
    m = tally.from_json(out)
    assert m.photo_name == "my seat.jpg"
    assert m.holes == made.special().holes
    assert err == ""


@pytest.mark.usefixtures("asked")
def test_table_and_csv(photo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["measure", str(photo)]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("my seat.jpg: 39 holes")
    assert err == ""
    assert run(["measure", str(photo), "--as", "csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert len(rows) == 40
    assert rows[4]["status"] == "blocked"
    assert rows[4]["diameter_mm"] == ""


@pytest.mark.usefixtures("asked")
def test_files_are_written_once(photo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, marked = tmp_path / "seat.json", tmp_path / "marked.jpg"
    command = ["measure", str(photo), "--as", "json", "-o", str(out), "--marked", str(marked)]
    assert run(command) == 0
    assert capsys.readouterr().out == ""
    assert tally.read(out).seat.n_holes == 39
    assert read_photo(marked).width_px > 500
    before = out.read_bytes(), marked.read_bytes()
    assert run(command) == 5
    said = capsys.readouterr().err
    assert "there already" in said
    assert said.count("\n") == 1
    assert (out.read_bytes(), marked.read_bytes()) == before
    assert run([*command, "--force"]) == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == ["marked.jpg", "my seat.jpg", "seat.json"]


def test_nothing_is_measured_when_the_result_has_no_place(
    photo: Path, tmp_path: Path, asked: list[MeasureRequest]
) -> None:
    assert run(["measure", str(photo), "-o", str(tmp_path / "none" / "x")]) == 5
    assert run(["measure", str(photo), "--marked", str(tmp_path / "none" / "x.jpg")]) == 5
    assert not asked


def test_options_reach_the_measuring(photo: Path, asked: list[MeasureRequest], tmp_path: Path) -> None:
    fix = tmp_path / "fix.json"
    fix.write_text('{"holecount_fixes": 1, "add": [{"x": 5, "y": 6}]}')
    given = ["--card", "100x60", "--card", "card", "--sheet", "a4", "--ruler", "inch", "--pixels", "--fix", str(fix)]
    given += ["--between", "10,10,210,10=4in", "--corners", "10,10,110,12,108,80,9,79=85.6x53.98mm"]
    assert run(["measure", str(photo), *given]) == 0
    (request,) = asked
    assert request.cards is not None
    assert [(c.key, c.long_mm) for c in request.cards] == [("rectangle", 100), ("card", 85.6), ("a4", 297)]
    assert request.ruler == "inch"
    assert request.in_pixels
    assert [r.kind for r in request.by_hand] == ["length", "rectangle"]
    assert request.fixes is not None
    assert request.fixes.add[0].x_px == 5
    asked.clear()
    assert run(["measure", str(photo)]) == 0
    assert asked == [MeasureRequest()]


@pytest.fixture
def finished(monkeypatch: pytest.MonkeyPatch) -> list[Fixes | None]:
    """Nothing is looked for; every measurement comes out the same, and the corrections made to it are kept."""
    out: list[Fixes | None] = []

    def finish(photo: object, located: object, fixes: Fixes | None = None) -> Measurement:
        out.append(fixes)
        return made.special()

    monkeypatch.setattr("holecount.measure.locate", lambda *_: None)
    monkeypatch.setattr("holecount.measure.finish", finish)
    return out


def test_holes_called_by_number_are_found_first(photo: Path, finished: list[Fixes | None], tmp_path: Path) -> None:
    fix = tmp_path / "fix.json"
    sha256 = read_photo(photo).sha256
    f = Fixes(
        photo_sha256=sha256, strike_out=(Place(number=2),), mark=(MarkedHole(place=Place(number=3), status="blocked"),)
    )
    fix.write_text(to_text(f))
    assert run(["measure", str(photo), "--fix", str(fix)]) == 0
    bare, placed = finished
    assert bare is None
    assert placed is not None
    second = made.special().holes[1]
    assert placed.strike_out[0].at_px == (second.x_px, second.y_px)


@pytest.mark.usefixtures("finished")
@pytest.mark.parametrize(
    ("fix", "words"),
    [
        (None, "cannot be read"),
        ("{}", "lacks"),
        (to_text(Fixes(photo_sha256="ab" * 32, strike_out=(Place(number=2),))), "another photograph"),
        ('{"holecount_fixes": 1, "strike_out": [{"number": 2}]}', "photo_sha256"),
    ],
)
def test_fix_files_that_cannot_be_meant(
    photo: Path, fix: str | None, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "fix.json"
    if fix is not None:
        file.write_text(fix)
    assert run(["measure", str(photo), "--fix", str(file)]) == 4
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert err.count("\n") == 1


@pytest.mark.usefixtures("asked")
def test_points_outside_the_picture(photo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["measure", str(photo), "--between", "10,10,5000,10=4in"]) == 4
    assert "outside the picture" in capsys.readouterr().err


def test_no_scale(photo: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def refuse(*_: object) -> None:
        raise NoScale("Nothing of known size was found.", "Lay a bank card on the frame.")

    monkeypatch.setattr(holecount.measure, "measure_photo", refuse)
    assert run(["measure", str(photo), "--as", "json"]) == 3
    out, err = capsys.readouterr()
    assert out == ""
    assert err == "holecount: Nothing of known size was found. Lay a bank card on the frame.\n"


BAD = {
    "missing": None,
    "empty": b"",
    "text": b"hello",
    "pdf": b"%PDF-1.7 ...",
    "cut off": (SAMPLES / "round-stool.jpg").read_bytes()[:200_000],
}


@pytest.mark.parametrize("kind", BAD)
def test_bad_input(kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / f"{kind} ümlaut.jpg"
    data = BAD[kind]
    if data is not None:
        file.write_bytes(data)
    for verb in ("measure", "look"):
        assert run([verb, str(file)]) == 4
        out, err = capsys.readouterr()
        assert out == ""
        assert err.startswith("holecount: ")
        assert err.count("\n") == 1


def test_look_at_a_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["look", str(tmp_path)]) == 4
    assert "folder" in capsys.readouterr().err
    assert run(["measure", str(tmp_path)]) == 4
    assert "no photographs" in capsys.readouterr().err


# Several photographs, in processes of their own: nothing is made up here.


def holecount_process(*arguments: str | Path, **how: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "holecount", *map(str, arguments)],
        capture_output=True,
        encoding="utf-8",
        timeout=300,
        check=False,
        **how,  # type: ignore[call-overload]
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two good photographs, one that is none, and things that are not looked at."""
    where = tmp_path_factory.mktemp("set of chairs")
    for name in ("dining-chair.jpg", "round-stool.jpg"):
        (where / name).write_bytes((SAMPLES / name).read_bytes())
    (where / "broken.jpg").write_bytes(b"not a photograph")
    (where / "notes.txt").write_text("six chairs")
    (where / ".hidden.jpg").write_bytes(b"not looked at")
    return where


def test_a_folder_as_json(folder: Path, tmp_path: Path) -> None:
    marked = tmp_path / "marked"
    done = holecount_process("measure", folder, "--as", "json", "--marked", marked)
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert [Path(line["photo"]).name for line in lines] == ["broken.jpg", "dining-chair.jpg", "round-stool.jpg"]
    assert lines[0]["trouble"]["exit_status"] == 4
    assert "holes" not in lines[0]
    assert done.returncode == 4
    assert "broken.jpg" in done.stderr
    assert "Traceback" not in done.stderr
    for line in lines[1:]:
        assert line["schema"] == 1
        assert line["seat"]["n_holes"] > 10
        name = line.pop("photo")
        alone = tally.from_json(json.dumps(line))
        assert alone.photo_name == Path(name).name
    assert sorted(p.name for p in marked.iterdir()) == ["dining-chair-marked.jpg", "round-stool-marked.jpg"]


def test_a_folder_as_csv_gives_what_each_photograph_gives_alone(folder: Path) -> None:
    done = holecount_process("measure", folder / "round-stool.jpg", folder / "dining-chair.jpg", "--as", "csv")
    assert done.returncode == 0, done.stderr
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    alone = holecount_process("measure", folder / "round-stool.jpg", "--as", "csv")
    wanted = list(csv.DictReader(io.StringIO(alone.stdout)))
    mine = [{k: v for k, v in row.items() if k != "photo"} for row in rows if "round" in row["photo"]]
    assert mine == wanted


def test_no_heavy_import_while_measuring() -> None:
    code = (
        "import sys; from holecount.cli import run; status = run(sys.argv[1:]);"
        "heavy = {'PIL', 'matplotlib', 'scipy', 'skimage', 'jinja2'} & set(sys.modules);"
        "sys.exit(f'imported {heavy}' if heavy else status)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "measure", str(SAMPLES / "round-stool.jpg"), "--as", "json"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["seat"]["n_holes"]


@pytest.mark.skipif(sys.platform == "win32" or not hasattr(os, "kill"), reason="POSIX signals")
@pytest.mark.parametrize("wait_s", [0.5, 1.0, 1.5])
def test_interrupted_while_measuring_several(folder: Path, wait_s: float) -> None:
    import signal
    import time

    # Enough of them that the interruption comes before the end.
    photos = [str(folder / "dining-chair.jpg"), *(f"{folder}/{'./' * i}round-stool.jpg" for i in range(1, 12))]
    process = subprocess.Popen(
        [sys.executable, "-m", "holecount", "measure", *photos, "--as", "json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    time.sleep(wait_s)
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 130, err
    assert out == ""
    assert err.splitlines()[-1] == "holecount: Interrupted."
    assert "Traceback" not in err
