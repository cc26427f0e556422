"""Stages remembered: the same figures as measuring anew, and nothing done twice."""

from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

pytest.importorskip("flask", reason="the page's packages are not installed: pip install holecount[page]")

import holecount.page.session as stages
from holecount import jobs
from holecount.jobs import Inputs, JobSettings
from holecount.measure import measure_photo
from holecount.page import edits
from holecount.page.bench import Bench
from holecount.page.session import Session
from holecount.photo import read_photo
from holecount.sheet.of_job import request_of
from holecount.troubles import BadInput

SAMPLES = Path(__file__).parents[2] / "samples"
SEAT = SAMPLES / "round-stool.jpg"


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """How often each stage was done."""
    done: Counter[str] = Counter()
    for name in ("read_photo", "find_references", "locate", "settle", "write_down"):
        stage = getattr(stages, name)

        def counting(*args: object, _stage: object = stage, _name: str = name, **more: object) -> object:
            done[_name] += 1
            assert callable(_stage)
            return _stage(*args, **more)

        monkeypatch.setattr(stages, name, counting)
    return done


def test_corrections_cost_what_they_change_and_give_what_the_command_line_gives(
    tmp_path: Path, counted: Counter[str]
) -> None:
    job = jobs.create(tmp_path, SEAT.read_bytes(), JobSettings(name="x"))
    session = Session(job)
    photo = read_photo(job.photo())
    start = job.inputs()
    first = session.measure(start)
    assert first == measure_photo(photo, request_of(start))
    assert dict(counted) == {
        "read_photo": 1, "find_references": 1, "locate": 1, "settle": 1, "write_down": 1,
    }  # fmt: skip

    hole = first.holes[5]
    struck = edits.apply(start, first, photo.sha256, {"do": "strike-out", "x": hole.x_px, "y": hole.y_px})
    without = session.measure(struck)
    assert without.seat.n_holes == first.seat.n_holes - 1
    assert without == measure_photo(photo, request_of(struck))
    assert counted["find_references"] == counted["locate"] == counted["read_photo"] == 1
    assert counted["settle"] == 2

    card = first.scale.references[0] if first.scale else None
    assert card
    corners = [list(p) for p in card.outline_px]
    corners[0] = [corners[0][0] - 3.0, corners[0][1] - 2.0]
    moved = edits.apply(struck, first, photo.sha256, {"do": "scale-by-hand", "points": corners, "size": "85.6x53.98"})
    by_hand = session.measure(moved)
    assert by_hand == measure_photo(photo, request_of(moved))
    assert by_hand.seat.pitch != without.seat.pitch
    assert counted["read_photo"] == 1
    assert session.measure(start) == first
    assert counted["find_references"] == 2  # once in the picture, once by hand: the picture was not searched again


def test_a_lone_ruler_gives_the_same_too(tmp_path: Path) -> None:
    job = jobs.create(tmp_path, (SAMPLES / "dining-chair.jpg").read_bytes(), JobSettings(name="x"))
    assert Session(job).measure(job.inputs()) == measure_photo(read_photo(job.photo()), request_of(job.inputs()))


def test_a_preview_comes_at_once_and_is_right_but_for_the_last_hundredths(
    tmp_path: Path, counted: Counter[str]
) -> None:
    job = jobs.create(tmp_path, SEAT.read_bytes(), JobSettings(name="x"))
    session = Session(job)
    start = job.inputs()
    assert session.preview(start) is None  # nothing is known yet
    first = session.measure(start)
    sha256 = session.photo().sha256
    a, b, c = first.holes[5], first.holes[15], first.holes[25]
    inputs = edits.apply(start, first, sha256, {"do": "strike-out", "x": a.x_px, "y": a.y_px})
    inputs = edits.apply(inputs, first, sha256, {"do": "mark", "status": "blocked", "x": b.x_px, "y": b.y_px})
    place = {"x": (a.x_px + c.x_px) / 2, "y": (a.y_px + c.y_px) / 2}
    inputs = edits.apply(inputs, first, sha256, {"do": "add", **place})
    done = counted["settle"]
    soon = session.preview(inputs)
    assert counted["settle"] == done
    exact = session.measure(inputs)
    assert soon
    assert [h.status for h in soon.holes] == [h.status for h in exact.holes]
    assert soon.seat.pitch
    assert exact.seat.pitch
    assert soon.seat.pitch.mean_mm == pytest.approx(exact.seat.pitch.mean_mm, rel=3e-3)
    assert soon.seat.diameter
    assert exact.seat.diameter
    assert soon.seat.diameter.mean_mm == pytest.approx(exact.seat.diameter.mean_mm, abs=0.03)


