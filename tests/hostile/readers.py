"""Every reader of ours as a function of bytes: what a fuzzer drives.

A reader may take its input, or refuse it by a `Trouble` (values typed as options: a `ValueError` with words, which the
command line turns into wrong use). Anything else is a fault.
"""

import atexit
import contextlib
import json
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

import made_measurement as made
import photos

from holecount import exif, fixes, jobs, jpeg, tally
from holecount.lengths import parse_length_mm
from holecount.photo import ReadSettings, photo_from_bytes
from holecount.scale import by_hand
from holecount.sizing import chart
from holecount.tape import read_list, read_text

Reader = Callable[[bytes], object]

NAME = Path("input")
CHARTS = Path(chart.__file__).parent / "charts"
SMALL = ReadSettings(most_px=4_000_000)
"""So that a lying header costs a fuzzer milliseconds, not seconds."""


def text(data: bytes) -> str:
    """The bytes as the readers of ours read text files."""
    return data.decode("utf-8", "replace")


def _exif(data: bytes) -> object:
    tags = exif.read_tags(data)
    return exif.orientation(tags), exif.focal_35mm(tags, 400, 300)


def _head(data: bytes) -> object:
    with contextlib.suppress(jpeg.DamagedJpeg):
        return jpeg.read_head(data)
    return None


def _typed(reader: Callable[[str], object]) -> Reader:
    def read(data: bytes) -> object:
        with contextlib.suppress(ValueError):
            return reader(text(data)[:2000])
        return None

    return read


def _tape_lists(data: bytes) -> object:
    from holecount.troubles import BadInput

    out = []
    for quantity in ("pitch", "hole", "six-inches", "along"):
        for unit in (None, "mm", "in"):
            with contextlib.suppress(BadInput):
                out += read_list(text(data), quantity, unit=unit)  # type: ignore[arg-type]
    for reading in out:
        assert reading.words
    return out


def _fixes(data: bytes) -> object:
    read = fixes.from_text(text(data))
    assert fixes.from_text(fixes.to_text(read)) == read
    return read.references()


def _measurement(data: bytes) -> object:
    read = tally.from_json(text(data))
    assert tally.from_json(tally.to_json(read)) == read
    return tally.to_csv(read)


def _job(data: bytes) -> object:
    """A job's folder with these bytes as its settings, its tape and its notes in turn."""
    folder = Path(_FOLDER)
    out = []
    for name in (jobs.JOB, jobs.TAPE, jobs.NOTES, jobs.FIXES, jobs.MEASURED):
        with contextlib.suppress(OSError):
            (folder / name).unlink()
    (folder / jobs.JOB).write_bytes(data)
    job = jobs.Job(folder=folder)
    with contextlib.suppress(jobs.BadInput):
        inputs = job.inputs()
        out.append((jobs.revision(inputs), jobs.cleaned(inputs.settings), job.is_current(inputs)))
    (folder / jobs.JOB).write_text(jobs.settings_text(jobs.JobSettings(name="x")), encoding="utf-8")
    for name in (jobs.TAPE, jobs.NOTES, jobs.MEASURED):
        (folder / name).write_bytes(data)
        inputs = job.inputs()
        out.append(job.is_current(inputs))
    return out


_FOLDER = tempfile.mkdtemp(prefix="hostile-job-")
atexit.register(shutil.rmtree, _FOLDER, ignore_errors=True)

READERS: dict[str, Reader] = {
    "photograph": lambda data: photo_from_bytes(data, NAME, SMALL),
    "jpeg segments": _head,
    "exif": _exif,
    "fix file": _fixes,
    "chart file": lambda data: chart.parse_chart(text(data), source="the chart"),
    "tape file": lambda data: read_text(text(data)),
    "tape lists": _tape_lists,
    "saved measurement": _measurement,
    "job": _job,
    "length": _typed(parse_length_mm),
    "--between": _typed(by_hand.parse_between),
    "--corners": _typed(by_hand.parse_corners),
    "--card": _typed(lambda s: by_hand.parse_size_mm(s, default_unit="mm")),
}
"""Every reader by name."""


def seeds(reader: str) -> list[bytes]:
    """Good inputs of a reader, for a fuzzer to start from."""
    if reader == "photograph":
        return [photos.seed(form) for form in photos.formats()]
    if reader == "jpeg segments":
        return [photos.seed("jpeg"), photos.seed("progressive-jpeg")]
    if reader == "exif":
        return [jpeg.read_head(photos.seed("jpeg")).exif, photos.exif(orientation=3).tobytes()[6:]]
    return [s.encode() for s in _TEXTS[reader]]


FIX_FILE = json.dumps(
    {
        "holecount_fixes": 1,
        "photo_sha256": "a" * 64,
        "scale": [
            {"ends": [[10, 20], [200.5, 20]], "length": "100 mm"},
            {"corners": [[0, 0], [90, 0], [90, 60], [0, 60]], "width": "85.6 mm", "depth": "53.98 mm"},
        ],
        "add": [{"x": 12.5, "y": 30, "status": "blocked"}],
        "strike_out": [{"number": 7}, {"x": 3, "y": 4}],
        "mark": [{"number": 9, "status": "open"}],
    }
)

JOB_FILE = jobs.settings_text(
    jobs.JobSettings(
        name="Stuhl für Ähnlich", date="2026-11-25", cards=("card", "85.6x53.98"), ruler="mm", thickness="1.0 mm",
        shape="round", strands=6, old_finish=True, cracks=False,
    )
)  # fmt: skip

TAPE_FILE = """unit: in
pitch is: side  # a remark
pitch front: 1/2, 1/2+, just under 9/16
pitch left: 13 mm; 127 mm over 10
hole: 3/16, ~5 mm
six inches: 12, 11 1/2
along back: 18
"""

_TEXTS: dict[str, list[str]] = {
    "fix file": [FIX_FILE],
    "chart file": [path.read_text(encoding="utf-8") for path in sorted(CHARTS.glob("*.toml"))],
    "tape file": [TAPE_FILE],
    "tape lists": ["12, 12, 11 1/2", "front: 1/2, 1/2+; left: 13 mm", "127 mm over 10; ~5,5 mm", "⅜″ scant"],
    "saved measurement": [tally.to_json(made.special())],
    "job": [JOB_FILE, TAPE_FILE, "notes\n"],
    "length": ["85.6mm", "4 in", "3 3/8in", "1'2\"", "½″", "0.5"],
    "--between": ["1,2,300,400=100mm", "210,300,1410,312=4 1/2in"],
    "--corners": ["1,2,300,2,300,400,1,400=85.6x53.98mm", "1,2,300,2,300,400,1,400=4x2in"],
    "--card": ["85.6x53.98", "4x2in", "85,6 x 53,98 mm"],
}
