"""What every verb owes whoever hands it rubbish, checked after the fact; and one command run under that eye.

One sentence with its remedy on standard error, the right exit status, no traceback, nothing on standard output when
nothing came of it, and a message short enough to be read.
"""

import contextlib
import io
import re
import signal
import subprocess
import sys
import traceback
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from holecount import cli
from holecount.troubles import Trouble

STATUSES = frozenset({0, 2, 3, 4, 5})
"""Exit statuses that say something; 1 is a fault of ours, 130 belongs to Ctrl-C."""

MOST_CHARACTERS = 1000
"""Of a complaint: some four lines of a terminal and a long path."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a command ended."""

    status: int
    out: str
    err: str


class Broken(AssertionError):
    """The contract was not kept; the message says how."""


class TookTooLong(BaseException):
    """No input may keep the program busy for minutes."""


@contextlib.contextmanager
def within(seconds: int) -> Iterator[None]:
    """End with `TookTooLong` what takes longer (main thread of a POSIX system; else no limit)."""
    if not hasattr(signal, "SIGALRM"):
        yield
        return

    def stop(*_: object) -> None:
        raise TookTooLong

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def in_process(arguments: Sequence[str], seconds: int = 60) -> Ended:
    """Run a command here; `Broken` when it ends in an exception or takes too long."""
    out, err = io.StringIO(), io.StringIO()
    try:
        with within(seconds), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = cli.run(list(arguments))
    except TookTooLong:
        raise Broken(f"{arguments}: still busy after {seconds} s") from None
    except Exception as e:
        raise Broken(f"{arguments}: {where(e)}") from e
    return Ended(status=status, out=out.getvalue(), err=err.getvalue())


def as_command(arguments: Sequence[str], **how: object) -> Ended:
    """Run a command in a process of its own, as a person would."""
    try:
        done = subprocess.run(
            [sys.executable, "-m", "holecount", *arguments],
            capture_output=True,
            encoding="utf-8",
            errors="replace",
            timeout=60,
            check=False,
            **how,  # type: ignore[call-overload]
        )
    except subprocess.TimeoutExpired as e:
        raise Broken(f"{list(arguments)}: still busy after 60 s") from e
    return Ended(status=done.returncode, out=done.stdout, err=done.stderr)


def hold(ended: Ended, *, statuses: frozenset[int] | set[int] = STATUSES) -> Ended:
    """Check a command's end against the contract."""
    if ended.status not in statuses:
        raise Broken(f"exit status {ended.status}, wanted one of {sorted(statuses)}: {ended.err[-500:]}")
    if "Traceback" in ended.err:
        raise Broken(f"a traceback: {ended.err[-500:]}")
    if ended.status in (3, 4, 5):
        if ended.out and not ended.out.startswith(("{", "photo")):
            lines = ended.out.splitlines()
            if not lines or ("measured" not in ended.out and "It cannot be measured" not in ended.out):
                raise Broken(f"something on standard output: {ended.out[:200]!r}")
        if not ended.out:
            one_sentence(ended.err)
    return ended


def one_sentence(err: str) -> None:
    """Check that standard error holds one line that names the trouble."""
    lines = err.splitlines()
    said = [line for line in lines if line.startswith("holecount: ")]
    if len(lines) != 1 or len(said) != 1:
        raise Broken(f"not one line on standard error: {err[:300]!r}")
    readable(said[0].removeprefix("holecount: "))


def readable(message: str) -> None:
    """Check that a complaint is one line of text a person can read."""
    if not message or len(message) > MOST_CHARACTERS:
        raise Broken(f"a complaint of {len(message)} characters: {message[:200]!r}...")
    if not all(c.isprintable() for c in message):
        odd = next(c for c in message if not c.isprintable())
        raise Broken(f"a complaint with the character {odd!r}: {message[:300]!r}")
    if not re.search(r"[.?!)](\s|$)", message):
        raise Broken(f"no sentence: {message!r}")


def where(e: BaseException) -> str:
    """Kind of an exception, its words and the last places of ours it passed."""
    ours = [f for f in traceback.extract_tb(e.__traceback__) if f"{Path('/')}holecount{Path('/')}" in f.filename]
    places = " < ".join(f"{Path(f.filename).name}:{f.lineno} {f.name}" for f in reversed(ours[-3:]))
    return f"{type(e).__name__}: {str(e)[:200]} at {places}"


def only_troubles(function: object, *arguments: object) -> str:
    """Call a reader: returns ``read`` or ``refused``; `Broken` for anything but a `Trouble` that can be read."""
    try:
        with within(30):
            function(*arguments)  # type: ignore[operator]
    except Trouble as t:
        readable(f"{t.what} {t.hint}".strip())
        return "refused"
    except TookTooLong:
        raise Broken("still busy after 30 s") from None
    except Exception as e:
        raise Broken(where(e)) from e
    return "read"
