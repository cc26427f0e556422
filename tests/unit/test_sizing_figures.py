"""Figures for the rules: from a measurement, from a tape, from both; and what is remarked on."""

import json
from dataclasses import replace

import numpy as np
import pytest
from made_measurement import hole, measurement_of, plain, ring, special, square_seat

from holecount.holes.hole import Hole
from holecount.sizing import SizeChoice, choose, figures_from, joined, lines, to_dict
from holecount.sizing.figures import Figures
from holecount.tape import Tape, read_list
from holecount.troubles import BadInput


def tape(pitch: str = "", holes: str = "", counts: str = "", *, typed: bool = False) -> Tape:
    readings = []
    if pitch:
        readings += read_list(pitch, "pitch", sharp=typed)
    if holes:
        readings += read_list(holes, "hole", sharp=typed)
    if counts:
        readings += read_list(counts, "six-inches")
    return Tape(readings=tuple(readings), typed=typed)


def codes(made: SizeChoice) -> set[str]:
    return {r.code for r in made.remarks}


def words(made: SizeChoice, code: str) -> str:
    return next(r.words for r in made.remarks if r.code == code)


def test_figures_of_a_measurement() -> None:
    f = figures_from(plain())
    assert f.origin == "photo"
    assert f.shape == "square"
    assert f.pitch is not None
    assert f.pitch.mean_mm == pytest.approx(12.7)
    assert f.small_hole_mm == pytest.approx(4.76)
    assert f.perimeter_mm == pytest.approx(40 * 12.7)
    assert f.u_scale_rel == pytest.approx(0.002)
    assert {s.place for s in f.stretches} == {"front", "right", "back", "left"}
    # Ten spaces a rail, twelve to six inches: the rail is one stretch.
    assert all(s.pitch_mm == pytest.approx(12.7) for s in f.stretches)


def test_six_inches_are_slid_round_a_ring() -> None:
    f = figures_from(ring())
    n_gaps = len(ring().holes)
    assert len(f.stretches) == n_gaps
    assert {s.first_hole for s in f.stretches} == set(range(1, n_gaps + 1))


def test_a_hidden_hole_breaks_a_stretch() -> None:
    f = figures_from(special())
    for s in f.stretches:
        assert s.first_hole is not None
        assert s.last_hole is not None
        run = range(s.first_hole, s.last_hole + 1) if s.last_hole > s.first_hole else ()
        assert 13 not in run


def test_small_holes_leave_the_measurements_own_scatter_out() -> None:
    """Bores all alike, read with 0.1 mm scatter: the 5 % point of the readings is no small hole."""
    rng = np.random.default_rng(1)
    alike = [replace(h, diameter_mm=4.76 + 0.1 * rng.normal(), u_own_diameter_mm=0.1) for h in square_seat(side=20)]
    f = figures_from(measurement_of(alike))
    assert f.small_hole_mm == pytest.approx(4.76, abs=0.08)
    mixed = [replace(h, diameter_mm=4.0 if k % 5 == 0 else 5.0) for k, h in enumerate(square_seat(side=20))]
    f = figures_from(measurement_of(mixed))
    assert f.small_hole_mm == pytest.approx(4.0, abs=0.02)
    assert f.wide_hole_mm == pytest.approx(5.0, abs=0.02)
    made = choose(f)
    assert made.choice is not None
    assert made.choice.width_mm < 2.25  # judged by the small ones
    assert "holes-differ" in codes(made)


def test_pixels_are_no_millimetres() -> None:
    with pytest.raises(BadInput, match="in pixels"):
        figures_from(measurement_of(square_seat(), scale=False))


def test_a_row_of_holes_that_is_no_seat_has_no_way_round() -> None:
    row = [hole(k + 1, "row", 8.0 * k, 0.0) for k in range(30)]
    f = figures_from(measurement_of(row, shape="rows"))
    assert f.shape is None
    assert f.perimeter_mm is None
    assert max(s.pitch_mm for s in f.stretches) == pytest.approx(8.0)


