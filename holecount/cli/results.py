"""Where results and words go: results to standard output or a file, everything else to standard error."""

import sys
from pathlib import Path

import click

from holecount import saving


def deliver(text: str, output: Path | None, *, force: bool) -> None:
    """Hand over a result: to ``output`` whole or not at all, else to standard output.

    What a file's name holds that is no text (bytes of another encoding) becomes a question mark.
    """
    text = text.encode("utf-8", "replace").decode("utf-8")
    if output is None or str(output) == "-":
        click.echo(text, nl=not text.endswith("\n"))
    else:
        saving.save(output, text if text.endswith("\n") else text + "\n", force=force)


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
