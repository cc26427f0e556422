"""``holecount tape``: tape-measure readings by themselves, or held against a photograph."""

import dataclasses
import textwrap
from pathlib import Path
from typing import Any

import click

from holecount import tally
from holecount.cli.options import as_option, file_path, output_options
from holecount.cli.results import as_json, deliver
from holecount.cli.sizing_options import reading_options, readings_given, sizing_options, wishes_given
from holecount.decide import decide as decided
from holecount.sizing import lines, to_dict
from holecount.stats import RailStats
from holecount.tape import QUANTITY_NAMES, Check, Tape, mean_words, read_file, read_list, tape_stats
from holecount.troubles import BadInput


@click.command("tape")
@click.argument("saved", required=False, type=file_path, metavar="[SAVED.json]")
@click.option("--readings", "readings_file", type=file_path, metavar="FILE", help="A text file of readings.")
@reading_options
@click.option("--along", metavar="LIST", help="Holes along whole rails, corner holes counted: 'front: 20, left: 18'.")
@sizing_options
@as_option("table", "json")
@output_options
def command(
    saved: Path | None,
    readings_file: Path | None,
    pitch: str | None,
    hole: str | None,
    six_inches: str | None,
    along: str | None,
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
    """Read tape-measure readings as you write them; with SAVED.json, hold each against the photograph.

    \b
        holecount tape --six-inches '12, 12, 11 1/2' --hole 3/16
        holecount tape SAVED.json --pitch 'front: 1/2, 1/2+; left: 13 mm'
    """  # noqa: D301 (\b keeps click from filling the paragraph)
    readings = readings_given(pitch=pitch, hole=hole, six_inches=six_inches, unit=unit, taken=taken, sharp=False)
    if along:
        readings += tuple(read_list(along, "along"))
    if readings_file:
        readings += tuple(read_file(readings_file, unit=unit))
    if not readings:
        raise BadInput("There are no readings.", "Give --pitch, --hole, --six-inches, --along or --readings FILE.")
    wishes = wishes_given(chart_files, decide, thickness, shape=shape, couched=couched, strands=strands)
    measurement = tally.read(saved) if saved else None
    decision = decided(measurement, readings, wishes)
    checks, kept, made = decision.checks, decision.tape, decision.choice
    if made is None or kept is None:
        raise BadInput("No reading is left to choose by.", " ".join(c.words + "." for c in checks))
    if form == "json":
        plain = {"schema": 1, "checks": [_plain(c) for c in checks], "tape": _stats(kept), "size": to_dict(made)}
        deliver(as_json(plain), output, force=force)
    else:
        told = [*_told(checks, kept, against=measurement is not None), "", *lines(made, explain=explain)]
        deliver("\n".join(told), output, force=force)


def _told(checks: tuple[Check, ...], kept: Tape, *, against: bool) -> list[str]:
    out = ["Readings against the photo" if against else "Readings"]
    for c in checks:
        r = c.reading
        name = " ".join(x for x in (r.place, QUANTITY_NAMES[r.quantity]) if x)
        line = (
            f"{c.verdict:<9} {name} {r.as_written}: {r.words}" + (f", {r.note}" if r.note else "") + f"; {c.expected}"
        )
        out += textwrap.wrap(line, 88, subsequent_indent=" " * 10)
        if c.slips:
            out += textwrap.wrap(
                f"likely slip: {'; or '.join(c.slips)}", 88, initial_indent=" " * 10, subsequent_indent=" " * 12
            )
    if any(c.verdict == "wrong" for c in checks):
        out.append("Wrong readings are left out below.")
    places = [p for p in kept.places if p]
    for place in [*places, None] if len(places) > 1 else [None]:
        stats = tape_stats(kept, place)
        words = _figures(stats)
        if words:
            out += ["", *textwrap.wrap(f"{stats.name} by the tape: {words}", 88, subsequent_indent="  ")]
    return out


def _figures(stats: RailStats) -> str:
    parts = []
    for name, spread in (("pitch", stats.pitch), ("holes", stats.diameter)):
        if spread is not None:
            parts.append(f"{name} {mean_words(spread)}")
    six = stats.six_inches
    if six.mean is not None:
        parts.append(f"{six.mean:.1f} holes in six inches")
    return "; ".join(parts)


def _plain(c: Check) -> dict[str, Any]:
    return {
        "as_written": c.reading.as_written,
        "quantity": c.reading.quantity,
        "place": c.reading.place,
        "value_mm": c.reading.value_mm,
        "n_holes": c.reading.n_holes,
        "u_mm": c.reading.u_mm,
        "understood": c.reading.words,
        "note": c.reading.note,
        "verdict": c.verdict,
        "expected": c.expected,
        "slips": list(c.slips),
        "words": c.words,
    }


def _stats(tape: Tape) -> list[dict[str, Any]]:
    return [dataclasses.asdict(tape_stats(tape, place)) for place in (None, *(p for p in tape.places if p))]
