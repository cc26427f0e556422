"""``holecount look``: is the photograph fit to be measured, and what would make it better."""

from __future__ import annotations

import textwrap
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holecount import __version__
from holecount.cli import options
from holecount.cli.requests import request_of
from holecount.cli.results import Progress, as_json, check_output, deliver

if TYPE_CHECKING:
    from holecount.fitness import Fitness
    from holecount.photo import Photo

SCHEMA = 1
"""Of the result as JSON, told field by field in docs/glossary.md."""

_GRADES = {
    "fit": "Fit to be measured.",
    "usable": "It can be measured; this would make it better:",
    "unfit": "It cannot be measured as it is:",
}


@click.command("look")
@click.argument("photo", type=options.file_path, metavar="PHOTO")
@options.as_option("words", "json")
@options.scale_options
@options.output_options
def command(
    photo: Path,
    form: str,
    cards: tuple[str, ...],
    sheets: tuple[str, ...],
    ruler: str | None,
    between: tuple[str, ...],
    corners: tuple[str, ...],
    pixels: bool,
    output: Path | None,
    force: bool,
) -> int:
    """Say whether PHOTO is fit to be measured, and what would make it better.

    Looks at sharpness, light, the size of the holes in pixels, what gives the scale, the tilt of the
    camera and what hides holes: nearer, flatter, sharper, less glare, a card missing.

    Exit status: 0 fit or usable, 2 wrong use, 3 unfit, 4 the file cannot be read, 5 the result could not be saved.
    """
    from holecount.fitness import look_at
    from holecount.photo import read_photo

    check_output(output, force=force)
    request = request_of(cards, sheets, ruler, between, corners, pixels=pixels, fix=None)
    progress = Progress()
    try:
        progress.say("reading the photograph")
        picture = read_photo(photo)
        fitness = look_at(picture, request, progress.say)
    finally:
        progress.clear()
    deliver(_words(picture, fitness) if form == "words" else _json(picture, fitness), output, force=force)
    return 3 if fitness.grade == "unfit" else 0


def _words(photo: Photo, f: Fitness) -> str:
    lines = [f"{photo.path.name}: {_GRADES[f.grade]}"]
    for remark in f.remarks:
        advice = textwrap.fill(remark.advice, 96, initial_indent="    ", subsequent_indent="    ")
        lines += [f"  - {remark.what}", advice]
    lines += ["", *_facts(photo, f)]
    return "\n".join(lines) + "\n"


def _facts(photo: Photo, f: Fitness) -> list[str]:
    blur = f.sharpness.blur_px
    width, height = photo.width_px, photo.height_px
    sharp = "too few edges to tell"
    if blur is not None:
        sharp = f"edges blurred by {'under 0.5' if blur < 0.5 else f'{blur:.1f}'} pixels"
    focal = photo.focal_from if photo.focal_35mm is None else f"{photo.focal_35mm:g} mm (35-mm equivalent)"
    rows = [
        ("picture", f"{width} x {height} pixels, {width * height / 1e6:.1f} megapixels"),
        ("sharpness", sharp),
        ("light", f"middle grey level {f.median_level:.0f} of 255, {100 * f.clipped_frac:.0f} % plain white"),
        ("scale", ", ".join(f.scale_words) or "none found"),
        ("holes", _holes(f)),
        ("tilt", "unknown" if f.tilt_deg is None else f"{f.tilt_deg:.0f} degrees"),
        ("focal length", focal),
    ]
    rows += [("note", note) for note in photo.notes]
    return [f"  {name + ':':<14}{words}" for name, words in rows]


def _holes(f: Fitness) -> str:
    if not f.n_holes:
        return "none found"
    size = "" if f.hole_radius_px is None else f", about {2 * f.hole_radius_px:.0f} pixels across"
    return f"{f.n_holes}{size}"


def _json(photo: Photo, f: Fitness) -> str:
    out = {
        "schema": SCHEMA,
        "made_by": f"holecount {__version__}",
        "photo_name": photo.path.name,
        "photo_sha256": photo.sha256,
        "width_px": photo.width_px,
        "height_px": photo.height_px,
        "focal_35mm": photo.focal_35mm,
        **asdict(f),
    }
    return as_json(out)
