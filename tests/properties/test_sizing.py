"""What must hold for any seat: finer holes never give a larger cane; units and order do not matter."""

import math
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from made_measurement import measurement_of, square_seat

from holecount.sizing import RuleSettings, StrandSettings, choose, figures_from, parse_chart
from holecount.sizing.chance import at_least
from holecount.sizing.chart import Chart, built_in
from holecount.sizing.figures import Figures, Stretch
from holecount.sizing.ladder import ladder
from holecount.stats import Spread
from holecount.tape import Tape, read_list
from holecount.troubles import BadInput

pitches = st.floats(7.0, 26.0)
holes = st.floats(2.5, 9.0)
shapes = st.sampled_from(["square", "tapered", "bowed", "round", "oval"])
strands = st.integers(2, 10)
deciders = st.sampled_from(["usual", "perry-1917", "repair-handbook", "metric-pairs"])


def spread(mean_mm: float, u_mm: float, shared_mm: float) -> Spread:
    return Spread(
        n=30, mean_mm=mean_mm, sd_mm=0.0, p05_mm=mean_mm, p95_mm=mean_mm, min_mm=mean_mm, max_mm=mean_mm, min_at=(1,),
        max_at=(1,), u_own_mean_mm=u_mm, u_shared_mean_mm=shared_mm,
    )  # fmt: skip


def seat(
    pitch_mm: float, hole_mm: float, *, k: float = 1.0, u: float = 0.05, spreads: tuple[float, ...] = ()
) -> Figures:
    return Figures(
        origin="photo",
        pitch=spread(pitch_mm * k, u * k, 0.003 * pitch_mm * k),
        hole=spread(hole_mm * k, u * k, 0.1 * k),
        small_hole_mm=hole_mm * k,
        wide_hole_mm=hole_mm * k,
        u_scale_rel=0.003,
        stretches=tuple(
            Stretch(place=f"{i}", first_hole=1, last_hole=2, pitch_mm=pitch_mm * s * k, u_own_mm=0.02 * k)
            for i, s in enumerate(spreads)
        ),
    )


def width(f: Figures, shape: str, n: int, chart: str, couched: bool = False) -> float:
    made = choose(f, shape=shape, fullest_hole=n, deciding_chart=chart, couched=couched)
    return made.choice.width_mm if made.choice else 0.0


@settings(deadline=None, max_examples=60)
@given(pitches, holes, st.floats(0.7, 1.0), st.floats(0.7, 1.0), shapes, strands, deciders)
def test_finer_holes_never_give_a_larger_cane(
    pitch: float, hole: float, closer: float, smaller: float, shape: str, n: int, chart: str
) -> None:
    coarse = width(seat(pitch, hole, spreads=(0.97, 1.0, 1.04)), shape, n, chart)
    fine = width(seat(pitch * closer, hole * smaller, spreads=(0.97, 1.0, 1.04)), shape, n, chart)
    assert fine <= coarse


@settings(deadline=None, max_examples=40)
@given(pitches, holes, shapes, st.integers(2, 8))
def test_more_strands_couching_or_a_round_seat_never_give_a_larger_cane(
    pitch: float, hole: float, shape: str, n: int
) -> None:
    f = seat(pitch, hole)
    assert width(f, shape, n + 1, "usual") <= width(f, shape, n, "usual")
    assert width(f, shape, n, "usual", couched=True) <= width(f, shape, n, "usual")
    assert width(f, "round", n, "usual") <= width(f, "square", n, "usual")


@settings(deadline=None, max_examples=60)
@given(pitches, holes, shapes, strands, st.floats(0.0, 1.0))
def test_chances_are_chances(pitch: float, hole: float, shape: str, n: int, u: float) -> None:
    made = choose(seat(pitch, hole, u=u, spreads=(0.95, 1.0)), shape=shape, fullest_hole=n)
    chances = [c.chance for c in made.candidates]
    assert all(0 <= c <= 1 for c in chances)
    assert sum(chances) + made.chance_none == pytest.approx(1, abs=0.06)
    assert [c.chance for c in made.candidates[1:]] == sorted((c.chance for c in made.candidates[1:]), reverse=True)
    if made.choice:
        assert made.choice is made.candidates[0]
        assert made.choice.chance_at_least >= 0.6


def scaled_chart(k: float) -> Chart:
    chart = built_in("usual")

    def times(v: float | None) -> float | None:
        return None if v is None else v * k

    rows = []
    for r in chart.rows:
        from holecount.sizing.chart import row_width_mm

        wide = times(row_width_mm(r))
        rows.append(
            replace(r, width_low_mm=wide, width_high_mm=wide, hole_mm=times(r.hole_mm), spacing_mm=times(r.spacing_mm))
        )
    return replace(chart, rows=tuple(rows))


