"""The job's folder: plain files, whole or not at all, nothing lost, nothing outside it."""

import json
import os
import signal
import subprocess
import sys
import textwrap
import threading
from dataclasses import replace
from pathlib import Path

import made_measurement as made
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holecount import fixes as fixes_file
from holecount import jobs, tally
from holecount.fixes import AddedHole, Fixes, Place
from holecount.jobs import Inputs, Job, JobSettings
from holecount.troubles import BadInput, CannotSave

JPEG = b"\xff\xd8\xff\xe0 not really a photograph"
FIXES = Fixes(photo_sha256="ab" * 32, add=(AddedHole(x_px=3.0, y_px=4.0),), strike_out=(Place(x_px=1.0, y_px=2.0),))


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return jobs.create(tmp_path / "jobs", JPEG, JobSettings(name="Küchenstuhl Nr. 3", date="2026-11-25"))


def test_a_new_job_is_a_folder_of_plain_files(job: Job) -> None:
    assert job.name == "2026-11-25-küchenstuhl-nr-3"
    assert job.photo().name == "photo.jpg"
    assert job.photo().read_bytes() == JPEG
    assert job.inputs().settings.name == "Küchenstuhl Nr. 3"
    assert sorted(p.name for p in job.folder.iterdir()) == ["job.json", "photo.jpg"]


def test_like_names_get_folders_of_their_own(job: Job) -> None:
    again = jobs.create(job.folder.parent, JPEG, job.inputs().settings)
    assert again.name == "2026-11-25-küchenstuhl-nr-3-2"
    assert [j.name for j in jobs.jobs_in(job.folder.parent)] == [again.name, job.name]


def test_inputs_come_back_as_they_were_saved(job: Job) -> None:
    inputs = Inputs(
        settings=JobSettings(
            name="x", date="d", cards=("a4",), ruler="inch", in_pixels=True, shape="round", couched=True,
            thickness="1.1 mm", strands=7, chart="perry-1917", old_finish=False, cracks=True,
        ),
        fixes=FIXES,
        tape="pitch: 1/2\n",
        notes="Walnut – wormy.\nTwo lines.",
    )  # fmt: skip
    job.save_inputs(inputs)
    assert job.inputs() == inputs
    assert fixes_file.read(job.path("fixes.json")) == FIXES
    assert job.path("tape.txt").read_text(encoding="utf-8") == "pitch: 1/2\n"
    job.save_inputs(Inputs(settings=inputs.settings))
    assert not job.path("fixes.json").exists()
    assert not job.path("tape.txt").exists()


def test_only_what_changes_is_written(job: Job) -> None:
    inputs = job.inputs()
    before = job.path("job.json").stat().st_mtime_ns
    job.save_inputs(replace(inputs, notes="x"))
    assert job.path("job.json").stat().st_mtime_ns == before


def test_the_measurement_is_out_of_date_when_its_inputs_change(job: Job) -> None:
    inputs = job.inputs()
    assert not job.is_current(inputs)
    job.save_measurement(made.special(), inputs)
    assert job.is_current(inputs)
    assert job.measurement() == made.special()
    assert job.is_current(replace(inputs, tape="pitch: 1/2", notes="x"))  # these are not measured from
    assert job.is_current(replace(inputs, settings=replace(inputs.settings, couched=True)))
    assert not job.is_current(replace(inputs, fixes=FIXES))
    assert not job.is_current(replace(inputs, settings=replace(inputs.settings, cards=("a4",))))
    job.path("measurement.json").write_text(tally.to_json(made.plain()), encoding="utf-8")
    assert not job.is_current(inputs)  # somebody else wrote it


def test_revision_tells_every_change_of_inputs() -> None:
    base = Inputs(settings=JobSettings(name="x"))
    others = [
        replace(base, notes="n"),
        replace(base, tape="n"),
        replace(base, fixes=FIXES),
        replace(base, settings=replace(base.settings, couched=True)),
    ]
    assert len({jobs.revision(i) for i in (base, *others)}) == 5


@pytest.mark.parametrize(
    "name", ["..", ".", "", "../jobs", "a/b", "a\\b", "/etc", "x\0y", ".hidden", "nothing-there", "x" * 300]
)
def test_names_that_lead_elsewhere_are_no_jobs(job: Job, name: str) -> None:
    (job.folder.parent / ".hidden").mkdir()
    (job.folder.parent / ".hidden" / "job.json").write_text("{}", encoding="utf-8")
    assert jobs.job_named(job.folder.parent, name) is None
    assert jobs.job_named(job.folder.parent, job.name) == job


@given(st.text(max_size=200), st.sampled_from(["2026-11-25", "", "../..", "x"]))
def test_every_name_makes_a_plain_folder_name(name: str, date: str) -> None:
    made_name = jobs.folder_name(name, date)
    assert made_name
    assert len(made_name.encode("utf-8")) <= 120
    assert not set(made_name) & set('/\\:*?"<>|.\0 \n')
    assert made_name[0] not in "-."
    assert made_name == Path(made_name).name


