"""Reading charts: the form of the file, and one clear sentence for each thing wrong with it."""

from pathlib import Path

import pytest

from holecount.sizing import Chart, choose, parse_chart, read_chart, width_name
from holecount.sizing.chart import MOST_BYTES, also_named, chart_named
from holecount.sizing.figures import Figures
from holecount.stats import spread_of
from holecount.troubles import BadInput

MINE = """
name = "cane-shop"
title = "Cane shop, list of 2026"
source = "list of 2026"
spacing = "centre to centre"
unit = "mm"
grade = "U"

[[row]]
cane = "No. 2"
width = "2.1"
hole = 4.5
spacing = "12"

[[row]]
cane = "No. 3"
width = "2.3-2.6"
hole = "5"
spacing = "5/8 in"
"""


def write(path: Path, text: str, encoding: str = "utf-8") -> Path:
    path.write_bytes(text.encode(encoding))
    return path


def exact(mean_mm: float) -> Figures:
    pitch = spread_of([mean_mm], [(1,)], u_own_mean_mm=0.0, u_shared_mean_mm=0.0)
    return Figures(origin="typed", shape="square", pitch=pitch, small_hole_mm=5.0)


def test_a_users_chart_is_read_and_can_decide(tmp_path: Path) -> None:
    chart = read_chart(write(tmp_path / "mine.toml", MINE))
    assert (chart.name, chart.grade, chart.title) == ("cane-shop", "U", "Cane shop, list of 2026")
    first, second = chart.rows
    assert (first.width_low_mm, first.width_high_mm, first.hole_mm, first.spacing_mm) == (2.1, 2.1, 4.5, 12.0)
    assert (second.width_low_mm, second.width_high_mm, second.spacing_mm) == (2.3, 2.6, 15.875)
    assert (first.hole_printed, second.spacing_printed) == ("4.5 mm", "5/8 in")
    made = choose(exact(16.0), charts=[chart], deciding_chart="cane-shop")
    assert made.choice is not None
    assert (made.choice.width_mm, made.choice.name) == (2.6, "No. 3")


@pytest.mark.parametrize("change", [lambda t: "\ufeff" + t, lambda t: t.replace("\n", "\r\n")])
def test_files_from_elsewhere(tmp_path: Path, change: object) -> None:
    text = change(MINE)  # type: ignore[operator]
    assert read_chart(write(tmp_path / "mine.toml", text)).rows[0].cane == "No. 2"


