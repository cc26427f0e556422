"""Options that the verbs size and tape share, and what they mean."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import click

from holecount.cli.options import file_path
from holecount.decide import Wishes, thickness_mm_of
from holecount.sizing import SHAPES, built_in_charts, read_chart
from holecount.tape import Basis, Quantity, Reading, read_list
from holecount.troubles import BadInput

F = TypeVar("F", bound=Callable[..., Any])


def reading_options(command: F) -> F:
    """``--pitch``, ``--hole``, ``--six-inches``, ``--unit``, ``--taken``."""
    return _all(
        command,
        click.option(
            "--pitch",
            metavar="LIST",
            help="Distances from hole to hole: '1/2', '1/2+, 9/16', '13 mm', '127 mm over 10'.",
        ),
        click.option("--hole", metavar="LIST", help="Hole diameters: '3/16', '5 mm, 4.8 mm'."),
        click.option("--six-inches", metavar="LIST", help="Holes counted in six inches: '12, 12, 11 1/2'."),
        click.option("--unit", type=click.Choice(["mm", "in"]), help="Unit of numbers written without one."),
        click.option(
            "--taken",
            type=click.Choice(["centre", "side", "between"]),
            default="centre",
            show_default=True,
            help="How distances were taken: centre to centre; one side of a hole to the same side of the next; "
            "the wood between two holes.",
        ),
    )


def sizing_options(command: F) -> F:
    """``--shape``, ``--couched``, ``--thickness``, ``--strands``, ``--chart``, ``--decide``, ``--explain``."""
    return _all(
        command,
        click.option(
            "--shape", type=click.Choice(SHAPES), help="Shape of the seat, when not measured or measured wrong."
        ),
        click.option(
            "--couched", is_flag=True, help="The binder is couched through the holes: two strands more in each."
        ),
        click.option("--thickness", metavar="LENGTH", help="Thickness of a strand, measured with a calliper (1.0mm)."),
        click.option(
            "--strands", type=int, metavar="N", help="Strands of the weave in the fullest hole, couching not counted."
        ),
        click.option(
            "--chart",
            "chart_files",
            type=file_path,
            multiple=True,
            metavar="FILE",
            help="A chart of your own (a supplier's); it decides unless --decide says otherwise. May be repeated.",
        ),
        click.option(
            "--decide",
            default="",
            metavar="CHART",
            help="Name of the chart that decides. Without it: your own, else usual.",
        ),
        click.option("--explain", is_flag=True, help="Print the reasoning line by line with chart rows and sources."),
    )


def _all(command: F, *options: Callable[[F], F]) -> F:
    for option in reversed(options):
        command = option(command)
    return command


def readings_given(
    *, pitch: str | None, hole: str | None, six_inches: str | None, unit: str | None, taken: str, sharp: bool
) -> tuple[Reading, ...]:
    """Readings of the options, in the order pitch, hole, six inches."""
    basis = cast(Basis, taken)
    lists: list[tuple[Quantity, str | None]] = [("pitch", pitch), ("hole", hole), ("six-inches", six_inches)]
    out: list[Reading] = []
    for quantity, text in lists:
        if text is not None:
            out += read_list(text, quantity, unit=unit, basis=basis, sharp=sharp)
    return tuple(out)


def wishes_given(
    files: tuple[Path, ...],
    decide: str,
    thickness: str | None,
    *,
    shape: str | None,
    couched: bool,
    strands: int | None,
) -> Wishes:
    """What the sizing options ask for, own charts first; `BadInput` when two have one name or a length is none."""
    own = [read_chart(path) for path in files]
    charts = (*own, *built_in_charts())
    names = [c.name for c in charts]
    twice = next((n for n in names if names.count(n) > 1), None)
    if twice:
        raise BadInput(f"Two charts are named '{twice}'.", "Give each a name of its own.")
    return Wishes(
        shape=shape,
        couched=couched,
        strand_thickness_mm=None if thickness is None else thickness_mm_of(thickness),
        fullest_hole=strands,
        charts=charts,
        deciding_chart=decide or names[0],
    )
