"""The fix file: read back as written, refused in one sentence when it cannot be meant."""

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holecount import fixes
from holecount.fixes import AddedHole, FixedReference, Fixes, MarkedHole, Place
from holecount.holes.hole import Hole
from holecount.troubles import BadInput

SHA = "ab" * 32

FULL = f"""{{
 "holecount_fixes": 1,
 "photo_sha256": "{SHA}",
 "scale": [
  {{"corners": [[100, 100], [500, 110], [495, 360], [98, 350]], "width": "85.6 mm", "depth": "53.98 mm"}},
  {{"ends": [[700, 100], [700, 900]], "length": "6 in"}}
 ],
 "add": [{{"x": 311.5, "y": 420}}, {{"x": 340, "y": 420, "status": "blocked"}}],
 "strike_out": [{{"number": 12}}, {{"x": 80, "y": 90}}],
 "mark": [{{"number": 3, "status": "blocked"}}, {{"x": 50.5, "y": 60, "status": "open"}}]
}}"""


def test_reads_every_kind() -> None:
    f = fixes.from_text(FULL)
    assert f.photo_sha256 == SHA
    assert [r.kind for r in f.references()] == ["rectangle", "length"]
    assert f.scale[1].width_mm == pytest.approx(152.4)
    assert f.add == (AddedHole(x_px=311.5, y_px=420), AddedHole(x_px=340, y_px=420, status="blocked"))
    assert f.strike_out == (Place(number=12), Place(x_px=80, y_px=90))
    assert f.mark[0] == MarkedHole(place=Place(number=3), status="blocked")
    assert f.by_number
    assert fixes.from_text(fixes.to_text(f)) == f
    assert fixes.from_text('{"holecount_fixes": 1}') == Fixes()


coordinate = st.floats(0, 9000, allow_nan=False).map(lambda v: v + 0.0)
place = st.one_of(st.builds(Place, number=st.integers(1, 300)), st.builds(Place, x_px=coordinate, y_px=coordinate))
length = st.floats(1.0, 10_000.0)
two_ends = st.builds(
    FixedReference, points_px=st.just(((1.5, 2.0), (300.25, 1e3))), width_mm=length, depth_mm=st.none()
)
four_corners = st.builds(
    FixedReference,
    points_px=st.just(((0.1, 0.2), (400.0, 3.0), (390.0, 200.0), (1.0, 210.0))),
    width_mm=length,
    depth_mm=length,
)
any_fixes = st.builds(
    Fixes,
    photo_sha256=st.just(SHA),
    scale=st.lists(st.one_of(two_ends, four_corners), max_size=3).map(tuple),
    add=st.lists(
        st.builds(AddedHole, x_px=coordinate, y_px=coordinate, status=st.sampled_from(["open", "blocked"])), max_size=4
    ).map(tuple),
    strike_out=st.lists(place, max_size=4, unique=True).map(tuple),
)


@given(any_fixes)
def test_round_trip(f: Fixes) -> None:
    assert fixes.from_text(fixes.to_text(f)) == f


def test_numbers_get_places() -> None:
    def hole(number: int, x: float) -> Hole:
        return Hole(number=number, rail="front", x_px=x, y_px=7.0, x_mm=0, y_mm=0, u_own_centre_mm=0.1, status="open")

    f = Fixes(
        photo_sha256=SHA, strike_out=(Place(number=2),), mark=(MarkedHole(place=Place(number=1), status="blocked"),)
    )
    placed = f.placed([hole(1, 10.0), hole(2, 20.0)])
    assert placed.strike_out[0].at_px == (20.0, 7.0)
    assert placed.mark[0].place.at_px == (10.0, 7.0)
    assert placed.mark[0].status == "blocked"
    assert not placed.by_number
    with pytest.raises(BadInput, match="hole 2"):
        f.placed([hole(1, 10.0)])


def test_belongs_to_its_photograph() -> None:
    f = fixes.from_text(FULL)
    f.check_photo(SHA, 1600, 1200)
    with pytest.raises(BadInput, match="another photograph"):
        f.check_photo("cd" * 32, 1600, 1200)
    with pytest.raises(BadInput, match="outside"):
        f.check_photo(SHA, 300, 1200)
    with pytest.raises(BadInput, match="outside"):
        f.check_photo(SHA, 600, 1200)


