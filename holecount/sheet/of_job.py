"""From a job's folder to what the sheet needs: one way for the command line and the bench page."""

from collections.abc import Sequence
from dataclasses import replace

from holecount.cautions import Work
from holecount.decide import Decision, Wishes, decide, thickness_mm_of
from holecount.jobs import Inputs, Job, JobSettings
from holecount.measure import MeasureRequest, measure_photo
from holecount.measurement import Measurement
from holecount.photo import Photo, read_photo
from holecount.scale import by_hand
from holecount.sheet.content import JobNotes, content_of
from holecount.sheet.pictures import marked_jpeg, small_jpeg
from holecount.sheet.render import Drawing, render_sheet
from holecount.tape import Reading, read_text
from holecount.troubles import BadInput


def request_of(inputs: Inputs) -> MeasureRequest:
    """What the job's settings and corrections ask of the measurement.

    Raises
    ------
    BadInput
        When a card is neither known nor a size.
    """
    s = inputs.settings
    try:
        cards = tuple(by_hand.parse_object(text) for text in s.cards)
    except ValueError as e:
        raise BadInput(f"The card's size cannot be read: {e}.") from e
    return MeasureRequest(cards=cards or None, ruler=s.ruler, fixes=inputs.fixes, in_pixels=s.in_pixels)


def wishes_of(settings: JobSettings) -> Wishes:
    """What the job's settings ask of the size; `BadInput` when the thickness is no length."""
    thickness_mm = thickness_mm_of(settings.thickness) if settings.thickness else None
    return Wishes(
        shape=settings.shape, couched=settings.couched, strand_thickness_mm=thickness_mm,
        fullest_hole=settings.strands, deciding_chart=settings.chart,
    )  # fmt: skip


def readings_of(tape: str) -> tuple[Reading, ...]:
    """Readings of the job's tape text; none when there is only blank space and remarks.

    Raises
    ------
    BadInput
        Naming the line that cannot be read.
    """
    has_any = any(line.split("#", 1)[0].strip() for line in tape.splitlines())
    return tuple(read_text(tape, source="the tape readings")) if has_any else ()


def decision_of(m: Measurement | None, inputs: Inputs, *, counted: int | None = None) -> Decision:
    """The size from measurement, tape and settings of a job.

    Parameters
    ----------
    counted : strands in the fullest hole, where the strand plan was counted already; saves planning it again.
    """
    wishes = wishes_of(inputs.settings)
    if wishes.fullest_hole is None:
        wishes = replace(wishes, fullest_hole=counted)
    return decide(m, readings_of(inputs.tape), wishes)


def notes_of(inputs: Inputs) -> JobNotes:
    """What the sheet says of the job itself."""
    s = inputs.settings
    return JobNotes(name=s.name, date=s.date, notes=inputs.notes, work=Work(old_finish=s.old_finish, cracks=s.cracks))


def measured(job: Job, inputs: Inputs) -> Measurement:
    """The job's measurement: the saved one when it is up to date, else made and saved now; raises any `Trouble`."""
    saved = job.measurement() if job.is_current(inputs) else None
    if saved is not None:
        return saved
    m = measure_photo(read_photo(job.photo()), request_of(inputs))
    with job.locked():
        job.save_measurement(m, inputs)
    return m


def sheet_of(
    job: Job,
    inputs: Inputs,
    m: Measurement,
    *,
    photo: Photo | None = None,
    counted: int | None = None,
    drawings: Sequence[Drawing] = (),
    explain: bool = False,
) -> str:
    """The job's sheet as HTML.

    Parameters
    ----------
    photo : the decoded photograph where it is at hand; read from the job's folder otherwise.
    counted : as for `decision_of`.
    """
    shown = photo or read_photo(job.photo())
    old = job.old_seat()
    return render_sheet(
        content_of(m, decision_of(m, inputs, counted=counted), notes_of(inputs)),
        m,
        marked_jpeg=marked_jpeg(shown, m),
        old_seat_jpeg=small_jpeg(read_photo(old).bgr) if old is not None else None,
        drawings=drawings,
        explain=explain,
    )
