"""Write anew what the documents show of the program itself: python docs/refresh.py, from the top of the tree.

``help.md`` holds every verb's own help. ``worked-example.md`` holds commands with what they print; a test runs them
and complains when words differ, or numbers by more than rounding and another version of a package explain.
"""

import contextlib
import io
import os
import re
import shlex
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import click
from click.testing import CliRunner

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
HELP, EXAMPLE = HERE / "help.md", HERE / "worked-example.md"
SAMPLE = ROOT / "samples" / "dining-chair.jpg"
PHOTO = "chair.jpg"
"""What the sample is called in the example."""

BLOCK = re.compile(r"^```console\n(.*?)^```$", re.MULTILINE | re.DOTALL)

HEAD = """# What the commands say of themselves

The help of every verb as `holecount VERB --help` prints it; written by `python docs/refresh.py`, and held by a test.
[Commands](commands.md) says more.
"""


def help_page() -> str:
    """The page of all helps."""
    from holecount import cli

    runner = CliRunner()

    def shown(*arguments: str) -> str:
        done = runner.invoke(cli.app, [*arguments, "--help"], prog_name="holecount", terminal_width=100)
        assert done.exit_code == 0, done.output
        return "\n".join(line.rstrip() for line in done.output.rstrip().splitlines())

    parts = [HEAD, f"```text\n{shown()}\n```\n"]
    for verb in cli.app.list_commands(click.Context(cli.app)):
        parts.append(f"## {verb}\n\n```text\n{shown(verb)}\n```\n")
    return "\n".join(parts)


@dataclass(frozen=True)
class Shown:
    """One command of the example with what stands below it, and what it prints now."""

    command: str
    written: list[str]
    printed: list[str]


def example(text: str) -> Iterator[Shown]:
    """Run every command of the example, in order, in a folder that holds the photograph."""
    with tempfile.TemporaryDirectory() as name, contextlib.chdir(name) if sys.version_info >= (3, 11) else _in(name):
        shutil.copy(SAMPLE, PHOTO)
        for block in BLOCK.findall(text):
            for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
                command, *written = part.rstrip("\n").split("\n")
                while command.endswith("\\") and written:
                    command = f"{command}\n{written.pop(0)}"
                yield Shown(command=command, written=written, printed=_run(command.replace("\\\n", " ")))


@contextlib.contextmanager
def _in(folder: str) -> Iterator[None]:
    before = os.getcwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


def _run(command: str) -> list[str]:
    """Lines on standard output and error of ``holecount ...``, at times with ``| head -N`` or ``| tail -N`` behind."""
    from holecount import cli

    program, *filters = (shlex.split(part) for part in command.split(" | "))
    assert program[0] == "holecount", command
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        status = cli.run(program[1:])
    assert status == 0, f"{command}: exit status {status}: {out.getvalue()[-500:]}"
    lines = [line.rstrip() for line in out.getvalue().rstrip("\n").split("\n")] if out.getvalue() else []
    for name, count in filters:
        n = int(count.lstrip("-"))
        lines = lines[:n] if name == "head" else lines[-n:]
    return lines


def rewritten(text: str) -> str:
    """The example with what its commands print now."""
    by_command = {s.command: s.printed for s in example(text)}

    def block(match: re.Match[str]) -> str:
        out = []
        for part in re.split(r"^\$ ", match[1], flags=re.MULTILINE)[1:]:
            command = next(c for c in by_command if part.startswith(c + "\n"))
            out += [f"$ {command}", *by_command[command]]
        return "```console\n" + "\n".join(out) + "\n```"

    return BLOCK.sub(block, text)


def main() -> None:
    """Write both pages."""
    HELP.write_text(help_page(), encoding="utf-8")
    EXAMPLE.write_text(rewritten(EXAMPLE.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    main()