def test_a_grade_in_a_users_file_does_not_count(tmp_path: Path) -> None:
    assert read_chart(write(tmp_path / "m.toml", MINE.replace('grade = "U"', 'grade = "A"'))).grade == "U"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('name = "cane-shop"\n', "", "lacks 'name'"),
        ('"cane-shop"', '"Cane Shop!"', "small letters"),
        ('"cane-shop"', '"usual"', "built-in chart"),
        ('"cane-shop"', '"names"', "built-in chart"),
        ('source = "list of 2026"', "source = 3", "lacks 'source'"),
        ('"centre to centre"', '"outside"', "must be one of: centre to centre"),
        ('unit = "mm"', 'unit = "cm"', "must be in or mm"),
        ('spacing = "12"', 'spacing = "twelve"', "row 1: spacing: 'twelve' is not a length"),
        ('spacing = "12"', "spacing = true", "spacing should be a length"),
        ('spacing = "12"', 'spacing = "120"', "outside 3 to 60 mm"),
        ('spacing = "12"', 'spacing = "-12"', "not a length"),
        ('hole = "5"', 'hole = "0.1"', "outside 1 to 20 mm"),
        ('hole = "5"', 'hole = "5 furlongs"', "not a length"),
        ('hole = "5"', 'bore = "5"', "unknown entry 'bore'"),
        ('hole = "5"', 'hole = "4"', "No. 3 is wider than No. 2 but has the smaller hole"),
        ('spacing = "5/8 in"', 'spacing = "3/8 in"', "has the smaller spacing"),
        ('"2.3-2.6"', '"2.6-2.3"', "runs backwards"),
        ('width = "2.1"', 'width = ""', "row 1: width"),
        ('cane = "No. 2"\nwidth = "2.1"', 'cane = "No. 2"', "no width, and 'No. 2' is no name"),
        ('cane = "No. 2"\nwidth = "2.1"', "", "neither a cane nor a width"),
        ("[[row]]", "[[line]]", "unknown entry 'line'"),
        ('unit = "mm"', 'unit = "mm', "is not a chart file"),
        ('unit = "mm"', 'unit = "mm"\nnotes = "one"', "list of texts"),
        ('unit = "mm"', 'unit = "mm"\nrow = 3', "is not a chart file"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in MINE
    with pytest.raises(BadInput) as caught:
        read_chart(write(tmp_path / "mine.toml", MINE.replace(old, new)))
    assert said in caught.value.what
    assert "mine.toml" in caught.value.what
    assert caught.value.exit_code == 4


def test_files_that_are_no_charts(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot be read"):
        read_chart(tmp_path / "not there.toml")
    with pytest.raises(BadInput, match="cannot be read"):
        read_chart(tmp_path)
    (tmp_path / "photo.jpg").write_bytes(b"\xff\xd8\xff\xe0" * 100)
    with pytest.raises(BadInput, match="not UTF-8 text"):
        read_chart(tmp_path / "photo.jpg")
    with pytest.raises(BadInput, match="too long"):
        read_chart(write(tmp_path / "long.toml", "#" * (MOST_BYTES + 1)))
    with pytest.raises(BadInput, match="no \\[\\[row\\]\\]"):
        read_chart(write(tmp_path / "bare.toml", MINE.split("[[row]]")[0]))
    with pytest.raises(BadInput, match="at most 200"):
        read_chart(write(tmp_path / "many.toml", MINE + '[[row]]\nwidth = "3"\n' * 300))
    with pytest.raises(BadInput, match="not a chart file"):
        read_chart(write(tmp_path / "deep.toml", "notes = " + "[" * 50_000))


def test_a_chart_that_cannot_decide_says_so() -> None:
    text = MINE.split("[[row]]")[0] + '[[row]]\ncane = "fine"\n'
    chart = parse_chart(text, source="mine")
    with pytest.raises(BadInput, match="cannot decide"):
        choose(exact(16.0), charts=[chart], deciding_chart="cane-shop")


def between(meaning: str) -> Chart:
    return parse_chart(MINE.replace("centre to centre", meaning), source="mine")


def test_what_spacing_means_is_respected() -> None:
    """12 mm of wood between holes of 4.5 mm is 16.5 mm from centre to centre."""
    row = between("between").rows[0]
    assert between("between").spacing_centre_mm(row, None) == 16.5
    for meaning in ("centre to centre", "same side", "not said"):
        assert between(meaning).spacing_centre_mm(row, None) == 12.0
    wide = choose(exact(16.4), charts=[between("centre to centre")], deciding_chart="cane-shop")
    thin = choose(exact(16.4), charts=[between("between")], deciding_chart="cane-shop")
    assert wide.choice is not None
    assert thin.choice is not None
    assert wide.choice.width_mm == 2.6
    assert thin.choice.width_mm == 2.1


def test_names_of_widths() -> None:
    assert width_name(2.5) == "fine"
    assert width_name(2.0) == "superfine"
    assert also_named(2.0) == ("superfine", "fine-fine")
    assert width_name(3.25) == "common"
    assert width_name(9.0) == ""
    assert width_name(2.6, between("between")) == "No. 3"


def test_a_chart_that_is_not_there_is_named_with_those_that_are() -> None:
    with pytest.raises(BadInput, match="no chart named 'oval'") as caught:
        chart_named("oval", [between("between")])
    assert "cane-shop" in caught.value.hint
