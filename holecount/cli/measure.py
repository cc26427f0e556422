"""``holecount measure``: photographs in, hole statistics out."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holecount import saving
from holecount.cli import options
from holecount.cli.requests import request_of
from holecount.cli.results import Progress, check_output, deliver

if TYPE_CHECKING:
    from collections.abc import Callable

    from holecount.measure import MeasureRequest
    from holecount.measurement import Measurement


@click.command("measure")
@click.argument("photos", nargs=-1, required=True, type=options.file_path, metavar="PHOTO...")
@options.as_option("table", "json", "csv")
@options.scale_options
@options.fix_option
@options.marked_option
@options.output_options
def command(
    photos: tuple[Path, ...],
    form: str,
    cards: tuple[str, ...],
    sheets: tuple[str, ...],
    ruler: str | None,
    between: tuple[str, ...],
    corners: tuple[str, ...],
    pixels: bool,
    fix: Path | None,
    marked: Path | None,
    output: Path | None,
    force: bool,
) -> int:
    """Count the holes of the seat in each PHOTO and gauge their pitch and diameter.

    PHOTO is a JPEG, PNG, TIFF, WebP or HEIC file, or a folder of them. Lay a bank card or a ruler flat
    on the frame before you take the picture; several are used together.

    One photograph gives a table, JSON or CSV. Several are measured side by side and give one summary
    table, JSON with one object a line, or one CSV with a column for the photograph.

    Exit status: 0 measured, 2 wrong use, 3 the photograph cannot be measured (no scale, no holes),
    4 a file cannot be read, 5 a result could not be saved. Of several photographs the worst counts.
    """
    check_output(output, force=force)
    several = len(photos) > 1 or os.path.isdir(photos[0])  # Unlike Path.is_dir it takes names of any length.
    if several and (fix or between or corners):
        given = "--fix" if fix else "--between" if between else "--corners"
        raise click.UsageError(f"{given} belongs to one photograph; measure it alone.")
    request = request_of(cards, sheets, ruler, between, corners, pixels=pixels, fix=fix)
    if several:
        from holecount.cli import several as many

        return many.measure_all(photos, request, form=form, marked=marked, output=output, force=force)
    if marked is not None:
        _check_marked(marked, force=force)
    progress = Progress()
    try:
        m = measure_file(photos[0], request, marked, force=force, progress=progress.say)
    finally:
        progress.clear()
    deliver(_as_text(m, form), output, force=force)
    if marked is not None:
        click.echo(f"Marked photograph: {marked}", err=True)
    return 0


def measure_file(
    photo_path: Path,
    request: MeasureRequest,
    marked: Path | None,
    *,
    force: bool,
    progress: Callable[[str], None] | None = None,
) -> Measurement:
    """Read one photograph, measure it and save the marked picture if one is wanted; raises any `Trouble`."""
    from concurrent.futures import ThreadPoolExecutor

    from holecount.photo import read_photo

    if progress:
        progress("reading the photograph")
    with ThreadPoolExecutor(1) as aside:
        reading = aside.submit(read_photo, photo_path)
        # Decoding leaves the interpreter free to load the rest meanwhile.
        from holecount.measure import measure_photo
        from holecount.scale.by_hand import require_inside

        photo = reading.result()
    for reference in request.by_hand:
        require_inside(reference, photo.width_px, photo.height_px)
    m = measure_photo(photo, request, progress)
    if marked is not None:
        from holecount.overlay import draw_marked, encode

        if progress:
            progress("drawing the marked photograph")
        saving.save(marked, encode(draw_marked(photo, m), marked.suffix), force=force)
    return m


def _as_text(m: Measurement, form: str) -> str:
    if form == "table":
        from holecount.report import table

        return table(m)
    from holecount import tally

    return tally.to_json(m) if form == "json" else tally.to_csv(m)


def _check_marked(marked: Path, *, force: bool) -> None:
    from holecount.overlay import SUFFIXES

    if marked.suffix.lower() not in SUFFIXES:
        raise click.BadParameter(f"'{marked}' should end in {' or '.join(SUFFIXES)}.", param_hint="--marked")
    saving.check_free(marked, force=force)
