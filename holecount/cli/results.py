"""Where results and words go: results to standard output or a file, everything else to standard error."""

import json
import sys
from pathlib import Path
from typing import Any, TypeGuard

import click

from holecount import saving


def goes_to_file(output: Path | None) -> TypeGuard[Path]:
    """Whether the result goes to a file: not when none is named, nor with ``-``."""
    return output is not None and str(output) != "-"


def check_output(output: Path | None, *, force: bool) -> None:
    """Complain before the work rather than after it, when the result could not be saved."""
    if goes_to_file(output):
        saving.check_free(output, force=force)


def as_json(result: Any) -> str:
    """A result as every verb writes it: indented, letters as they are, no numbers that are none."""
    return json.dumps(result, indent=1, ensure_ascii=False, allow_nan=False)


def deliver(text: str, output: Path | None, *, force: bool) -> None:
    """Hand over a result: to ``output`` whole or not at all, else to standard output.

    What a file's name holds that is no text (bytes of another encoding) becomes a question mark.
    """
    text = text.encode("utf-8", "replace").decode("utf-8")
    if goes_to_file(output):
        saving.save(output, text if text.endswith("\n") else text + "\n", force=force)
    else:
        click.echo(text, nl=not text.endswith("\n"))


class Progress:
    """What is being done just now, on one line of a terminal; silent when nobody watches."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._width = 0

    def say(self, words: str) -> None:
        """Show ``words`` in place of what stood there."""
        if self._shown:
            click.echo("\r" + words.ljust(self._width), err=True, nl=False)
            self._width = len(words)

    def clear(self) -> None:
        """Leave the line empty."""
        if self._shown and self._width:
            click.echo("\r" + " " * self._width + "\r", err=True, nl=False)
            self._width = 0
