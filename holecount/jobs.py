"""A job as a folder of plain files: what the worker put in, and what was made of it.

The command line reads the same files (docs/jobs-folder.md). Every file is written aside and renamed, and what the
worker put in is saved before anything is computed from it, so a kill at any moment loses nothing that was entered.
"""

import contextlib
import hashlib
import json
import os
import re
import shutil
import sys
import unicodedata
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import IO, Any, Literal

from holecount import fixes as fixes_file
from holecount import saving, tally
from holecount.fixes import Fixes
from holecount.loading import require_plain_file
from holecount.measurement import Measurement
from holecount.troubles import BadInput, CannotSave

SCHEMA = 1
"""Of ``job.json``; grows when an entry changes its meaning or goes."""

JOB, PHOTO, OLD_SEAT = "job.json", "photo", "old-seat"
FIXES, MEASUREMENT, MEASURED = "fixes.json", "measurement.json", "measured.json"
TAPE, NOTES, SHEET, MARKED = "tape.txt", "notes.txt", "sheet.html", "marked.jpg"

MOST_NAME = 120
"""Characters of a job's name. Own choice: one line of the sheet."""

MOST_TEXT = 20_000
"""Characters of notes and of tape readings. Own choice: ten pages."""

_SUFFIXES = {
    b"\xff\xd8\xff": ".jpg",
    b"\x89PNG": ".png",
    b"RIFF": ".webp",
    b"II*\0": ".tif",
    b"MM\0*": ".tif",
}
"""File name endings by how a file begins; all that is left is HEIF, or no photograph."""

Ruler = Literal["mm", "inch"]


