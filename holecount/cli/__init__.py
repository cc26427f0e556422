"""The command line: a file per verb, each thin; this one finds the verb and settles how commands end.

Results go to standard output, words and progress to standard error. Exit status: 0 done, 2 wrong
use, 3 the photograph cannot be measured, 4 a file cannot be read as what it should be, 5 a result
could not be saved, 130 interrupted, 1 anything else.

Importing this imports neither OpenCV nor numpy: a verb is loaded when it is called.
"""

import importlib
import os
import sys
from collections.abc import Sequence

import click
from click.shell_completion import CompletionItem

from holecount import __version__
from holecount.troubles import Trouble, one_line

# The rim model's matrices are small: numpy's second thread mostly spins, which costs a third of the whole command's
# processor time. Set before anything imports numpy; who sets it otherwise is heeded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

TRACEBACK = "HOLECOUNT_TRACEBACK"
"""Environment variable that asks for the traceback of a fault of the program."""

VERBS: dict[str, str] = {
    "measure": "Count the holes and gauge pitch and diameter in a photograph.",
    "look": "Say whether a photograph is fit to be measured, and what would make it better.",
    "size": "Choose cane from a saved measurement or tape readings.",
    "tape": "Turn tape-measure readings into the same figures as a photograph.",
    "charts": "Show the sizing charts and where they come from.",
    "sheet": "Make the printable job sheet of a saved measurement, or set several seats side by side.",
    "page": "Open the bench page: the same work in a browser, on this machine or a phone.",
    "plan": "Lay out the strands of the seven steps and reckon the cane needed.",
    "doctor": "Say what is installed and whether it works.",
}
"""Every verb with its one line of help, in the order of work; the verb lives in the module of its name."""


class VerbGroup(click.Group):
    """A click group that imports a verb's module only when that verb is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of all verbs, in the order of work."""
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The verb's command, or None when there is no such verb."""
        if cmd_name not in VERBS:
            return None
        command = importlib.import_module(f"{__name__}.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """What completes a word in the shell: the verbs, without importing them, and the options."""
        verbs = [v for v in VERBS if v.startswith(incomplete)]
        return [CompletionItem(v, help=VERBS[v]) for v in verbs] + click.Command.shell_complete(self, ctx, incomplete)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the verbs without importing them."""
        with formatter.section("Verbs"):
            formatter.write_dl(list(VERBS.items()))


@click.group(cls=VerbGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="holecount", message="%(prog)s %(version)s")
def app() -> None:
    """Count and gauge the holes of a stripped cane seat from one photograph.

    Lay a bank card or a ruler on the frame, photograph it from straight above, then:

        holecount measure PHOTO
    """


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and end the process with its exit status; a fault of ours is one sentence, too."""
    try:
        status = run(arguments)
    except Exception as e:
        status = _complain(*fault_words(e), 1)
    sys.exit(status)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit status. Troubles become one sentence on standard error."""
    _settle_streams()
    try:
        given = None if arguments is None else list(arguments)
        result = app.main(args=given, prog_name="holecount", standalone_mode=False)
        if sys.stdout is not None:
            sys.stdout.flush()
    except Trouble as trouble:
        return _complain(trouble.what, trouble.hint, trouble.exit_code)
    except click.ClickException as e:
        e.show(sys.stderr)
        return e.exit_code
    except (BrokenPipeError, SystemExit):
        # Out of standalone mode click ends the process itself only when nobody reads on.
        _silence_stdout()
        return 0
    except (KeyboardInterrupt, click.Abort):
        return _complain("Interrupted.", "", 130)
    except MemoryError:
        return _complain(*NO_MEMORY, 1)
    except OSError as e:
        if sys.stdout is not None and e.filename is None:  # Writing the result: a full disk behind a redirection.
            _silence_stdout()
            return _complain(f"The result could not be written: {e.strerror or e}.", "Make room on the disk.", 5)
        raise
    return result if isinstance(result, int) else 0


NO_MEMORY = "There is not enough memory.", "Close other programs, or give a smaller picture."
"""What happened and what to do."""

_SIGNS_OF_NO_MEMORY = (
    "Insufficient memory", "bad_alloc", "can't start new thread", "annot allocate memory", "failed to map segment",
)  # fmt: skip
"""In the words of OpenCV, C++, Python's threads and the loader of compiled modules."""


def fault_words(e: Exception) -> tuple[str, str]:
    """What happened and what to do, for a fault of the program: where it is, without the pages a traceback takes."""
    import traceback

    words = one_line(f"{type(e).__name__}: {e}" if str(e) else type(e).__name__)
    if isinstance(e, MemoryError) or any(sign in words for sign in _SIGNS_OF_NO_MEMORY):
        return NO_MEMORY
    if os.environ.get(TRACEBACK):
        traceback.print_exception(e)
    last = traceback.extract_tb(e.__traceback__)[-1]
    what = f"The program failed, which it should not ({words}; {os.path.basename(last.filename)} line {last.lineno})."
    return what, f"Please report it, with what you did; {TRACEBACK}=1 in the environment shows more."


def _complain(what: str, hint: str, status: int) -> int:
    """One sentence and its remedy on standard error."""
    click.echo(f"holecount: {what}" + (f" {hint}" if hint else ""), err=True)
    return status


def _settle_streams() -> None:
    """Results are UTF-8 wherever they go; a terminal that lacks a sign shows another instead of failing."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            if stream.isatty():
                reconfigure(errors="replace")
            else:
                reconfigure(encoding="utf-8", errors="backslashreplace" if stream is sys.stderr else "strict")


def _silence_stdout() -> None:
    """Nobody reads on: let the interpreter's last flush go nowhere."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    except OSError:
        sys.stdout = None
