"""Completion in the shell: the lines of docs/installing.md work, in every shell that is here."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from holecount import cli

ROOT = Path(__file__).parents[2]
INSTALLING = (ROOT / "docs" / "installing.md").read_text(encoding="utf-8")
LINES = {shell: f"_HOLECOUNT_COMPLETE={shell}_source holecount" for shell in ("bash", "zsh", "fish")}

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="these shells are not there")


@pytest.fixture
def path(tmp_path: Path) -> dict[str, str]:
    """An environment in which `holecount` is on the search path."""
    (tmp_path / "bin").mkdir()
    script = tmp_path / "bin" / "holecount"
    script.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m holecount "$@"\n', encoding="utf-8")
    script.chmod(0o755)
    return {
        **os.environ,
        "PATH": f"{script.parent}:{os.environ['PATH']}",
        "PYTHONPATH": str(ROOT),
        "HOME": str(tmp_path),
    }


def answers(environment: dict[str, str], words: list[str]) -> list[str]:
    """What the program offers for the last of the words, asked as bash asks."""
    asked = {"COMP_WORDS": " ".join(words), "COMP_CWORD": str(len(words) - 1), "_HOLECOUNT_COMPLETE": "bash_complete"}
    done = subprocess.run(["holecount"], env={**environment, **asked}, capture_output=True, text=True, check=True)
    return [line.split(",", 1)[1] for line in done.stdout.splitlines()]


@pytest.mark.parametrize("shell", LINES)
def test_the_line_is_documented_and_gives_a_script(shell: str, path: dict[str, str]) -> None:
    assert LINES[shell] in INSTALLING
    done = subprocess.run(["sh", "-c", LINES[shell]], env=path, capture_output=True, text=True, check=True)
    assert "_holecount_completion" in done.stdout
    if shutil.which(shell):
        subprocess.run([shell, "-n"], input=done.stdout, env=path, text=True, check=True)


def test_verbs_options_and_values(path: dict[str, str]) -> None:
    assert answers(path, ["holecount", ""]) == cli.app.list_commands(None)  # type: ignore[arg-type]
    assert answers(path, ["holecount", "do"]) == ["doctor"]
    assert {"--card", "--corners"} <= set(answers(path, ["holecount", "measure", "--c"]))
    assert answers(path, ["holecount", "measure", "x.jpg", "--as", ""]) == ["table", "json", "csv"]
    assert "--version" in answers(path, ["holecount", "--"])


def test_nothing_heavy_is_loaded_to_name_the_verbs() -> None:
    code = (
        "import os, sys; os.environ.update(COMP_WORDS='holecount ', COMP_CWORD='1');"
        "os.environ['_HOLECOUNT_COMPLETE'] = 'bash_complete';"
        "from holecount.cli import run; run([]);"
        "sys.exit(str({'cv2', 'numpy', 'PIL', 'matplotlib'} & set(sys.modules) or ''))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.stderr.strip() == ""


@pytest.mark.skipif(not shutil.which("bash"), reason="no bash")
def test_bash_completes_with_the_documented_line(path: dict[str, str]) -> None:
    line = re.search(r"`(eval [^`]*bash_source[^`]*)`", INSTALLING)
    assert line
    script = (
        f"{line[1]}\nCOMP_WORDS=(holecount measure --ru)\nCOMP_CWORD=2\n"
        '_holecount_completion holecount\nprintf "%s\\n" "${COMPREPLY[@]}"\n'
    )
    done = subprocess.run(["bash"], input=script, env=path, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["--ruler"], done.stderr