@dataclass(frozen=True, slots=True, kw_only=True)
class JobSettings:
    """What the worker said of a job beside readings, notes and corrections; ``job.json``.

    Attributes
    ----------
    name, date : str
    cards : tuple of str
        Names or sizes (``85.6x53.98``) of the rectangles to look for; empty is a bank card.
    ruler : {"mm", "inch"} or None
    in_pixels : bool
        Go on without a scale.
    shape : str or None
        Overrules the measured shape.
    couched : bool
    thickness : str
        Of a strand, as written (``1.0 mm``); empty when not measured.
    strands : int or None
        In the fullest hole.
    chart : str
        The chart that decides.
    old_finish, cracks : bool or None
        Old paint or varnish, cracks between holes; None when nobody said.
    """

    name: str
    date: str = ""
    cards: tuple[str, ...] = ()
    ruler: Ruler | None = None
    in_pixels: bool = False
    shape: str | None = None
    couched: bool = False
    thickness: str = ""
    strands: int | None = None
    chart: str = "usual"
    old_finish: bool | None = None
    cracks: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """Everything the worker put in, but the photographs."""

    settings: JobSettings
    fixes: Fixes = field(default_factory=Fixes)
    tape: str = ""
    notes: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A job's folder."""

    folder: Path

    @property
    def name(self) -> str:
        """Name of the folder, by which the job is known."""
        return self.folder.name

    def path(self, name: str) -> Path:
        """One of its files."""
        return self.folder / name

    def photo(self) -> Path:
        """The photograph.

        Raises
        ------
        BadInput
            When there is none.
        """
        found = _named(self.folder, PHOTO)
        if found is None:
            raise BadInput(f"The job '{self.name}' has no photograph.", f"Put one into its folder as {PHOTO}.jpg.")
        return found

    def old_seat(self) -> Path | None:
        """The photograph of the old seat, if there is one."""
        return _named(self.folder, OLD_SEAT)

    def inputs(self) -> Inputs:
        """Read what the worker put in; `BadInput` when a file is damaged."""
        settings = _settings(_text(self.path(JOB), MOST_TEXT), self.path(JOB))
        fixes = self.path(FIXES)
        return Inputs(
            settings=settings,
            fixes=fixes_file.read(fixes) if fixes.is_file() else Fixes(),
            tape=_text(self.path(TAPE), MOST_TEXT),
            notes=_text(self.path(NOTES), MOST_TEXT),
        )

    def save_inputs(self, inputs: Inputs) -> None:
        """Save what the worker put in: only files that change; empty ones go."""
        old = self.inputs() if self.path(JOB).is_file() else None
        if old is None or inputs.settings != old.settings:
            self._save(JOB, settings_text(inputs.settings))
        if old is None or inputs.fixes != old.fixes:
            self._save(FIXES, fixes_file.to_text(inputs.fixes) if inputs.fixes != Fixes() else "")
        if old is None or inputs.tape != old.tape:
            self._save(TAPE, inputs.tape)
        if old is None or inputs.notes != old.notes:
            self._save(NOTES, inputs.notes)

    def save_measurement(self, m: Measurement, inputs: Inputs) -> None:
        """Save a measurement and what it was made from, so that it is known when it is out of date."""
        text = tally.to_json(m)
        self._save(MEASUREMENT, text)
        made = {"of": measured_from(inputs), "measurement_sha256": _sha256(text.encode("utf-8"))}
        self._save(MEASURED, json.dumps(made, indent=1) + "\n")

    def measurement(self) -> Measurement | None:
        """The saved measurement, whether or not it is up to date; None when there is none."""
        path = self.path(MEASUREMENT)
        return tally.read(path) if path.is_file() else None

    def is_current(self, inputs: Inputs) -> bool:
        """Whether the saved measurement was made from these corrections and settings."""
        try:
            made = json.loads(_text(self.path(MEASURED), MOST_TEXT) or "{}")
            same = made.get("measurement_sha256") == _sha256(self.path(MEASUREMENT).read_bytes())
        except (OSError, ValueError, AttributeError):
            return False
        return bool(same and made.get("of") == measured_from(inputs))

    def save_made(self, name: str, content: bytes | str) -> Path:
        """Save something made from the job, such as the sheet; returns where."""
        if name not in (SHEET, MARKED):
            raise ValueError(f"{name} is nothing that is made")
        self._save(name, content)
        return self.path(name)

    def save_old_seat(self, data: bytes) -> None:
        """Save the photograph of the old seat in place of the one that was there; empty takes it away."""
        before = self.old_seat()
        if not data:
            if before is not None:
                before.unlink(missing_ok=True)
            return
        name = OLD_SEAT + photo_suffix(data)
        self._save(name, data)
        if before is not None and before.name != name:
            before.unlink(missing_ok=True)

    def _save(self, name: str, content: bytes | str) -> None:
        """Write one file whole; nothing in it takes it away."""
        if content:
            saving.save(self.path(name), content, force=True)
        else:
            self.path(name).unlink(missing_ok=True)

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Keep everyone else, in this program or another, from changing the job; for moments only."""
        try:
            file = open(self.path(".lock"), "a+b")  # noqa: SIM115 (closed below)
        except OSError as e:
            raise CannotSave(
                f"The job's folder '{self.folder}' cannot be written to: {e.strerror or e}.",
                "Check its permissions, or choose another folder for the jobs.",
            ) from e
        with file:
            _lock(file)
            self._sweep()
            yield

    def _sweep(self) -> None:
        """Take away what a killed run left half written. Only under the lock: nobody else is writing then."""
        for left in self.folder.glob(".*.part"):
            with contextlib.suppress(OSError):
                left.unlink()


def measured_from(inputs: Inputs) -> str:
    """A fingerprint of everything that a measurement hangs on beside the photograph."""
    s = inputs.settings
    text = json.dumps([s.cards, s.ruler, s.in_pixels, fixes_file.to_text(inputs.fixes)])
    return _sha256(text.encode("utf-8"))


def revision(inputs: Inputs) -> str:
    """A short fingerprint of all inputs: two windows that show the same one show the same job."""
    text = json.dumps([settings_text(inputs.settings), fixes_file.to_text(inputs.fixes), inputs.tape, inputs.notes])
    return _sha256(text.encode("utf-8"))[:16]


def create(parent: Path, photo: bytes, settings: JobSettings) -> Job:
    """Make a new job's folder, whole or not at all.

    Parameters
    ----------
    photo : the photograph's file as it came; it should have been read once before, to know that it is one.

    Raises
    ------
    CannotSave
        When the folder cannot be made.
    """
    try:
        parent.mkdir(parents=True, exist_ok=True)
        stem = folder_name(settings.name, settings.date)
        aside = parent / f".{stem}.{os.getpid()}.{os.urandom(4).hex()}.part"
        aside.mkdir()
        try:
            made = Job(folder=aside)
            saving.save(made.path(PHOTO + photo_suffix(photo)), photo, force=False)
            made.save_inputs(Inputs(settings=settings))
            for n in range(1, 1000):
                target = parent / (stem if n == 1 else f"{stem}-{n}")
                if target.exists():
                    continue
                try:
                    aside.rename(target)
                except OSError:  # Another run took the name in between.
                    if target.exists():
                        continue
                    raise
                return Job(folder=target)
            raise CannotSave(f"There are too many jobs named '{stem}'.", "Choose another name.")
        finally:
            shutil.rmtree(aside, ignore_errors=True)
    except OSError as e:
        raise CannotSave(
            f"A job cannot be kept in '{parent}': {e.strerror or e}.",
            "Choose another folder with --jobs, or make room on the disk.",
        ) from e


def jobs_in(parent: Path) -> list[Job]:
    """The jobs in a folder, the youngest first (by date, then name); other folders are passed over."""
    try:
        found = [Job(folder=p) for p in parent.iterdir() if is_job(p)]
    except FileNotFoundError:
        return []
    except OSError as e:
        raise BadInput(f"The folder '{parent}' cannot be opened: {e.strerror or e}.", "Check its permissions.") from e

    def age(job: Job) -> tuple[str, str]:
        try:
            date = _settings(_text(job.path(JOB), MOST_TEXT), job.path(JOB)).date
        except BadInput:
            date = ""
        return date, job.name

    return sorted(found, key=age, reverse=True)


def is_job(folder: Path) -> bool:
    """Whether a folder is a job's."""
    return not folder.name.startswith(".") and (folder / JOB).is_file()


