"""``holecount page``: the bench page in a browser, on this machine or a phone."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from holecount.cli import VERBS, options
from holecount.troubles import Trouble

if TYPE_CHECKING:
    from holecount.page.serve import Opened


@click.command("page", short_help=VERBS["page"])
@click.option(
    "--port", type=click.IntRange(0, 65535), help="Port to listen on, 0 for any that is free. Without it 8417."
)
@click.option("--no-browser", is_flag=True, help="Do not open a browser.")
@click.option(
    "--jobs",
    "folder",
    type=options.file_path,
    default=Path("holecount-jobs"),
    show_default=True,
    metavar="FOLDER",
    help="Where jobs are kept, as plain files.",
)
@click.option(
    "--phone", is_flag=True, help="Open the page to a phone on the same network, with a secret shown as a code."
)
def command(port: int | None, no_browser: bool, folder: Path, phone: bool) -> int:
    """Open the bench page: drop a photograph, correct holes by hand, read the size, keep the job.

    The page listens on this machine alone. With --phone it can be reached from the local network too, by whoever has
    the address shown as a code; each code lets one device in, once.

    It runs until you press Ctrl-C. Exit status: 0 stopped, 1 the port is taken or the page's packages are missing.
    """
    try:
        import flask  # noqa: F401
        import segno  # noqa: F401
        import waitress  # noqa: F401
    except ImportError as e:
        raise Trouble(
            f"The bench page needs packages that are not installed ({e.name}).",
            'Install them with: pip install "holecount[page]"',
        ) from e
    from holecount.page.serve import USUAL_PORT, serve

    if os.path.lexists(folder) and not os.path.isdir(folder):
        raise click.BadParameter(f"'{folder}' is not a folder.", param_hint="--jobs")
    serve(
        folder.absolute(),
        port=USUAL_PORT if port is None else port,
        phone=phone,
        browser=not no_browser,
        told=_tell,
    )
    return 0


def _tell(opened: Opened) -> None:
    """Where the page is; the address for this machine alone goes to standard output."""
    if opened.phone:
        import segno

        click.echo("The page is open to everyone on this network who has the address below.", err=True)
        click.echo("It is sent unencrypted: use --phone only in a network you trust.", err=True)
        click.echo("Each address lets one device in, once; start again for another.\n", err=True)
        code: Any = segno.make(opened.phone, error="m")
        code.terminal(out=sys.stderr, compact=True)
        click.echo(f"Phone:         {opened.phone}", err=True)
        click.echo("This machine:  ", err=True, nl=False)
    click.echo(opened.here)
    click.echo(f"Jobs are kept in {opened.folder}", err=True)
    click.echo("Press Ctrl-C to stop.", err=True)
