"""Readings as people write them: what each is understood as, and one clear sentence for what is not."""

import math
from pathlib import Path

import pytest

from holecount.tape import read_file, read_list, read_text
from holecount.tape.reading import Quantity, is_possible
from holecount.troubles import BadInput

INCH = 25.4
SIXTEENTH = INCH / 16


def values(text: str, quantity: Quantity = "pitch", unit: str | None = None) -> list[float | None]:
    return [r.value_mm if r.value_mm is not None else r.n_holes for r in read_list(text, quantity, unit=unit)]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1/2", [12.7]),
        ("1/2, 9/16 ,5/8", [12.7, 14.2875, 15.875]),
        ("1/2,9/16", [12.7, 14.2875]),
        ("½", [12.7]),
        ('1/2"; 1/2 in; 1/2 inch', [12.7, 12.7, 12.7]),
        ("13 mm", [13.0]),
        ("13mm, 12.5 mm", [13.0, 12.5]),
        ("1.3 cm", [13.0]),
        ("13, 14", [13.0, 14.0]),
        ("12, 13 mm", [12.0, 13.0]),
        ("0.5", [12.7]),
        ("12,5 mm", [12.5]),
        ("12,5", [12.5]),
        ("12,13,12 mm", [12.0, 13.0, 12.0]),
        ("127 mm over 10", [12.7]),
        ("127 mm / 10", [12.7]),
        ("5 in over 10 spaces", [12.7]),
        ("1 in", [25.4]),
        ("1-1/8", [28.575]),
        ("front: 1/2; left: 13 mm", [12.7, 13.0]),
    ],
)
def test_distances(text: str, expected: list[float]) -> None:
    assert values(text) == pytest.approx(expected)


def test_just_over_and_just_under() -> None:
    """``1/2+`` lies between the mark and half a division above it."""
    for text in ("1/2+", "1/2 +", "just over 1/2", "Just Over 1/2", "full 1/2", "1/2 full"):
        (r,) = read_list(text, "pitch")
        assert r.value_mm == pytest.approx(12.7 + SIXTEENTH / 4)
        assert math.sqrt(3) * r.u_mm == pytest.approx(SIXTEENTH / 4)
    for text in ("1/2-", "just under 1/2", "scant 1/2", "bare 1/2"):
        (r,) = read_list(text, "pitch")
        assert r.value_mm == pytest.approx(12.7 - SIXTEENTH / 4)
    (r,) = read_list("about 1/2", "pitch")
    assert r.u_mm == pytest.approx(2 * read_list("1/2", "pitch")[0].u_mm)


@pytest.mark.parametrize(
    ("text", "good_to_mm"),
    [
        ("1/2", SIXTEENTH / 2),  # a tape in sixteenths, good to about half of that
        ("3/16", SIXTEENTH / 2),
        ("7/32", SIXTEENTH / 4),
        ("13 mm", 0.5),
        ("12.7 mm", 0.05),
        ("1.3 cm", 0.5),
        ("127 mm over 10", 0.05),
        ("0.5 in", SIXTEENTH / 2),
    ],
)
def test_how_good_a_reading_is(text: str, good_to_mm: float) -> None:
    (r,) = read_list(text, "pitch")
    assert math.sqrt(3) * r.u_mm == pytest.approx(good_to_mm)


def test_typed_figures_are_taken_sharper() -> None:
    assert read_list("1/2", "pitch", sharp=True)[0].u_mm == read_list("1/2", "pitch")[0].u_mm / 2


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("12, 12, 11 1/2", [12, 12, 11.5]),
        ("12,11,12", [12, 11, 12]),
        ("11½", [11.5]),
        ("11.5", [11.5]),
        ("12 holes", [12]),
        ("front: 12, 11; left: 13", [12, 11, 13]),
    ],
)
def test_counts(text: str, expected: list[float]) -> None:
    assert values(text, "six-inches") == expected


def test_places_hold_until_the_next() -> None:
    got = read_list("1/2; front rail: 1/2, 9/16; Rear: 5/8", "pitch")
    assert [r.place for r in got] == ["", "front", "front", "back"]