def job_named(parent: Path, name: str) -> Job | None:
    """The job of this name in a folder; None when there is none, or the name leads anywhere else."""
    if name != Path(name).name or name in ("", ".", "..") or "\\" in name or "\0" in name or len(name) > 255:
        return None
    folder = parent / name
    return Job(folder=folder) if is_job(folder) else None


def folder_name(name: str, date: str = "") -> str:
    """A folder's name from a job's: date first, words joined by hyphens, nothing a file system could object to."""
    words = re.findall(r"[^\W_]+", unicodedata.normalize("NFC", name).lower())
    text = "-".join(words).encode("utf-8")[:80].decode("utf-8", "ignore").strip("-") or "seat"
    day = date if re.fullmatch(r"\d{4}-\d{2}-\d{2}", date) else ""
    return f"{day}-{text}" if day else f"job-{text}"


def photo_suffix(data: bytes) -> str:
    """File name ending of a photograph, from how it begins."""
    return next((suffix for start, suffix in _SUFFIXES.items() if data.startswith(start)), ".heic")


def settings_text(settings: JobSettings) -> str:
    """``job.json``."""
    return json.dumps({"holecount_job": SCHEMA, **asdict(settings)}, indent=1, ensure_ascii=False) + "\n"


_KINDS: dict[str, tuple[type, ...]] = {
    "name": (str,), "date": (str,), "cards": (list,), "ruler": (str, type(None)), "in_pixels": (bool,),
    "shape": (str, type(None)), "couched": (bool,), "thickness": (str,), "strands": (int, type(None)), "chart": (str,),
    "old_finish": (bool, type(None)), "cracks": (bool, type(None)),
}  # fmt: skip


def _settings(text: str, path: Path) -> JobSettings:
    try:
        raw: Any = json.loads(text)
    except (ValueError, RecursionError) as e:
        raise BadInput(f"'{path}' is damaged (not JSON).", "Take it away and open the job again.") from e
    return settings_from(raw, f"'{path}'", path.parent.name)


def settings_from(raw: Any, source: str, name: str) -> JobSettings:
    """Settings from what stands in ``job.json``; entries that are not known are passed over.

    Parameters
    ----------
    source : what to call it in complaints.
    name : of the job, when it does not say.

    Raises
    ------
    BadInput
        When an entry cannot be what it should be.
    """
    if not isinstance(raw, dict) or raw.get("holecount_job") != SCHEMA:
        said = raw.get("holecount_job") if isinstance(raw, dict) else None
        raise BadInput(f"{source} has schema {said!r}; this holecount reads {SCHEMA}.", "Update holecount.")
    given: dict[str, Any] = {k: v for k, v in raw.items() if k in _KINDS}
    for key, value in given.items():
        if not isinstance(value, _KINDS[key]) or (int in _KINDS[key] and isinstance(value, bool)):
            raise BadInput(f"{source}: '{key}' is {value!r}, which it cannot be.", "See docs/jobs-folder.md.")
    cards = given.pop("cards", [])
    if not all(isinstance(c, str) for c in cards) or given.get("ruler") not in (None, "mm", "inch"):
        raise BadInput(f"{source}: 'cards' or 'ruler' cannot be that.", "See docs/jobs-folder.md.")
    given.setdefault("name", name)
    return JobSettings(cards=tuple(cards), **given)


def cleaned(settings: JobSettings) -> JobSettings:
    """The settings with name and date brought to one line of sane length."""

    def line(text: str, most: int) -> str:
        return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:most]

    return replace(
        settings, name=line(settings.name, MOST_NAME) or "seat", date=line(settings.date, 40),
        thickness=line(settings.thickness, 40), chart=line(settings.chart, 60) or "usual",
    )  # fmt: skip


def _text(path: Path, most: int) -> str:
    """A text file's content, empty when it is not there."""
    try:
        require_plain_file(path)
        with open(path, "rb") as file:
            data = file.read(4 * most + 1)
        text = data.decode("utf-8-sig")
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as e:
        why = (e.strerror or str(e)) if isinstance(e, OSError) else "not text"
        raise BadInput(f"'{path}' cannot be read: {why}.", "Check the file.") from e
    if len(text) > most:
        raise BadInput(f"'{path}' is longer than {most} characters.", "Shorten it.")
    return text.replace("\r\n", "\n")


def _named(folder: Path, stem: str) -> Path | None:
    """The file with this stem and a photograph's ending."""
    from holecount.photo import PHOTO_SUFFIXES

    found = sorted(p for p in folder.glob(f"{stem}.*") if p.suffix.lower() in PHOTO_SUFFIXES and p.is_file())
    return found[0] if found else None


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _lock(file: IO[bytes]) -> None:
    """Wait for the file to be ours; it is given back when it is closed or the process ends, however it ends."""
    if sys.platform == "win32":
        import msvcrt

        msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)
    else:
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX)
