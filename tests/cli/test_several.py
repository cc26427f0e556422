"""Which photographs are meant by names and folders, where their marked pictures go, and what a terminal shows."""

import os
import subprocess
import sys
from pathlib import Path

import click
import killing_worker
import pytest

from holecount.cli.several import _marked_files, _run, photos_in
from holecount.measure import MeasureRequest
from holecount.troubles import BadInput, CannotSave

SAMPLES = Path(__file__).parents[2] / "samples"


def test_folders_are_opened_in_order_of_name(tmp_path: Path) -> None:
    for name in ("b.JPG", "a.heic", "c.txt", ".d.jpg", "e.png"):
        (tmp_path / name).touch()
    (tmp_path / "inner").mkdir()
    (tmp_path / "inner" / "f.jpg").touch()
    assert [p.name for p in photos_in([tmp_path])] == ["a.heic", "b.JPG", "e.png"]
    both = photos_in([tmp_path / "e.png", tmp_path, Path("elsewhere.jpg")])
    assert [p.name for p in both] == ["e.png", "a.heic", "b.JPG", "elsewhere.jpg"]


def test_a_folder_without_photographs(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no photographs"):
        photos_in([tmp_path])


def test_marked_pictures_get_names_of_their_own(tmp_path: Path) -> None:
    folder = tmp_path / "out" / "marked"
    given = [Path("x/seat.jpg"), Path("y/seat.png"), Path("y/Seat.heic"), Path("other.jpg")]
    files = _marked_files(given, folder, force=False)
    assert folder.is_dir()
    names = [f.name for f in files if f is not None]
    assert names == ["seat-marked.jpg", "seat-2-marked.jpg", "Seat-3-marked.jpg", "other-marked.jpg"]
    (folder / "other-marked.jpg").touch()
    with pytest.raises(CannotSave):
        _marked_files(given, folder, force=False)
    assert _marked_files(given, folder, force=True) == files
    assert _marked_files(given, None, force=False) == [None] * 4
    with pytest.raises(click.BadParameter, match="folder"):
        _marked_files(given, folder / "other-marked.jpg", force=True)


def on_a_terminal(*arguments: str | Path) -> tuple[str, str]:
    """Standard output through a pipe, standard error on a terminal."""
    import pty

    outer, inner = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "holecount", *map(str, arguments)], stdout=subprocess.PIPE, stderr=inner, text=True
    )
    os.close(inner)
    assert process.stdout is not None
    out = process.stdout.read()
    process.stdout.close()
    shown = b""
    while True:
        try:
            got = os.read(outer, 4096)
        except OSError:  # Linux says so when the other end is closed.
            break
        if not got:
            break
        shown += got
    os.close(outer)
    assert process.wait() == 0
    return out, shown.decode()


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_progress_is_for_terminals_and_leaves_no_trace() -> None:
    out, shown = on_a_terminal("measure", SAMPLES / "round-stool.jpg", "--as", "json")
    assert out.startswith("{")
    said = [words.strip() for words in shown.split("\r")]
    assert "reading the photograph" in said
    assert "gauging the holes" in said
    assert said[-1] == said[-2] == ""  # Blanked, and the cursor back at the left.


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_several_show_a_bar() -> None:
    out, shown = on_a_terminal("measure", SAMPLES / "round-stool.jpg", SAMPLES / "dining-chair.jpg", "--as", "json")
    assert out.count("\n") == 2
    assert "Measuring" in shown
    assert "100%" in shown


def test_a_worker_that_is_lost_costs_no_other_photograph() -> None:
    names = ["a.jpg", "deadly-1.jpg", "b.jpg", "c.jpg", "d.jpg", "deadly-2.jpg", "e.jpg", "f.jpg"]
    paths = [Path(name) for name in names]
    outcomes = _run(paths, [None] * len(paths), MeasureRequest(), force=False, measure=killing_worker.measure)
    assert [o.path for o in outcomes] == paths
    assert [o.exit_code for o in outcomes] == [1 if "deadly" in name else 3 for name in names]
    assert all("memory" in o.what for o in outcomes if o.exit_code == 1)