def test_low_confidence_and_doubts_are_part_of_the_answer() -> None:
    m = special()
    assert m.low_confidence
    made = choose(figures_from(m))
    assert made.low_confidence == m.low_confidence
    assert any("glare" in line for line in lines(made))
    assert "measurement" in codes(made)
    plain_values = to_dict(made)
    assert len(plain_values["low_confidence"]) == len(m.low_confidence)
    assert plain_values["low_confidence"][0]["advice"]


def tapered(rake_deg: float, side_pitch_mm: float) -> list[Hole]:
    """A seat whose side rails lean inwards to the back."""
    t = np.radians(rake_deg)
    n = 10
    back_y = n * side_pitch_mm * np.cos(t)
    lean = n * side_pitch_mm * np.sin(t)
    front = np.linspace(-100, 100, 16)
    back = np.linspace(100 - lean, -100 + lean, 14)
    places = [("front", x, 0.0) for x in front[:-1]]
    places += [("right", 100 - lean * k / n, back_y * k / n) for k in range(n)]
    places += [("back", x, back_y) for x in back[:-1]]
    places += [("left", -100 + lean * (n - k) / n, back_y * (n - k) / n) for k in range(n)]
    corners = {0, 15, 25, 38}
    return [hole(k + 1, r, float(x), float(y), corner=k in corners) for k, (r, x, y) in enumerate(places)]


def test_raked_rails_are_compared_like_with_like() -> None:
    """Along a rail raked by t the pitch is p / cos t (derived)."""
    across = 200 / 15
    made = choose(figures_from(measurement_of(tapered(12.0, across / np.cos(np.radians(12.0))), shape="tapered")))
    rakes = dict(made.figures.rakes_deg)
    assert rakes == pytest.approx({"left": 12.0, "right": 12.0}, abs=0.01)
    said = words(made, "raked")
    assert "raked by 12°" in said
    assert f"{across / np.cos(np.radians(12.0)):.2f} mm is {across:.2f} mm straight across" in said
    assert dict(figures_from(plain()).rakes_deg) == pytest.approx({"left": 0.0, "right": 0.0})


def test_rails_that_differ_are_remarked_on() -> None:
    made = choose(figures_from(measurement_of(tapered(0.0, 15.0), shape="square")))
    assert "front 13.3 mm" in words(made, "rails-differ") or "back" in words(made, "rails-differ")
    assert "rails-differ" not in codes(choose(figures_from(plain())))


def test_tape_alone() -> None:
    f = figures_from(tape("1/2, 1/2, 1/2+", "3/16", "12, 12, 11 1/2"))
    assert f.origin == "tape"
    assert f.pitch is not None
    assert f.pitch.mean_mm == pytest.approx(12.8, abs=0.2)
    assert 0.2 < f.pitch.u_mean_mm < 0.5  # sixteenths do not average out where all holes are alike
    made = choose(f)
    assert made.choice is not None
    assert made.choice.name == "fine-fine"


def test_only_a_hole_or_only_a_spacing() -> None:
    made = choose(figures_from(tape(holes="3/16", typed=True)))
    assert made.choice is not None
    assert made.choice.width_mm == 2.5  # the widest the hole allows
    assert "no-spacing" in codes(made)
    made = choose(figures_from(tape("1/2", typed=True)))
    assert made.choice is not None
    assert made.choice.width_mm == 2.25
    assert "no-hole" in codes(made)
    assert made.fits == ()
    assert made.binder.width_mm is None
    with pytest.raises(BadInput, match="neither a distance"):
        figures_from(Tape(readings=tuple(read_list("front: 12", "along"))))


def test_photo_and_tape_are_joined_by_what_they_are_worth() -> None:
    photo, taped = figures_from(plain()), figures_from(tape("13 mm, 13 mm, 12.5 mm", "5 mm"))
    both = joined(photo, taped)
    assert both.origin == "photo and tape"
    assert both.pitch is not None
    assert photo.pitch is not None
    assert photo.pitch.mean_mm < both.pitch.mean_mm < photo.pitch.mean_mm + 0.05
    assert both.pitch.u_mean_mm <= photo.pitch.u_mean_mm
    assert both.stretches
    assert both.warnings == ()


