"""The door: version and help at once and light, verbs by name, troubles as one sentence with their exit status."""

import os
import re
import subprocess
import sys
import time

import pytest

import holecount
from holecount import cli
from holecount.troubles import BadInput, CannotSave, NoScale, Trouble


def call(*arguments: str, stdin: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "holecount", *arguments], input=stdin, capture_output=True, encoding="utf-8", timeout=60
    )


def test_version() -> None:
    done = call("--version")
    assert (done.returncode, done.stdout, done.stderr) == (0, f"holecount {holecount.__version__}\n", "")


def test_version_is_quick() -> None:
    def seconds(*command: str) -> float:
        """Processor time where it can be had, so that a busy machine does not decide; else time on the wall."""
        before, begin = os.times(), time.perf_counter()
        subprocess.run([sys.executable, *command], capture_output=True, check=True)
        after = os.times()
        used = after.children_user + after.children_system - before.children_user - before.children_system
        return used or time.perf_counter() - begin

    assert min(seconds("-m", "holecount", "--version") for _ in range(3)) < 0.3


@pytest.mark.parametrize("arguments", [["--version"], ["--help"], ["measure", "--help"], ["look", "-h"]])
def test_help_imports_nothing_heavy(arguments: list[str]) -> None:
    code = (
        "import sys; from holecount.cli import run; status = run(sys.argv[1:]);"
        "heavy = {'cv2', 'numpy', 'PIL', 'matplotlib', 'scipy', 'skimage'} & set(sys.modules);"
        "sys.exit(f'imported {heavy}' if heavy else status)"
    )
    done = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_help_names_every_verb_with_its_one_line() -> None:
    text = " ".join(call("--help").stdout.split())
    verbs = cli.app.list_commands(None)  # type: ignore[arg-type]
    assert {"measure", "look"} <= set(verbs)
    for verb in verbs:
        assert f"{verb} {cli.VERBS[verb]}" in text


def test_each_verb_goes_by_its_name() -> None:
    for verb in cli.app.list_commands(None):  # type: ignore[arg-type]
        command = cli.app.get_command(None, verb)  # type: ignore[arg-type]
        assert command is not None
        assert command.name == verb


@pytest.mark.parametrize(
    "arguments",
    [
        ["nonsense"],
        ["measure"],
        ["measure", "a.jpg", "--as", "xml"],
        ["measure", "a.jpg", "--nonsense"],
        ["measure", "a.jpg", "--between", "1,2,3"],
        ["measure", "a.jpg", "--between", "1,2,300,400=12"],
        ["measure", "a.jpg", "--corners", "1,2,3,4=1x2mm"],
        ["measure", "a.jpg", "--card", "5"],
        ["measure", "a.jpg", "--card", "visiting"],
        ["measure", "a.jpg", "--ruler", "cubit"],
        ["measure", "a.jpg", "--marked", "x.gif"],
        ["measure", "a.jpg", "b.jpg", "--fix", "f.json"],
        ["measure", "a.jpg", "b.jpg", "--between", "1,2,300,400=12mm"],
    ],
)
def test_wrong_use(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "Usage:" in err
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("trouble", "status"),
    [
        (NoScale("Nothing of known size was found.", "Lay a card on it."), 3),
        (BadInput("No photograph.", "Give one."), 4),
        (CannotSave("It is there already.", "Add --force."), 5),
        (Trouble("Something."), 1),
        (KeyboardInterrupt(), 130),
        (MemoryError(), 1),
    ],
)
def test_troubles_are_one_sentence(
    trouble: BaseException, status: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise trouble

    monkeypatch.setattr(cli.app, "main", fail)
    assert cli.run(["measure", "x.jpg"]) == status
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("holecount: ")
    assert err.count("\n") == 1
    if isinstance(trouble, Trouble):
        assert trouble.what in err
        assert trouble.hint in err


def test_nobody_reads_on() -> None:
    # `holecount --help | head -0` in effect: the reader closes at once.
    code = "import sys; from holecount.cli import main; main()"
    process = subprocess.Popen(
        [sys.executable, "-c", code, "--help"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    err = process.stderr.read()
    process.stderr.close()
    assert process.wait() == 0
    assert err == ""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="/dev/full is Linux's")
def test_full_disk_behind_a_redirection() -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "holecount", "--help"], stdout=full, stderr=subprocess.PIPE, text=True, check=False
        )
    assert done.returncode == 5
    assert re.fullmatch(r"holecount: The result could not be written: .*\n", done.stderr)


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (KeyError("x"), "The program failed, which it should not (KeyError: 'x'; test_shell.py line"),
        (RuntimeError("can't start new thread"), "There is not enough memory."),
    ],
)
def test_a_fault_of_ours_is_one_sentence_without_traceback(
    fault: Exception, words: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise fault

    monkeypatch.setattr(cli.app, "main", fail)
    for asked in ("", "1"):
        monkeypatch.setenv(cli.TRACEBACK, asked)
        with pytest.raises(SystemExit) as end:
            cli.main(["measure", "x.jpg"])
        assert end.value.code == 1
        err = capsys.readouterr().err
        assert words in err
        if not asked:
            assert err.count("\n") == 1
