"""Stages remembered: the same figures as measuring anew, and nothing done twice."""

from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

pytest.importorskip("flask", reason="the page's packages are not installed: pip install holecount[page]")

import holecount.measure as measuring
import holecount.page.session as stages
import holecount.settle as settling
from holecount import jobs
from holecount.fixes import Fixes, Place
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
    rooms = {"read_photo": stages, "find_references": stages, "locate": stages, "write_down": measuring}
    rooms["gauge_all"] = rooms["gauge_holes"] = settling
    for name, room in rooms.items():
        stage = getattr(room, name)

        def counting(*args: object, _stage: object = stage, _name: str = name, **more: object) -> object:
            done[_name] += 1
            assert callable(_stage)
            return _stage(*args, **more)

        monkeypatch.setattr(room, name, counting)
    return done


def test_corrections_cost_what_they_change_and_give_what_the_command_line_gives(
    tmp_path: Path, counted: Counter[str]
) -> None:
    job = jobs.create(tmp_path, SEAT.read_bytes(), JobSettings(name="x"))
    session = Session(job)
    photo = read_photo(job.photo())
    start = job.inputs()
    first = session.measure(start)
    assert (counted["read_photo"], counted["find_references"], counted["locate"], counted["write_down"]) == (1, 1, 1, 1)
    assert first == measure_photo(photo, request_of(start))

    hole = first.holes[5]
    struck = edits.apply(start, first, photo.sha256, {"do": "strike-out", "x": hole.x_px, "y": hole.y_px})
    gauged = counted["gauge_holes"]
    without = session.measure(struck)
    assert counted["gauge_holes"] == gauged  # Nothing new to gauge.
    assert without == session.at_once(struck)
    assert without.seat.n_holes == first.seat.n_holes - 1
    assert without == measure_photo(photo, request_of(struck))
    assert counted["find_references"] == counted["locate"] == counted["read_photo"] == 1

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
    assert counted["find_references"] == 1  # The picture was not searched again,
    assert counted["locate"] == 2  # and the seat located once more, for the card placed by hand.


def test_a_lone_ruler_gives_the_same_too(tmp_path: Path) -> None:
    job = jobs.create(tmp_path, (SAMPLES / "dining-chair.jpg").read_bytes(), JobSettings(name="x"))
    assert Session(job).measure(job.inputs()) == measure_photo(read_photo(job.photo()), request_of(job.inputs()))


def test_holes_are_corrected_at_once_and_for_good(tmp_path: Path, counted: Counter[str]) -> None:
    job = jobs.create(tmp_path, SEAT.read_bytes(), JobSettings(name="x"))
    session = Session(job)
    start = job.inputs()
    assert session.at_once(start) is None  # nothing is known yet
    assert session.preview(start) is None
    first = session.measure(start)
    photo = session.photo()
    a, b, c = first.holes[5], first.holes[15], first.holes[25]
    inputs = edits.apply(start, first, photo.sha256, {"do": "strike-out", "x": a.x_px, "y": a.y_px})
    inputs = edits.apply(inputs, first, photo.sha256, {"do": "mark", "status": "blocked", "x": b.x_px, "y": b.y_px})
    place = {"x": (a.x_px + c.x_px) / 2, "y": (a.y_px + c.y_px) / 2}
    inputs = edits.apply(inputs, first, photo.sha256, {"do": "add", **place})
    all_gauged = counted["gauge_all"]
    soon = session.at_once(inputs)
    assert counted["gauge_all"] == all_gauged
    assert soon == measure_photo(photo, request_of(inputs))
    assert soon
    assert soon.seat.n_holes == first.seat.n_holes
    assert [h.status for h in soon.holes].count("blocked") == 1
    # What is not corrected stays as it was.
    assert soon.holes[35].diameter_mm == pytest.approx(first.holes[35].diameter_mm, rel=2e-3)


def test_a_correction_undone_leaves_no_trace(tmp_path: Path) -> None:
    job = jobs.create(tmp_path, SEAT.read_bytes(), JobSettings(name="x"))
    session = Session(job)
    start = job.inputs()
    first = session.measure(start)
    h = first.holes[7]
    sha256 = session.photo().sha256
    marked = edits.apply(start, first, sha256, {"do": "mark", "status": "open", "x": h.x_px, "y": h.y_px})
    said_what_was_known = session.at_once(marked)
    assert said_what_was_known
    assert said_what_was_known.seat.pitch == first.seat.pitch
    assert said_what_was_known.seat.diameter == first.seat.diameter
    assert session.at_once(start) == first


def test_a_scale_placed_anew_is_previewed_within_a_little_of_what_measuring_gives(tmp_path: Path) -> None:
    job = jobs.create(tmp_path, SEAT.read_bytes(), JobSettings(name="x"))
    session = Session(job)
    start = job.inputs()
    first = session.measure(start)
    assert first.scale
    corners = [[x * 1.01, y * 1.01] for x, y in first.scale.references[0].outline_px]
    change = {"do": "scale-by-hand", "points": corners, "size": "85.6x53.98"}
    inputs = edits.apply(start, first, session.photo().sha256, change)
    h = first.holes[7]
    inputs = edits.apply(inputs, first, session.photo().sha256, {"do": "strike-out", "x": h.x_px, "y": h.y_px})
    assert session.at_once(inputs) is None
    soon = session.preview(inputs)
    exact = session.measure(inputs)
    assert soon
    assert soon.seat.n_holes == exact.seat.n_holes == first.seat.n_holes - 1
    assert soon.seat.pitch
    assert exact.seat.pitch
    assert soon.seat.pitch.mean_mm == pytest.approx(exact.seat.pitch.mean_mm, rel=3e-3)
    assert soon.seat.diameter
    assert exact.seat.diameter
    assert soon.seat.diameter.mean_mm == pytest.approx(exact.seat.diameter.mean_mm, abs=0.03)