@given(st.text(max_size=400))
def test_names_and_dates_are_brought_to_one_line(text: str) -> None:
    s = jobs.cleaned(JobSettings(name=text, date=text, thickness=text, chart=text))
    assert "\n" not in s.name + s.date
    assert 0 < len(s.name) <= jobs.MOST_NAME
    assert jobs.settings_from(json.loads(jobs.settings_text(s)), "x", "x") == s


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{", '{"holecount_job": 2}', '{"holecount_job": 1, "couched": "yes"}',
     '{"holecount_job": 1, "strands": true}', '{"holecount_job": 1, "ruler": "ell"}',
     '{"holecount_job": 1, "cards": [3]}', "\xff\xfe", "[" * 100_000],
)  # fmt: skip
def test_a_damaged_job_file_is_one_sentence(job: Job, text: str) -> None:
    job.path("job.json").write_bytes(text.encode("latin-1"))
    with pytest.raises(BadInput) as caught:
        job.inputs()
    assert "job.json" in str(caught.value)


def test_entries_of_a_later_version_are_passed_over(job: Job) -> None:
    job.path("job.json").write_text('{"holecount_job": 1, "name": "n", "colour": "green"}', encoding="utf-8")
    assert job.inputs().settings == JobSettings(name="n")


def test_a_job_without_photograph_says_so(job: Job) -> None:
    job.photo().unlink()
    with pytest.raises(BadInput, match="has no photograph"):
        job.photo()


@pytest.mark.parametrize(
    ("data", "suffix"),
    [
        (b"\xff\xd8\xff", ".jpg"),
        (b"\x89PNG\r\n", ".png"),
        (b"II*\0", ".tif"),
        (b"RIFF", ".webp"),
        (b"\0\0\0\x18ftyp", ".heic"),
    ],
)
def test_the_ending_follows_the_content(data: bytes, suffix: str) -> None:
    assert jobs.photo_suffix(data) == suffix


def test_old_seat_is_replaced_and_taken_away(job: Job) -> None:
    job.save_old_seat(JPEG)
    job.save_old_seat(b"\x89PNG and so on")
    old = job.old_seat()
    assert old
    assert old.name == "old-seat.png"
    assert len(list(job.folder.glob("old-seat.*"))) == 1
    job.save_old_seat(b"")
    assert job.old_seat() is None


def test_only_what_is_made_is_saved_as_made(job: Job) -> None:
    job.save_made("sheet.html", "<!doctype html>")
    with pytest.raises(ValueError, match="nothing that is made"):
        job.save_made("job.json", "{}")


def test_many_hands_at_once_lose_nothing(job: Job) -> None:
    """Eight threads each add ten holes to what stands in the folder."""

    def work(k: int) -> None:
        for i in range(10):
            with job.locked():
                inputs = job.inputs()
                added = (*inputs.fixes.add, AddedHole(x_px=float(k), y_px=float(i)))
                job.save_inputs(replace(inputs, fixes=replace(inputs.fixes, add=added)))

    hands = [threading.Thread(target=work, args=(k,)) for k in range(8)]
    for hand in hands:
        hand.start()
    for hand in hands:
        hand.join()
    assert len(job.inputs().fixes.add) == 80


@pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL there")
def test_killed_at_any_moment_everything_is_whole(job: Job) -> None:
    """A process that writes without end is killed again and again: every file can be read, and the next one goes on."""
    program = textwrap.dedent(
        f"""
        from dataclasses import replace
        from pathlib import Path
        from holecount.jobs import Job
        from holecount.fixes import AddedHole
        job = Job(folder=Path({str(job.folder)!r}))
        print("on", flush=True)
        while True:
            with job.locked():
                inputs = job.inputs()
                n = len(inputs.fixes.add)
                added = tuple(AddedHole(x_px=float(i), y_px=0.5) for i in range((n + 1) % 400))
                fixes = replace(inputs.fixes, add=added)
                job.save_inputs(replace(inputs, fixes=fixes, notes="word " * n, tape="pitch: 1/2 " * n))
        """
    )
    for wait_s in (0.05, 0.08, 0.13, 0.21):
        with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE) as process:
            assert process.stdout
            assert process.stdout.readline() == b"on\n"
            threading.Event().wait(wait_s)
            os.kill(process.pid, signal.SIGKILL)
        job.inputs()
    with job.locked():
        pass
    assert not list(job.folder.glob(".*.part"))


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="nothing is read-only for this user")
def test_a_read_only_folder_is_one_sentence(job: Job) -> None:  # pragma: no cover
    job.folder.chmod(0o500)
    try:
        with pytest.raises(CannotSave), job.locked():
            pass
    finally:
        job.folder.chmod(0o700)


def test_no_folder_for_jobs_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(CannotSave, match="cannot be kept"):
        jobs.create(tmp_path / "file" / "jobs", JPEG, JobSettings(name="x"))
    assert jobs.jobs_in(tmp_path / "nowhere") == []


def test_a_job_half_made_is_not_listed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(self: Job, inputs: Inputs) -> None:
        raise CannotSave("The disk is full.")

    monkeypatch.setattr(Job, "save_inputs", full)
    with pytest.raises(CannotSave):
        jobs.create(tmp_path, JPEG, JobSettings(name="x"))
    assert list(tmp_path.iterdir()) == []