@settings(deadline=None, max_examples=40)
@given(pitches, holes, shapes, strands, st.floats(0.2, 30.0))
def test_everything_scaled_alike_gives_the_same_row(pitch: float, hole: float, shape: str, n: int, k: float) -> None:
    """Seat, chart, strands and slacks in other units: the same rung, with the same chance."""
    assume(abs(k - 1) > 0.01)

    def reach(k: float) -> list[float]:
        rules = RuleSettings()
        rules = replace(
            rules,
            spacing_slack_mm=rules.spacing_slack_mm * k,
            spacing_slack_round_mm=rules.spacing_slack_round_mm * k,
            step_mm=rules.step_mm * k,
            thinnest_mm=rules.thinnest_mm * k,
        )
        low, high = StrandSettings().thickness_limits_mm
        s = replace(StrandSettings(), thickness_limits_mm=(low * k, high * k), u_assumed_mm=0.115 * k)
        f = seat(pitch, hole, k=k)
        rungs = ladder(
            scaled_chart(k),
            n_strands=n,
            thickness_mm=None,
            hole_mm=f.small_hole_mm,
            shape=shape,
            rules=rules,
            strands=s,
        )
        return list(at_least(rungs, f, rules))

    assert reach(k) == pytest.approx(reach(1.0), abs=1e-6)


lengths = st.sampled_from(["1/2", "9/16", "1/2+", "13 mm", "12.5 mm", "scant 9/16", "127 mm over 10"])
bores = st.sampled_from(["3/16", "3/16+", "5 mm", "4.8 mm", "7/32"])
counts = st.sampled_from(["11", "12", "12", "11 1/2", "13"])


@settings(deadline=None, max_examples=60)
@given(st.data(), st.lists(lengths, min_size=1, max_size=6), st.lists(bores, max_size=4), st.lists(counts, max_size=4))
def test_order_of_readings_does_not_matter(data: st.DataObject, p: list[str], d: list[str], n: list[str]) -> None:
    def figures(p: list[str], d: list[str], n: list[str]) -> Figures:
        readings = [*read_list(", ".join(p), "pitch")]
        readings += read_list(", ".join(d), "hole") if d else []
        readings += read_list(", ".join(n), "six-inches") if n else []
        return figures_from(Tape(readings=tuple(readings)))

    a = figures(p, d, n)
    b = figures(*(data.draw(st.permutations(x)) for x in (p, d, n)))
    made_a, made_b = choose(a), choose(b)
    assert [(c.width_mm, c.name) for c in made_a.candidates] == [(c.width_mm, c.name) for c in made_b.candidates]
    assert [c.chance for c in made_a.candidates] == pytest.approx([c.chance for c in made_b.candidates], abs=1e-9)


@settings(deadline=None, max_examples=25)
@given(st.floats(0, 2 * math.pi), st.floats(-500, 500), st.booleans())
def test_turning_moving_and_mirroring_the_seat_changes_nothing(turn: float, shift: float, mirror: bool) -> None:
    c, s = math.cos(turn), math.sin(turn)
    base = square_seat(side=14, pitch_mm=15.2)
    moved = [
        replace(
            h,
            x_mm=(-1 if mirror else 1) * (c * h.x_mm - s * h.y_mm) + shift,
            y_mm=s * h.x_mm + c * h.y_mm - shift,
        )
        for h in base
    ]
    a, b = (choose(figures_from(measurement_of(hs))) for hs in (base, moved))
    assert [x.width_mm for x in a.candidates] == [x.width_mm for x in b.candidates]
    assert [x.chance for x in a.candidates] == pytest.approx([x.chance for x in b.candidates], abs=1e-6)


@settings(deadline=None, max_examples=300)
@given(st.text(max_size=60), st.sampled_from(["pitch", "hole", "six-inches", "along"]))
def test_any_text_is_read_or_refused_in_one_sentence(text: str, quantity: str) -> None:
    try:
        readings = read_list(text, quantity)  # type: ignore[arg-type]
    except BadInput as e:
        assert e.what
        assert "\n" not in e.what.replace(text, "").replace(text.strip(), "")
    else:
        assert readings
        assert all(math.isfinite(r.value_mm if r.value_mm is not None else r.n_holes or 0) for r in readings)


@settings(deadline=None, max_examples=200)
@given(st.one_of(st.text(max_size=200), st.text(alphabet='[]row="=.\n0123 ', max_size=200)))
def test_any_text_is_a_chart_or_refused(text: str) -> None:
    try:
        parse_chart(text, source="it")
    except BadInput as e:
        assert e.what.startswith("it")


@settings(deadline=None, max_examples=100)
@given(st.floats(0.5, 2.5), st.floats(0.5, 2.5))
def test_the_same_length_in_inches_and_millimetres_is_the_same(a: float, b: float) -> None:
    in_mm = read_list(f"{a * 25.4:.6f} mm", "pitch")[0].value_mm
    in_inches = read_list(f"{a:.8f} in", "pitch")[0].value_mm
    assert in_mm == pytest.approx(in_inches, abs=1e-5)