def broken(**entries: object) -> str:
    return json.dumps({"holecount_fixes": 1, **entries})


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "not JSON"),
        ("[" * 100_000, "not JSON"),
        ('{"holecount_fixes": 1, "add": [{"x": NaN, "y": 1}]}', "not JSON"),
        ("[]", "object"),
        ("{}", "lacks"),
        ('{"holecount_fixes": 2}', "schema 2"),
        ('{"holecount_fixes": true}', "schema"),
        (broken(adds=[]), "unknown entry 'adds'"),
        (broken(photo_sha256="xyz"), "64"),
        (broken(add={}), "list"),
        (broken(add=[{"x": 1}]), "'x' and 'y'"),
        (broken(add=[{"x": "1", "y": 2}]), "number"),
        (broken(add=[{"x": True, "y": 2}]), "number"),
        (broken(add=[{"x": 10**400, "y": 2}]), "number of pixels"),
        (broken(add=[{"x": 1, "y": 2, "status": "hidden"}]), "status"),
        (broken(add=[{"x": 1, "y": 2, "diameter": 3}]), "unknown entry 'diameter'"),
        (broken(add=[{"x": 1, "y": 2}] * 2000), "more than"),
        (broken(strike_out=[{"number": 3}]), "photo_sha256"),
        (broken(strike_out=[{"number": 0}], photo_sha256=SHA), "whole number"),
        (broken(strike_out=[{"number": 1.0}], photo_sha256=SHA), "whole number"),
        (broken(strike_out=[{"number": 1, "x": 2, "y": 3}], photo_sha256=SHA), "either"),
        (broken(strike_out=[{"x": 1, "y": 2}, {"x": 1, "y": 2}]), "twice"),
        (broken(strike_out=[{"x": 1, "y": 2}], mark=[{"x": 1, "y": 2, "status": "open"}]), "twice"),
        (broken(mark=[{"x": 1, "y": 2}]), "status"),
        (broken(scale=[{"ends": [[0, 0], [100, 0]]}]), "'ends' and 'length'"),
        (broken(scale=[{"ends": [[0, 0], [100, 0]], "length": 85.6}]), "unit"),
        (broken(scale=[{"ends": [[0, 0], [100, 0]], "length": "85.6"}]), "unit"),
        (broken(scale=[{"ends": [[0, 0], [1, 0]], "length": "85.6 mm"}]), "apart"),
        (broken(scale=[{"ends": [[0, 0], [1, 0], [2, 0]], "length": "85.6 mm"}]), "2 points"),
        (broken(scale=[{"ends": [[0, 0], [100]], "length": "85.6 mm"}]), r"\[x, y\]"),
        (
            broken(scale=[{"corners": [[0, 0], [90, 90], [90, 0], [0, 90]], "width": "8 cm", "depth": "8 cm"}]),
            "in order",
        ),
    ],
)
def test_refuses_in_one_sentence(text: str, words: str) -> None:
    with pytest.raises(BadInput, match=words) as caught:
        fixes.from_text(text)
    assert caught.value.exit_code == 4
    assert "\n" not in str(caught.value)


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=5) | st.integers(),
        lambda c: (
            st.lists(c, max_size=3)
            | st.dictionaries(
                st.sampled_from(
                    ["holecount_fixes", "add", "x", "y", "scale", "ends", "length", "mark", "status", "number"]
                ),
                c,
            )
        ),
        max_leaves=8,
    )
)
def test_any_json_is_read_or_refused(value: object) -> None:
    for text in (json.dumps(value), json.dumps({"holecount_fixes": 1, "add": [value], "scale": [value]})):
        try:
            fixes.from_text(text)
        except BadInput:
            continue


def test_files(tmp_path: Path) -> None:
    file = tmp_path / "fix.json"
    file.write_text(FULL, encoding="utf-8")
    assert fixes.read(file) == fixes.from_text(FULL)
    file.write_bytes(b"\xff\xfe\x00")
    for path, words in ((file, "not UTF-8 text"), (tmp_path, "not a file"), (tmp_path / "no.json", "cannot be read")):
        with pytest.raises(BadInput, match=words):
            fixes.read(path)
    file.write_text(" " * 2_000_000)
    with pytest.raises(BadInput, match="too long"):
        fixes.read(file)
