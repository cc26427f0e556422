"""``holecount sheet``: the printable job sheet, or several seats side by side."""

from __future__ import annotations

import datetime
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

import click

from holecount.cli import VERBS, options
from holecount.cli.results import Progress, check_output, deliver, goes_to_file
from holecount.cli.sizing_options import sizing_options, wishes_given
from holecount.troubles import BadInput, one_line

if TYPE_CHECKING:
    from holecount.decide import Wishes
    from holecount.jobs import Job
    from holecount.measurement import Measurement
    from holecount.sheet.render import Drawing


@click.command("sheet", short_help=VERBS["sheet"])
@click.argument("saved", nargs=-1, required=True, type=options.file_path, metavar="SAVED.json|JOB...")
@click.option(
    "--photo", type=options.file_path, metavar="FILE", help="The photograph, when it does not lie beside SAVED.json."
)
@click.option("--name", metavar="TEXT", help="Name of the job. Without it: that of the file or folder.")
@click.option("--date", metavar="TEXT", help="Date on the sheet. Without it: today.")
@click.option("--notes", metavar="TEXT", help="Notes to print.")
@click.option("--readings", type=options.file_path, metavar="FILE", help="Tape readings to set beside the photograph.")
@click.option(
    "--old-seat", type=options.file_path, metavar="FILE", help="A photograph of the old seat, for the record."
)
@click.option("--cracks", type=click.Choice(["yes", "no"]), help="Whether there are cracks between holes.")
@click.option("--old-finish", type=click.Choice(["yes", "no"]), help="Whether there is old paint or varnish.")
@click.option("--plan", is_flag=True, help="Add the strand plan: a drawing a step, on pages of their own.")
@sizing_options
@options.output_options
def command(
    saved: tuple[Path, ...],
    photo: Path | None,
    name: str | None,
    date: str | None,
    notes: str | None,
    readings: Path | None,
    old_seat: Path | None,
    cracks: str | None,
    old_finish: str | None,
    plan: bool,
    shape: str | None,
    couched: bool,
    thickness: str | None,
    strands: int | None,
    chart_files: tuple[Path, ...],
    decide: str,
    explain: bool,
    output: Path | None,
    force: bool,
) -> int:
    """Make the job sheet of a saved measurement or of a job's folder: one HTML file that prints on one page.

    \b
        holecount sheet SAVED.json -o sheet.html
        holecount sheet JOB -o sheet.html
        holecount sheet CHAIR1.json CHAIR2.json CHAIR3.json -o set.html

    Several, or a folder of them, are set side by side on one sheet: the same cane for all?

    Exit status: 0 made, 2 wrong use, 3 a job's photograph cannot be measured, 4 a file cannot be read,
    5 the sheet could not be saved.
    """  # noqa: D301 (the \\b is click's)
    check_output(output, force=force)
    wishes = wishes_given(chart_files, decide, thickness, shape=shape, couched=couched, strands=strands)
    today = datetime.date.today().isoformat()
    found = _found(saved)
    if len(found) == 1 and not found[0].in_set:
        words = _Words(name=name, date=date, notes=notes, cracks=_yes(cracks), old_finish=_yes(old_finish), plan=plan)
        one = found[0]
        if one.job is not None:
            typed = (photo, readings, notes, shape, thickness, strands, cracks, old_finish)
            if couched or chart_files or decide or any(x is not None for x in typed):
                raise click.UsageError(
                    "A job's folder holds its own photograph, readings, notes and settings: change them there."
                )
            text = _job_sheet(one.job, words, old_seat, today, explain=explain)
        else:
            text = _saved_sheet(one.path, words, photo, readings, old_seat, wishes, today, explain=explain)
    else:
        given = (photo, notes, readings, old_seat, cracks, old_finish)
        if plan or any(x is not None for x in given):
            raise click.UsageError("With several seats there is one sheet for the set: --photo, --notes, --readings, "
                                   "--old-seat, --cracks, --old-finish and --plan belong to one.")  # fmt: skip
        text = _set_sheet(found, name or _set_name(saved), date or today, wishes, output)
    deliver(text, output, force=force)
    if goes_to_file(output):
        click.echo(f"Sheet: {output}", err=True)
    return 0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Words:
    """What was typed for one sheet; None where nothing was."""

    name: str | None
    date: str | None
    notes: str | None
    cracks: bool | None
    old_finish: bool | None
    plan: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """One seat as named: a job, or a saved measurement; ``in_set`` when a folder of several was named."""

    path: Path
    job: Job | None
    in_set: bool = False

    @property
    def name(self) -> str:
        return self.path.stem if self.job is None else self.job.inputs().settings.name


