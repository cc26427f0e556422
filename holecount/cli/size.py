"""``holecount size``: which cane, why, and how sure."""

from pathlib import Path

import click

from holecount import tally
from holecount.cli.options import as_option, file_path, output_options
from holecount.cli.results import as_json, deliver
from holecount.cli.sizing_options import reading_options, readings_given, sizing_options, wishes_given
from holecount.decide import decide as decided
from holecount.sizing import lines, to_dict
from holecount.troubles import BadInput


@click.command("size")
@click.argument("saved", required=False, type=file_path, metavar="[SAVED.json]")
@reading_options
@sizing_options
@as_option("table", "json")
@output_options
def command(
    saved: Path | None,
    pitch: str | None,
    hole: str | None,
    six_inches: str | None,
    unit: str | None,
    taken: str,
    shape: str | None,
    couched: bool,
    thickness: str | None,
    strands: int | None,
    chart_files: tuple[Path, ...],
    decide: str,
    explain: bool,
    form: str,
    output: Path | None,
    force: bool,
) -> None:
    """Choose cane from a saved measurement, from typed figures, or from both.

    \b
        holecount size SAVED.json
        holecount size --pitch 1/2 --hole 3/16 --shape round

    Figures typed here are taken as known; for readings straight off a tape use the verb tape.
    """  # noqa: D301 (\b keeps click from filling the paragraph)
    readings = readings_given(pitch=pitch, hole=hole, six_inches=six_inches, unit=unit, taken=taken, sharp=True)
    if saved is None and not readings:
        raise BadInput("There is nothing to choose from.", "Give a saved measurement, or --pitch and --hole.")
    wishes = wishes_given(chart_files, decide, thickness, shape=shape, couched=couched, strands=strands)
    decision = decided(tally.read(saved) if saved else None, (), wishes, typed=readings)
    made = decision.choice
    if made is None:
        raise BadInput(decision.no_choice)
    if form == "json":
        deliver(as_json(to_dict(made)), output, force=force)
    else:
        deliver("\n".join(lines(made, explain=explain)), output, force=force)