def test_photo_and_tape_that_disagree_widen_the_error_and_say_so() -> None:
    photo, taped = figures_from(plain()), figures_from(tape("15 mm, 15 mm, 15 mm, 15 mm"))
    both = joined(photo, taped)
    assert both.pitch is not None
    assert photo.pitch is not None
    assert both.pitch.u_mean_mm > 2 * photo.pitch.u_mean_mm
    assert "photo and tape disagree on the pitch" in both.warnings[0]
    assert "measurement" in codes(choose(both))


def test_fullest_hole_and_couching_are_reckoned() -> None:
    f = figures_from(plain())
    four, eight = choose(f, fullest_hole=4), choose(f, fullest_hole=8, couched=True)
    assert four.choice is not None
    assert eight.choice is not None
    assert eight.choice.width_mm < four.choice.width_mm
    deciding = [x.n_strands for x in eight.fits if x.decides]
    assert deciding == [10]
    assert [x.n_strands for x in choose(f, shape="round").fits if x.decides] == [6]
    assert [x.n_strands for x in choose(f, couched=True).fits if x.decides] == [6]


def test_measured_thickness_is_used_and_said() -> None:
    f = figures_from(plain())
    thin, thick = choose(f, strand_thickness_mm=0.8), choose(f, strand_thickness_mm=1.6, couched=True)
    assert thin.thickness_from == "measured"
    assert choose(f).thickness_from.startswith("assumed")
    assert thin.choice is not None
    assert thick.choice is not None
    assert thick.choice.width_mm < thin.choice.width_mm
    assert any("assumption" in line for line in lines(choose(f)))


def test_the_chosen_size_is_never_one_that_will_not_go() -> None:
    rng = np.random.default_rng(4)
    for _ in range(60):
        f = Figures(
            origin="typed",
            pitch=replace(figures_from(plain()).pitch, mean_mm=rng.uniform(9, 23)),  # type: ignore[type-var]
            small_hole_mm=rng.uniform(3, 8),
        )
        made = choose(f, fullest_hole=int(rng.integers(4, 9)), couched=bool(rng.integers(2)))
        if made.choice is not None:
            assert next(x.verdict for x in made.fits if x.decides) != "will not go"


def test_json_is_strict_and_has_what_was_promised() -> None:
    for f in (figures_from(special()), figures_from(tape("1/2")), Figures(origin="typed", small_hole_mm=1.0)):
        made = to_dict(choose(f))
        text = json.dumps(made, allow_nan=False)
        assert json.loads(text) == made
        assert {"choice", "candidates", "binder", "fits", "remarks", "low_confidence"} <= set(made)
        assert len(made["remarks"]) == len(made["remark_codes"])
        for c in made["candidates"]:
            assert {"width_mm", "name", "chance"} <= set(c)


def test_lines_say_millimetres_first() -> None:
    told = lines(choose(figures_from(plain())), explain=True)
    assert told[0].startswith("Take  2.25 mm (fine-fine), ")
    assert max(map(len, told)) <= 88
    assert any("[usual chart [M], row" in line for line in told)


@pytest.mark.parametrize(
    "change",
    [
        {"x_mm": 1e300},
        {"diameter_mm": 1e9},
        {"diameter_mm": -5.0},
        {"u_own_centre_mm": -1.0},
        {"u_shared_diameter_mm": 1e200},
    ],
)
def test_nonsense_in_a_saved_file_is_refused(change: dict[str, float]) -> None:
    m = plain()
    holes = [replace(m.holes[0], **change), *m.holes[1:]]  # type: ignore[arg-type]
    with np.errstate(over="ignore"):
        broken = replace(m, holes=tuple(holes), seat=replace(m.seat, diameter=None))
    if change == {"diameter_mm": -5.0}:
        broken = replace(broken, seat=replace(m.seat, diameter=replace(m.seat.diameter, mean_mm=-5.0)))  # type: ignore[type-var]
    with pytest.raises(BadInput, match="no seat has"):
        figures_from(broken)