def _found(given: tuple[Path, ...]) -> list[_Found]:
    """Every seat named, folders of jobs or saved measurements opened."""
    from holecount.jobs import Job, is_job

    out: list[_Found] = []
    for path in given:
        if not os.path.isdir(path):
            out.append(_Found(path=path, job=None))
        elif is_job(path.absolute()):
            out.append(_Found(path=path, job=Job(folder=path)))
        else:
            inside = [_Found(path=p, job=Job(folder=p), in_set=True) for p in sorted(path.iterdir()) if is_job(p)]
            inside = inside or [_Found(path=p, job=None, in_set=True) for p in sorted(path.glob("*.json"))]
            if not inside:
                raise BadInput(
                    f"The folder '{path}' holds neither jobs nor saved measurements.",
                    "Save measurements into it with: holecount measure PHOTO --as json -o NAME.json",
                )
            out += inside
    return out


def _job_sheet(job: Job, words: _Words, old_seat: Path | None, today: str, *, explain: bool) -> str:
    from dataclasses import replace

    from holecount.sheet.of_job import measured, sheet_of

    if old_seat is not None:
        raise click.UsageError(f"Put the photograph of the old seat into the job's folder: {job.path('old-seat.jpg')}.")
    inputs = job.inputs()
    settings = replace(
        inputs.settings, name=words.name or inputs.settings.name, date=words.date or inputs.settings.date or today
    )
    inputs = replace(inputs, settings=settings)
    progress = Progress()
    try:
        if not job.is_current(inputs):
            progress.say("measuring")
        m = measured(job, inputs)
        drawings = _drawings(m, couched=inputs.settings.couched) if words.plan else ()
        return sheet_of(job, inputs, m, drawings=drawings, explain=explain)
    finally:
        progress.clear()


def _saved_sheet(
    path: Path,
    words: _Words,
    photo: Path | None,
    readings: Path | None,
    old_seat: Path | None,
    wishes: Wishes,
    today: str,
    *,
    explain: bool,
) -> str:
    from holecount import tally
    from holecount.cautions import Work
    from holecount.decide import decide
    from holecount.photo import read_photo
    from holecount.sheet import JobNotes, content_of, render_sheet
    from holecount.sheet.pictures import marked_jpeg, photo_of, small_jpeg
    from holecount.tape import read_file

    m = tally.read(path)
    decision = decide(m, read_file(readings) if readings else (), wishes)
    photo = photo or photo_of(m, path.absolute().parent)
    marked = marked_jpeg(read_photo(photo), m) if photo is not None else None
    notes = JobNotes(
        name=words.name or path.stem,
        date=words.date or today,
        notes=words.notes or "",
        work=Work(old_finish=words.old_finish, cracks=words.cracks),
    )
    text = render_sheet(
        content_of(m, decision, notes),
        m,
        marked_jpeg=marked,
        old_seat_jpeg=small_jpeg(read_photo(old_seat).bgr) if old_seat is not None else None,
        drawings=_drawings(m, couched=wishes.couched) if words.plan else (),
        explain=explain,
    )
    if photo is None:
        click.echo(f"holecount: {one_line(m.photo_name)!r} does not lie beside '{path}': drawn without it.", err=True)
    return text


def _drawings(m: Measurement, *, couched: bool) -> tuple[Drawing, ...]:
    """The strand plan's pages."""
    from holecount.sheet.strand_pages import strand_pages_of

    return strand_pages_of(m, couched=couched).pages


def _set_sheet(found: list[_Found], name: str, date: str, wishes: Wishes, output: Path | None) -> str:
    from holecount import tally
    from holecount.decide import decide
    from holecount.jobs import SHEET
    from holecount.sheet import Seat, render_set, set_of

    seats = []
    for one in found:
        link = ""
        if one.job is not None:
            from holecount.sheet.of_job import decision_of, measured

            inputs = one.job.inputs()
            m: Measurement = measured(one.job, inputs)
            try:
                choice = decision_of(m, inputs).choice
            except BadInput as e:
                raise BadInput(f"'{one.path}': {e.what}", e.hint) from e
            sheet = one.job.path(SHEET)
            if goes_to_file(output) and sheet.is_file():
                link = quote(Path(os.path.relpath(sheet, output.absolute().parent)).as_posix())
        else:
            m = tally.read(one.path)
            choice = decide(m, (), wishes).choice
        seats.append(Seat(name=one.name, measurement=m, choice=choice, sheet=link))
    return render_set(set_of(seats, name=name, date=date))


def _yes(said: str | None) -> bool | None:
    return None if said is None else said == "yes"


def _set_name(given: tuple[Path, ...]) -> str:
    """Name of the set: that of the one folder named, else a plain word."""
    return given[0].absolute().name if len(given) == 1 else "Set of seats"