def test_numbers_are_those_without_corrections(tmp_path: Path) -> None:
    job = jobs.create(tmp_path, SEAT.read_bytes(), JobSettings(name="x"))
    session = Session(job)
    start = job.inputs()
    first = session.measure(start)
    h = first.holes[6]
    sha256 = session.photo().sha256
    by_number = replace(start, fixes=Fixes(photo_sha256=sha256, strike_out=(Place(number=h.number),)))
    by_place = replace(start, fixes=Fixes(photo_sha256=sha256, strike_out=(Place(x_px=h.x_px, y_px=h.y_px),)))
    assert (
        session.at_once(by_number) == session.at_once(by_place) == measure_photo(session.photo(), request_of(by_number))
    )
    unknown = replace(start, fixes=Fixes(photo_sha256=sha256, strike_out=(Place(number=999),)))
    with pytest.raises(BadInput, match="hole 999"):
        session.at_once(unknown)


def test_the_bench_answers_a_hole_correction_with_the_exact_figures_and_a_scale_with_a_preview(tmp_path: Path) -> None:
    job = jobs.create(tmp_path, SEAT.read_bytes(), JobSettings(name="x"))
    bench = Bench(tmp_path)
    opened = bench.open(job.name)
    assert opened
    first = bench.view(opened, wait_s=60).measurement
    assert first
    hole = first.holes[5]
    bench.change(opened, {"do": "strike-out", "x": hole.x_px, "y": hole.y_px})
    soon = bench.view(opened)  # without waiting
    assert soon.settled
    assert soon.measurement
    assert soon.measurement.seat.n_holes == first.seat.n_holes - 1
    assert job.is_current(job.inputs())
    assert job.measurement() == soon.measurement

    assert first.scale
    corners = [[x + 2.0, y] for x, y in first.scale.references[0].outline_px]
    bench.change(opened, {"do": "scale-by-hand", "points": corners, "size": "85.6x53.98"})
    seen = bench.view(opened, preview=True)
    assert seen.measurement
    if not seen.settled:
        assert not job.is_current(job.inputs())  # A preview is never saved.
        assert seen.doing
    late = bench.view(opened, wait_s=60)
    assert late.settled
    assert job.measurement() == late.measurement
    bench.close()


def test_a_corner_outside_the_picture_is_refused_and_not_saved(tmp_path: Path) -> None:
    job = jobs.create(tmp_path, SEAT.read_bytes(), JobSettings(name="x"))
    bench = Bench(tmp_path)
    opened = bench.open(job.name)
    assert opened
    corners = [[-500, 10], [300, 10], [300, 200], [-500, 200]]
    with pytest.raises(BadInput, match="outside the picture"):
        bench.change(opened, {"do": "scale-by-hand", "points": corners, "size": "85.6x53.98"})
    assert job.inputs().fixes.scale == ()
    bench.close()


def test_a_card_cut_off_by_the_edge_is_placed_by_its_corners(tmp_path: Path) -> None:
    """The card of this sample lies half beyond the lower edge: two corners cannot be seen, the long side can."""
    job = jobs.create(tmp_path, (SAMPLES / "hall-chair.jpg").read_bytes(), JobSettings(name="x"))
    session = Session(job)
    start = job.inputs()
    found = session.measure(start)
    assert found.scale
    (card,) = found.scale.references
    assert max(y for _, y in card.outline_px) > session.photo().height_px
    change = {"do": "scale-by-hand", "points": [list(p) for p in card.outline_px], "size": "85.6x53.98"}
    placed = session.measure(edits.apply(start, found, session.photo().sha256, change))
    assert found.seat.pitch
    assert placed.seat.pitch
    assert placed.seat.pitch.mean_mm == pytest.approx(found.seat.pitch.mean_mm, rel=5e-3)
    assert (
        placed.seat.pitch.u_mean_mm > found.seat.pitch.u_mean_mm
    )  # less sure by hand than found to a tenth of a pixel


def test_a_rulers_ends_are_known_once_it_was_looked_for(tmp_path: Path) -> None:
    job = jobs.create(tmp_path, (SAMPLES / "dining-chair.jpg").read_bytes(), JobSettings(name="x"))
    session = Session(job)
    assert not session.has_looked
    m = session.measure(job.inputs())
    assert session.has_looked
    assert m.scale
    (ruler,) = m.scale.references
    ends = session.ends(ruler.outline_px)
    assert ends
    assert ends.length_mm == pytest.approx(5.5 * 25.4)
    # Told by the two ends alone the seat is as large as by all marks.
    inches = {"do": "scale-by-hand", "points": [list(ends.first_px), list(ends.last_px)], "size": "5.5 in"}
    placed = session.measure(edits.apply(job.inputs(), m, session.photo().sha256, inches))
    assert m.seat.pitch
    assert placed.seat.pitch
    assert abs(placed.seat.pitch.mean_mm - m.seat.pitch.mean_mm) < 2 * placed.seat.pitch.u_mean_mm
    assert session.ends([(0, 0), (1, 0), (1, 1), (0, 1)]) is None


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