def test_what_was_guessed_is_noted() -> None:
    assert read_list("13", "pitch")[0].note == "taken as 13 mm"
    assert read_list(".5", "pitch")[0].note == "taken as 0.5 in"
    assert read_list("5", "hole")[0].note == "taken as 5 mm"
    assert read_list("13 mm", "pitch")[0].note == ""
    assert values("1", "pitch", unit="in") == [25.4]


@pytest.mark.parametrize(
    ("text", "quantity", "said"),
    [
        ("", "pitch", "no reading"),
        (" ; , ", "pitch", "no reading"),
        ("front:", "pitch", "no reading"),
        ("half an inch", "pitch", "'half an inch' was not understood as a distance from hole to hole"),
        ("12 apples", "pitch", "not understood"),
        ("1/0", "pitch", "divides by nothing"),
        ("0 mm", "pitch", "not a length above zero"),
        ("300", "pitch", "needs a unit"),
        ("12,13 mm", "pitch", "can be read as 12.13 or as 12 and 13"),
        ("5 mm over 0", "pitch", "over no spaces"),
        ("20 mm over 4", "hole", "length over 4 holes"),
        ("top: 1/2", "pitch", "'top' in 'top: 1/2' is no place"),
        ("twelve", "six-inches", "'twelve' was not understood as a number of holes in six inches"),
        ("12 1/0", "six-inches", "not understood"),
        ("-12", "six-inches", "not understood"),
        ("11 1/2", "along", "11.5 holes along a rail"),
        ("1" * 3000, "pitch", "too long"),
    ],
)
def test_what_is_not_understood_is_said(text: str, quantity: Quantity, said: str) -> None:
    with pytest.raises(BadInput) as caught:
        read_list(text, quantity)
    assert said in caught.value.what
    assert caught.value.exit_code == 4


def test_readings_no_seat_could_have() -> None:
    assert not is_possible(read_list("13 in", "pitch")[0])
    assert not is_possible(read_list("0.5 mm", "hole")[0])
    assert not is_possible(read_list("120", "six-inches")[0])
    assert is_possible(read_list("13 mm", "pitch")[0])


FILE = """# kitchen chair, third of six
unit: mm
six inches front: 12, 12
pitch left: 13, 12.5   # by the new tape
pitch is: side
spacing back: 1/2, 1/2+
hole: 3/16
along front: 20
"""


def test_a_file_of_readings(tmp_path: Path) -> None:
    path = tmp_path / "chair 3.txt"
    path.write_bytes(b"\xef\xbb\xbf" + FILE.replace("\n", "\r\n").encode())
    got = read_file(path)
    assert [(r.quantity, r.place) for r in got] == [
        ("six-inches", "front"),
        ("six-inches", "front"),
        ("pitch", "left"),
        ("pitch", "left"),
        ("pitch", "back"),
        ("pitch", "back"),
        ("hole", ""),
        ("along", "front"),
    ]
    assert [r.basis for r in got if r.quantity == "pitch"] == ["centre", "centre", "side", "side"]
    assert got[2].value_mm == 13.0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no reading in the readings"),
        ("hello", "line 1 is 'hello'"),
        ("\nheight: 3 mm", "line 2 starts with 'height'"),
        ("unit: feet", "must be mm or in"),
        ("pitch is: outside", "must be one of: centre, side, between"),
        ("pitch front: 1/2, x", "line 1: 'x' was not understood"),
        ("pitch top: 1/2", "line 1: 'top'"),
        ("pitch:", "line 1"),
    ],
)
def test_a_bad_file_names_the_line(text: str, said: str) -> None:
    with pytest.raises(BadInput) as caught:
        read_text(text)
    assert said in caught.value.what


def test_files_that_are_no_readings(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot be read"):
        read_file(tmp_path)
    (tmp_path / "photo").write_bytes(b"\xff\xd8" * 50)
    with pytest.raises(BadInput, match="not UTF-8 text"):
        read_file(tmp_path / "photo")
    (tmp_path / "long").write_bytes(b"#" * 200_000)
    with pytest.raises(BadInput, match="too long"):
        read_file(tmp_path / "long")
