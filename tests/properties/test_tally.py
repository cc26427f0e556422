"""A measurement saved and read back is the same, and damaged files are refused in one sentence."""

import csv
import io
import json
import math
from dataclasses import replace

import made_measurement as made
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holecount import tally
from holecount.holes.hole import Hole
from holecount.measurement import Measurement, ReferenceUse, ScaleUse
from holecount.stats import LowConfidence, low_confidence
from holecount.troubles import DOUBTS, BadInput

number = st.floats(-1e6, 1e6)
positive = st.floats(1e-6, 1e6)
share = st.floats(0, 1)
words = st.text(max_size=12)

holes = st.builds(
    Hole,
    number=st.integers(1, 500),
    rail=st.sampled_from(["front", "right", "back", "left", "ring"]),
    corner=st.booleans(),
    x_px=number,
    y_px=number,
    x_mm=number,
    y_mm=number,
    u_own_centre_mm=positive,
    status=st.sampled_from(["open", "blocked", "hidden"]),
    diameter_mm=st.none() | positive,
    u_own_diameter_mm=st.none() | positive,
    u_shared_diameter_mm=st.none() | positive,
    out_of_round_mm=st.none() | positive,
    arc_seen_frac=share,
    doubts=st.lists(st.sampled_from(sorted(DOUBTS)), max_size=3).map(tuple),
)
references = st.builds(
    ReferenceUse,
    kind=words,
    words=words,
    outline_px=st.lists(st.tuples(number, number), max_size=4).map(tuple),
    height_mm=number,
    share=share,
    misfit=positive,
    notes=st.lists(words, max_size=2).map(tuple),
)
scales = st.builds(
    ScaleUse,
    references=st.lists(references, max_size=2).map(tuple),
    mm_per_px=positive,
    tilt_deg=number,
    distance_mm=positive,
    focal_px=positive,
    focal_from=words,
    k1=number,
    u_rel=positive,
    u_local_rel=positive,
    holes_share=share,
)


@st.composite
def measurements(draw: st.DrawFn) -> Measurement:
    figures = draw(st.sampled_from([made.special(), made.ring(), made.measurement_of(made.square_seat(side=3))]))
    some = list(figures.holes)
    for strange in draw(st.lists(holes, max_size=6)):  # Numbers and rails stay: the figures speak of them.
        k = draw(st.integers(0, len(some) - 1))
        some[k] = replace(strange, number=some[k].number, rail=some[k].rail)
    return Measurement(
        photo_name=draw(words),
        photo_sha256="0" * 64,
        width_px=draw(st.integers(1, 9000)),
        height_px=draw(st.integers(1, 9000)),
        verdict=draw(st.sampled_from(["good", "check"])),
        verdict_reasons=tuple(draw(st.lists(words, max_size=2))),
        scale=draw(st.none() | scales),
        shape=draw(words),
        holes=tuple(some),
        rails=figures.rails,
        seat=figures.seat,
        low_confidence=tuple(low_confidence("front", some)),
    )


@settings(max_examples=60, deadline=None)
@given(measurements())
def test_round_trip(m: Measurement) -> None:
    text = tally.to_json(m)
    assert tally.from_json(text) == m
    assert tally.to_json(tally.from_json(text)) == text


@settings(max_examples=60, deadline=None)
@given(measurements())
def test_json_is_strict(m: Measurement) -> None:
    def refuse(constant: str) -> float:
        raise AssertionError(constant)

    plain = json.loads(tally.to_json(m), parse_constant=refuse)
    assert plain["schema"] == 1
    for hole, h in zip(plain["holes"], m.holes, strict=True):
        if h.u_own_diameter_mm is not None and h.u_shared_diameter_mm is not None:
            assert hole["u_diameter_mm"] == pytest.approx(math.hypot(h.u_own_diameter_mm, h.u_shared_diameter_mm))
        else:
            assert hole["u_diameter_mm"] is None


@settings(max_examples=60, deadline=None)
@given(measurements())
def test_csv_has_a_line_for_each_hole(m: Measurement) -> None:
    rows = list(csv.DictReader(io.StringIO(tally.to_csv(m))))
    assert [int(r["number"]) for r in rows] == [h.number for h in m.holes]
    assert [float(r["x_mm"]) for r in rows] == [h.x_mm for h in m.holes]
    assert [tuple(r["doubts"].split()) for r in rows] == [h.doubts for h in m.holes]


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_damage_is_refused_or_harmless(data: st.DataObject) -> None:
    """One value anywhere replaced by something else: read as what it says, or refused; never anything worse."""
    plain = tally.to_dict(made.special())
    spot: object = plain
    while True:
        key = data.draw(st.sampled_from(sorted(spot)) if isinstance(spot, dict) else st.integers(0, len(spot) - 1))  # type: ignore[arg-type]
        inner = spot[key]  # type: ignore[index]
        if isinstance(inner, dict | list) and inner and data.draw(st.booleans()):
            spot = inner
            continue
        spot[key] = data.draw(  # type: ignore[index]
            st.none() | st.booleans() | st.integers(-5, 5) | st.floats() | words | st.just([]) | st.just({})
        )
        break
    try:
        made_of_it = tally.from_json(json.dumps(plain))
    except BadInput as e:
        assert e.exit_code == 4
        assert "\n" not in str(e)
    else:
        assert isinstance(made_of_it, Measurement)


@given(st.text(max_size=30))
def test_no_text_breaks_it(text: str) -> None:
    with pytest.raises(BadInput):
        tally.from_json(text)


def test_stretches_survive() -> None:
    m = made.special()
    assert m.low_confidence
    assert all(isinstance(s, LowConfidence) for s in tally.from_json(tally.to_json(m)).low_confidence)
