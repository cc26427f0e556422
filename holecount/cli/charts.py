"""``holecount charts``: the sizing charts and where they come from."""

import dataclasses
from pathlib import Path
from typing import Any

import click

from holecount.cli.options import as_option, file_path
from holecount.cli.results import as_json
from holecount.lengths import inches_32
from holecount.sizing import Chart, built_in_charts, chart_named, names_table, read_chart
from holecount.sizing.chart import GRADES


@click.command("charts")
@click.argument("name", required=False)
@click.option(
    "--chart", "chart_files", type=file_path, multiple=True, metavar="FILE", help="A chart of your own, shown beside."
)
@as_option("table", "json")
def command(name: str | None, chart_files: tuple[Path, ...], form: str) -> None:
    """Show the sizing charts row by row, each with its grade and source; NAME shows one.

    What is blank in print stays blank; rows from memory say so.
    """
    charts = [*built_in_charts(), *(read_chart(p) for p in chart_files), names_table()]
    shown = [chart_named(name, charts)] if name else charts
    if form == "json":
        click.echo(as_json({"schema": 1, "charts": [_plain(c) for c in shown]}))
        return
    click.echo("\n\n".join("\n".join(_lines(c)) for c in shown))


def _plain(chart: Chart) -> dict[str, Any]:
    return {**dataclasses.asdict(chart), "grade_means": GRADES[chart.grade]}


def _lines(chart: Chart) -> list[str]:
    out = [
        f"{chart.name}: {chart.title}",
        f"  [{chart.grade}] {GRADES[chart.grade]}",
        f"  source: {chart.source}",
        f"  spacing: {chart.spacing_meaning}",
        *(f"  note: {n}" for n in chart.notes),
        "",
    ]
    heads = ("cane", "width", "hole", "spacing")
    cells = [
        (r.cane or "", r.width_printed, _both(r.hole_mm, r.hole_printed), _both(r.spacing_mm, r.spacing_printed))
        for r in chart.rows
    ]
    used = [k for k in range(4) if any(row[k] for row in cells)]
    wide = [max(len(heads[k]), *(len(row[k]) for row in cells)) for k in range(4)]
    for row in [heads, *cells]:
        out.append("  " + "  ".join(row[k].ljust(wide[k]) for k in used).rstrip())
    return out


def _both(length_mm: float | None, printed: str) -> str:
    """Millimetres first, then as printed; a chart in mm gets the inches."""
    if length_mm is None:
        return ""
    return f"{length_mm:.2f} mm, {printed if 'mm' not in printed else inches_32(length_mm)}"