def test_a_preview_is_never_saved(tmp_path: Path) -> None:
    job = jobs.create(tmp_path, SEAT.read_bytes(), JobSettings(name="x"))
    bench = Bench(tmp_path)
    opened = bench.open(job.name)
    assert opened
    first = bench.view(opened, wait_s=60).measurement
    assert first
    hole = first.holes[5]
    bench.change(opened, {"do": "strike-out", "x": hole.x_px, "y": hole.y_px})
    soon = bench.view(opened, preview=True)
    assert soon.measurement
    assert soon.measurement.seat.n_holes == first.seat.n_holes - 1
    if not soon.settled:
        assert not job.is_current(job.inputs())
        assert soon.doing
    late = bench.view(opened, wait_s=60)
    assert late.settled
    assert job.measurement() == late.measurement
    bench.close()


def test_a_corner_outside_the_picture_is_refused_and_not_saved(tmp_path: Path) -> None:
    job = jobs.create(tmp_path, SEAT.read_bytes(), JobSettings(name="x"))
    bench = Bench(tmp_path)
    opened = bench.open(job.name)
    assert opened
    corners = [[-50, 10], [300, 10], [300, 200], [10, 200]]
    with pytest.raises(BadInput, match="outside the picture"):
        bench.change(opened, {"do": "scale-by-hand", "points": corners, "size": "85.6x53.98"})
    assert job.inputs().fixes.scale == ()
    bench.close()


def test_a_saved_measurement_is_shown_without_measuring(tmp_path: Path, counted: Counter[str]) -> None:
    job = jobs.create(tmp_path, SEAT.read_bytes(), JobSettings(name="x"))
    first = Bench(tmp_path)
    opened = first.open(job.name)
    assert opened
    view = first.view(opened, wait_s=60)
    first.close()
    assert view.measurement
    assert job.is_current(job.inputs())
    assert counted["write_down"] == 1

    second = Bench(tmp_path)
    again = second.open(job.name)
    assert again
    assert second.view(again, wait_s=60).measurement == view.measurement
    second.close()
    assert counted["write_down"] == 1


def test_what_cannot_be_measured_is_told_and_not_tried_for_ever(tmp_path: Path, counted: Counter[str]) -> None:
    job = jobs.create(tmp_path, (SAMPLES / "dining-chair.jpg").read_bytes()[:60_000], JobSettings(name="x"))
    bench = Bench(tmp_path)
    opened = bench.open(job.name)
    assert opened
    for _ in range(5):
        view = bench.view(opened, wait_s=30)
        assert view.trouble
        assert "damaged" in str(view.trouble)
    bench.close()
    assert counted["read_photo"] == 1


def test_a_fault_is_told_and_the_next_change_is_tried(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    job = jobs.create(tmp_path, SEAT.read_bytes(), JobSettings(name="x"))

    def fail(self: Session, inputs: Inputs, say: object = None) -> None:
        raise ZeroDivisionError("dreadful")

    monkeypatch.setattr(Session, "measure", fail)
    bench = Bench(tmp_path)
    opened = bench.open(job.name)
    assert opened
    assert "ZeroDivisionError" in str(bench.view(opened, wait_s=30).trouble)
    assert "dreadful" in capsys.readouterr().err
    monkeypatch.undo()
    inputs = job.inputs()
    job.save_inputs(replace(inputs, settings=replace(inputs.settings, in_pixels=True)))
    assert bench.view(opened, wait_s=60).measurement
    bench.close()
