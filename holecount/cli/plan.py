"""``holecount plan``: from holes to the weave, the cane to buy and the charge."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from holecount import saving
from holecount.cli import VERBS, options
from holecount.cli.results import as_json, deliver
from holecount.lengths import parse_length_mm
from holecount.troubles import CannotSave

if TYPE_CHECKING:
    from holecount.measurement import Measurement
    from holecount.strands import CaneNeed, CaneSettings, Charge, Frame, StrandPlan


@click.command("plan", short_help=VERBS["plan"])
@click.argument("saved", nargs=-1, type=options.file_path, metavar="[SAVED.json]...")
@click.option("--front", type=int, metavar="N", help="Holes along the front, corner holes counted.")
@click.option("--back", type=int, metavar="N", help="Holes along the back, corner holes counted.")
@click.option("--left", type=int, metavar="N", help="Holes along the left side, corner holes counted.")
@click.option("--right", type=int, metavar="N", help="Holes along the right side, corner holes counted.")
@click.option("--wing", type=click.Choice(["left", "right"]), help="The side that stands square to the front.")
@click.option("--pitch", metavar="LENGTH", help="Distance from hole to hole, for typed figures (1/2in, 13mm).")
@click.option("--ring", type=int, metavar="N", help="Holes of a round or oval seat.")
@click.option("--across", metavar="LENGTH", help="Width of the ring of holes from left to right (330mm).")
@click.option("--deep", metavar="LENGTH", help="Its depth from front to back, when oval.")
@click.option(
    "--corner-holes", metavar="N,N,N,N", help="Numbers of the corner holes, when they were found wrong or not at all."
)
@click.option("--thickness", metavar="LENGTH", help="Thickness of the frame at the holes. Without it: 3/4 in.")
@click.option(
    "--strand-length", metavar="LENGTH", help="One length of cane as it comes (15ft, 4.5m). Without it: 15 ft."
)
@click.option("--tail", metavar="LENGTH", help="Left hanging at each end of a length. Without it: 3 1/2 in.")
@click.option("--allowance", type=float, metavar="TIMES", help="Length to buy over net length. Without it: 1.5.")
@click.option("--hank", metavar="LENGTH", help="Cane in a hank. Without it: 1000 ft.")
@click.option("--coil", metavar="LENGTH", help="Cane in a coil. Without it: 250 ft.")
@click.option("--couched", is_flag=True, help="The binder is couched through the holes: two strands more in each.")
@click.option(
    "--couch-every", type=click.IntRange(1, 4), default=1, show_default=True, metavar="N", help="Couch every Nth hole."
)
@click.option("--binder", metavar="WIDTH", help="Width of the binder, for the couching. Without it: 5 mm.")
@click.option("--cane", metavar="WIDTH", help="Width of the cane (2.5mm): names the holes it will not go through.")
@click.option(
    "--chairs", type=click.IntRange(1, 1000), default=1, show_default=True, metavar="N", help="Like seats to reckon."
)
@click.option("--rate", metavar="AMOUNT", help="Charge a hole, for the reckoning.")
@click.option("--material", metavar="AMOUNT", help="Charge for material.")
@click.option(
    "--extra", "extras", multiple=True, metavar="WORDS=AMOUNT", help="Another line of the charge. May be repeated."
)
@click.option("--currency", default="", metavar="TEXT", help="Printed after every amount.")
@click.option(
    "--draw", type=options.file_path, metavar="FOLDER", help="Write a drawing a step, and all steps together (SVG)."
)
@options.as_option("table", "json")
@options.output_options
def command(
    saved: tuple[Path, ...],
    front: int | None,
    back: int | None,
    left: int | None,
    right: int | None,
    wing: str | None,
    pitch: str | None,
    ring: int | None,
    across: str | None,
    deep: str | None,
    corner_holes: str | None,
    couched: bool,
    couch_every: int,
    cane: str | None,
    chairs: int,
    rate: str | None,
    material: str | None,
    extras: tuple[str, ...],
    currency: str,
    draw: Path | None,
    form: str,
    output: Path | None,
    force: bool,
    **cane_options: Any,
) -> None:
    """Lay out the strands of the seven steps, hole to hole, and reckon the cane to buy.

    \b
        holecount plan SAVED.json --thickness 20mm --draw drawings
        holecount plan --front 8 --back 8 --left 8 --right 8 --pitch 1/2
        holecount plan --ring 65 --across 330mm

    Several saved measurements are planned one by one and their cane is added up.

    Exit status: 0 done, 2 wrong use, 4 a file cannot be read or makes no seat, 5 a result could not be saved.
    """  # noqa: D301 (\b keeps click from filling the paragraph)
    counts = {"--front": front, "--back": back, "--left": left, "--right": right}
    seats = _seats(saved, counts, wing, pitch, ring, across, deep, corner_holes)
    settings = _cane_settings(**cane_options)
    every = couch_every if couched else None
    asked = rate is not None or material is not None or bool(extras)
    plans, needs, records, texts = [], [], [], []
    from holecount.strands import cane_need, make_plan, together
    from holecount.strands.record import cane_record, charge_record, plan_record

    for name, frame, measured in seats:
        plan = make_plan(frame)
        need = cane_need(plan, settings, couch_every=every) if frame.in_mm else None
        warnings = tuple(_overfull(plan, measured, cane, couched=couched)) + (() if need else (NO_LENGTHS,))
        plans.append(plan)
        needs.append(need)
        records.append({"name": name, **plan_record(plan, need, settings, warnings=warnings)})
        texts.append(_text(name, plan, need, settings, warnings, every))
    whole = None
    if all(needs) and (len(needs) > 1 or chairs > 1):
        whole = together([need for need in needs if need] * chairs)
    charge = _charge(plans, chairs, rate, material, extras, currency) if asked else None
    if draw is not None:
        _draw(draw, [name for name, _, _ in seats], plans, force=force)
    if form == "json":
        made = records[0] if len(records) == 1 else {"schema": records[0]["schema"], "seats": records}
        if whole is not None:
            made["together"] = cane_record(whole)
        if charge is not None:
            made["charge"] = charge_record(charge)
        deliver(as_json(made), output, force=force)
    else:
        deliver("\n\n".join([*texts, *_sums(whole, charge)]), output, force=force)


NO_LENGTHS = "Lengths are not reckoned: there are no millimetres. Give --pitch, or a measurement with a scale."


def _seats(
    saved: tuple[Path, ...],
    counts: dict[str, int | None],
    wing: str | None,
    pitch: str | None,
    ring: int | None,
    across: str | None,
    deep: str | None,
    corner_holes: str | None,
) -> list[tuple[str, Frame, Measurement | None]]:
    """What is to be planned: saved measurements, or one seat of typed figures."""
    from holecount import tally
    from holecount.strands import from_counts, from_measurement, from_ring

    typed = [option for option, value in counts.items() if value is not None]
    if sum((bool(saved), bool(typed), ring is not None)) != 1:
        raise click.UsageError(
            "Give saved measurements, or --front, --back, --left and --right, or --ring and --across: one of these."
        )
    if saved:
        corners = options.value_of("--corner-holes", corner_holes, _four_numbers)
        if corners and len(saved) > 1:
            raise click.UsageError("--corner-holes belongs to one measurement; plan it alone.")
        read = [(path.stem, tally.read(path)) for path in saved]
        return [(name, from_measurement(m, corner_holes=corners), m) for name, m in read]
    if corner_holes:
        raise click.UsageError("--corner-holes belongs to a saved measurement.")
    if ring is not None:
        wide = options.value_of("--across", across, parse_length_mm)
        if wide is None:
            raise click.UsageError("--ring needs --across: the width of the ring of holes.")
        if pitch:
            raise click.UsageError("A ring's pitch follows from its size; leave out --pitch.")
        return [
            ("seat", from_ring(ring, across_mm=wide, deep_mm=options.value_of("--deep", deep, parse_length_mm)), None)
        ]
    if len(typed) < 4:
        missing = ", ".join(option for option, value in counts.items() if value is None)
        raise click.UsageError(f"Typed figures need all four sides; {missing} is missing.")
    sides = [value or 0 for value in counts.values()]
    pitch_mm = options.value_of("--pitch", pitch, parse_length_mm)
    return [("seat", from_counts(sides[0], sides[1], sides[2], sides[3], pitch_mm=pitch_mm, wing=wing), None)]


def _four_numbers(text: str) -> tuple[int, ...]:
    parts = text.replace(" ", "").split(",")
    if len(parts) != 4 or not all(p.isdigit() for p in parts):
        raise ValueError(f"'{text}' is not four hole numbers; write them like 1,20,42,57")
    return tuple(int(p) for p in parts)


def _cane_settings(
    *,
    thickness: str | None,
    strand_length: str | None,
    tail: str | None,
    allowance: float | None,
    hank: str | None,
    coil: str | None,
    binder: str | None,
) -> CaneSettings:
    from holecount.strands import CaneSettings
    from holecount.strands.cane import read_long_mm

    if allowance is not None and not 1 <= allowance <= 10:
        raise click.BadParameter("give 1 to 10 times the net length.", param_hint="--allowance")
    given = {
        "thickness_mm": options.value_of("--thickness", thickness, parse_length_mm),
        "length_mm": options.value_of("--strand-length", strand_length, read_long_mm),
        "tail_mm": options.value_of("--tail", tail, parse_length_mm),
        "allowance": allowance,
        "hank_mm": options.value_of("--hank", hank, read_long_mm),
        "coil_mm": options.value_of("--coil", coil, read_long_mm),
        "binder_width_mm": options.value_of("--binder", binder, parse_length_mm),
    }
    return replace(CaneSettings(), **{name: value for name, value in given.items() if value is not None})


def _overfull(plan: StrandPlan, measured: Measurement | None, cane: str | None, *, couched: bool) -> list[str]:
    """Holes that the cane will not go through, where a width is given."""
    from holecount.decide import overfull

    width_mm = options.value_of("--cane", cane, parse_length_mm)
    return [] if width_mm is None else overfull(plan, measured, width_mm, couched=couched)


def _text(
    name: str,
    plan: StrandPlan,
    need: CaneNeed | None,
    settings: CaneSettings,
    warnings: tuple[str, ...],
    every: int | None,
) -> str:
    from holecount.strands import listing

    heard = (*plan.warnings, *warnings)
    parts = [
        [f"Strand plan: {name}", *listing.seat_lines(plan)],
        ["Before the first strand:", *(f"  {w}" for w in heard)] if heard else [],
        listing.strand_lines(plan),
        listing.hole_lines(plan),
        listing.layout_lines(plan),
        listing.cane_lines(need, settings, couch_every=every) if need else [],
    ]
    return "\n\n".join("\n".join(part) for part in parts if part)


def _sums(whole: CaneNeed | None, charge: Charge | None) -> list[str]:
    from holecount.strands import listing

    parts = []
    if whole is not None:
        parts.append(
            f"{whole.n_seats} seats together: net {listing.metres_and_feet(whole.net_mm)}, to buy "
            f"{listing.metres_and_feet(whole.buy_mm)} ({whole.hanks:.2f} hanks, {whole.coils:.2f} coils), "
            f"binder {listing.metres_and_feet(whole.binder_mm)}"
        )
    if charge is not None:
        parts.append("\n".join(listing.charge_lines(charge)))
    return parts


def _charge(
    plans: list[StrandPlan],
    chairs: int,
    rate: str | None,
    material: str | None,
    extras: tuple[str, ...],
    currency: str,
) -> Charge:
    from holecount.strands import reckon
    from holecount.strands.charge import read_amount

    lines: list[tuple[str, Decimal]] = []
    for text in extras:
        words, equals, amount = text.rpartition("=")
        if not equals or not words.strip():
            raise click.BadParameter(f"'{text}' is not WORDS=AMOUNT, like 'new peg=2.50'.", param_hint="--extra")
        lines.append((words.strip(), options.value_of("--extra", amount, read_amount) or Decimal(0)))
    hidden = chairs * sum(p.frame.status.count("hidden") for p in plans)
    return reckon(
        n_holes=chairs * sum(p.frame.n for p in plans) - hidden,
        n_hidden=hidden,
        rate=options.value_of("--rate", rate, read_amount),
        material=options.value_of("--material", material, read_amount),
        extras=lines,
        currency=currency,
    )


def _draw(folder: Path, names: list[str], plans: list[StrandPlan], *, force: bool) -> None:
    """A file a drawing; several seats each in a folder of their own."""
    from holecount.strands import drawings

    for k, (name, plan) in enumerate(zip(names, plans, strict=True)):
        label = f"{name}-{k + 1}" if names.count(name) > 1 else name
        into = folder if len(plans) == 1 else folder / label
        try:
            into.mkdir(parents=True, exist_ok=True)
        except OSError as e:
            raise CannotSave(f"'{into}' cannot be made: {e.strerror}.", "Name a folder that can be written to.") from e
        for stem, svg in drawings(plan).items():
            saving.save(into / f"{stem}.svg", svg, force=force)
    click.echo(f"Drawings: {folder}", err=True)
