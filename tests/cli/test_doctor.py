"""The doctor: says that all is well where it is, what is missing, and what is broken."""

import builtins
import importlib.util
import json
import re
from pathlib import Path
from typing import Any

import pytest

import holecount
from holecount.checkup import drawn
from holecount.cli import run
from holecount.measurement import Measurement

Capture = pytest.CaptureFixture[str]
checkup = importlib.import_module("holecount.checkup.findings")


def test_all_is_well_here(capsys: Capture) -> None:
    assert run(["doctor"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert out.startswith(f"holecount {holecount.__version__} in ")
    assert out.rstrip().endswith("Everything needed is there and works.")
    for name in ("numpy", "opencv", "HEIC", "bench page", "packaged data", "measuring"):
        assert name in out
    assert "broken" not in out
    assert re.search(r"a drawn seat has 40 holes, pitch 12\.\d\d mm", " ".join(out.split()))


def test_as_json(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checkup, "_measuring", lambda: "not now")
    assert run(["doctor", "--as", "json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["schema"] == 1
    assert said["holecount"] == holecount.__version__
    assert {f["state"] for f in said["findings"]} <= {"ok", "missing"}


def test_what_is_optional_may_be_missing(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    real_import, real_find = builtins.__import__, importlib.util.find_spec

    def no_heif(name: str, *rest: Any, **more: Any) -> Any:
        if name.startswith("pillow_heif"):
            raise ImportError(name=name)
        return real_import(name, *rest, **more)

    real_module = importlib.import_module

    def import_module(name: str, package: str | None = None) -> Any:
        if name == "pillow_heif":
            raise ImportError(name)
        return real_module(name, package)

    monkeypatch.setattr(builtins, "__import__", no_heif)
    monkeypatch.setattr(importlib, "import_module", import_module)
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, *a: None if name == "flask" else real_find(name, *a))
    monkeypatch.setattr(checkup, "_measuring", lambda: "not now")
    assert run(["doctor"]) == 0
    out = capsys.readouterr().out
    assert re.search(r"missing\s+HEIC photographs\s+pillow-heif is not installed\n\s+pip install pillow-heif", out)
    assert re.search(r"missing\s+bench page\s+flask not installed", out)


def broken(monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> str:
    assert run(["doctor"]) == 1
    out, err = capsys.readouterr()
    assert err == ""
    assert "Everything needed" not in out
    return out


def test_a_wrong_measurement_is_broken(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drawn.DrawnSeat, "is_right", lambda self, m: False)
    assert re.search(r"broken\s+measuring\s+A drawn seat was measured wrong", broken(monkeypatch, capsys))


def test_a_damaged_chart_is_broken(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    def damaged() -> None:
        raise ValueError("no chart")

    monkeypatch.setattr("holecount.sizing.built_in_charts", damaged)
    monkeypatch.setattr(checkup, "_measuring", lambda: "not now")
    out = broken(monkeypatch, capsys)
    assert re.search(r"broken\s+packaged data\s+ValueError: no chart\n\s+Install holecount again", out)


def test_a_needed_package_that_does_not_load_is_broken(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(checkup.NEEDED, "no_such_module", "no-such-package")
    monkeypatch.setattr(checkup, "_measuring", lambda: "not now")
    out = broken(monkeypatch, capsys)
    assert re.search(r"broken\s+no-such-package\s+ModuleNotFoundError.*\n\s+pip install no-such-package", out)


def test_files_that_changed_since_they_were_installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Hash:
        mode, value = "sha256", "not this"

    class File:
        def __init__(self, name: str) -> None:
            self.path = Path(name)
            self.parts, self.suffix, self.hash = self.path.parts, self.path.suffix, Hash

        def __str__(self) -> str:
            return str(self.path)

        def locate(self) -> Path:
            return tmp_path / self.path.name

    (tmp_path / "a.py").write_text("changed", encoding="utf-8")
    files = [File("holecount/a.py"), File("holecount/b.toml"), File("other/c.py")]
    monkeypatch.setattr(checkup.importlib.metadata, "files", lambda name: files)
    said = [f for f in checkup.findings() if f.name == "files"]
    assert said[0].state == "broken"
    assert said[0].words == "holecount/a.py was changed; holecount/b.toml is missing."


def test_the_drawn_seat_is_judged(monkeypatch: pytest.MonkeyPatch) -> None:
    seat = drawn.DrawnSeat()
    m: Measurement = drawn.measure(seat)
    assert seat.is_right(m)
    assert not drawn.DrawnSeat(n_holes=41).is_right(m)
    assert not drawn.DrawnSeat(pitch_mm=13.2).is_right(m)
    assert not drawn.DrawnSeat(bore_mm=5.2).is_right(m)
