"""``holecount doctor``: what is installed, and does it work."""

from __future__ import annotations

import textwrap

import click

from holecount import __version__
from holecount.cli import VERBS, options
from holecount.cli.results import Progress, as_json, deliver


@click.command("doctor", short_help=VERBS["doctor"])
@options.as_option("words", "json")
def command(form: str) -> int:
    """Say what is installed and whether it works: packages, data files, HEIC, the bench page, measuring.

    Measures a drawn seat whose size is known. What is optional may be missing.

    Exit status: 0 everything needed works, 1 something does not.
    """
    import dataclasses

    from holecount.checkup import findings
    from holecount.checkup.findings import where

    progress = Progress()
    found = []
    try:
        progress.say("looking at what is installed")
        for finding in findings():
            found.append(finding)
            progress.say(f"looked at {finding.name}")
    finally:
        progress.clear()
    broken = [f.name for f in found if f.state == "broken"]
    if form == "json":
        out = {
            "schema": 1,
            "holecount": __version__,
            "where": where(),
            "findings": [dataclasses.asdict(f) for f in found],
        }
        deliver(as_json(out), None, force=False)
    else:
        lines = [f"holecount {__version__} in {where()}"]
        for f in found:
            lead = f"  {f.state:<9}{f.name:<24}"
            lines += textwrap.wrap(f.words, 100, initial_indent=lead, subsequent_indent=" " * len(lead))
            if f.advice:
                lines.append(" " * len(lead) + f.advice)
        lines.append(f"Broken: {', '.join(broken)}." if broken else "Everything needed is there and works.")
        deliver("\n".join(lines), None, force=False)
    return 1 if broken else 0
