"""What taps do to the file of corrections."""

from typing import Any

import made_measurement as made
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

pytest.importorskip("flask", reason="the page's packages are not installed: pip install holecount[page]")

from holecount.fixes import AddedHole, Fixes, MarkedHole, Place
from holecount.jobs import Inputs, JobSettings
from holecount.page import edits
from holecount.page.edits import Stale
from holecount.troubles import BadInput

SHA = "ab" * 32
M = made.special()
START = Inputs(settings=JobSettings(name="x"))


def after(*changes: dict[str, Any], inputs: Inputs = START) -> Inputs:
    for change in changes:
        inputs = edits.apply(inputs, M, SHA, change)
    return inputs


def at(k: int, dx: float = 0.0) -> dict[str, float]:
    return {"x": M.holes[k].x_px + dx, "y": M.holes[k].y_px}


def test_striking_out_names_the_hole_that_was_touched() -> None:
    made_of = after({"do": "strike-out", **at(3, 2.0)}).fixes
    assert made_of.strike_out == (Place(x_px=round(M.holes[3].x_px, 2), y_px=round(M.holes[3].y_px, 2)),)
    assert made_of.photo_sha256 == SHA


def test_adding_where_one_was_struck_out_takes_that_back() -> None:
    holes = tuple(h for h in M.holes if h.number != 4)
    from dataclasses import replace

    without = replace(M, holes=holes)
    struck = after({"do": "strike-out", **at(3)})
    assert edits.apply(struck, without, SHA, {"do": "add", **at(3)}).fixes == Fixes()


def test_striking_out_an_added_hole_takes_the_adding_back() -> None:
    added = Inputs(
        settings=START.settings, fixes=Fixes(add=(AddedHole(**{"x_px": at(3)["x"] + 1, "y_px": at(3)["y"]}),))
    )
    assert after({"do": "strike-out", **at(3)}, inputs=added).fixes == Fixes()


def test_marking_again_replaces_the_mark_and_striking_out_ends_it() -> None:
    marked = after({"do": "mark", "status": "blocked", **at(3)}, {"do": "mark", "status": "open", **at(3)})
    assert [k.status for k in marked.fixes.mark] == ["open"]
    struck = after({"do": "strike-out", **at(3)}, inputs=marked)
    assert struck.fixes.mark == ()
    assert len(struck.fixes.strike_out) == 1


def test_marking_an_added_hole_changes_how_it_was_added() -> None:
    added = Inputs(settings=START.settings, fixes=Fixes(add=(AddedHole(x_px=at(3)["x"], y_px=at(3)["y"]),)))
    made_of = after({"do": "mark", "status": "blocked", **at(3)}, inputs=added).fixes
    assert [a.status for a in made_of.add] == ["blocked"]
    assert made_of.mark == ()


def test_a_hole_is_not_added_on_a_hole() -> None:
    with pytest.raises(BadInput, match="There is a hole already: number 4"):
        after({"do": "add", **at(3)})


def test_a_hidden_hole_can_be_added() -> None:
    hidden = next(i for i, h in enumerate(M.holes) if h.status == "hidden")
    assert len(after({"do": "add", **at(hidden)}).fixes.add) == 1


def test_what_is_no_longer_there_is_stale() -> None:
    with pytest.raises(Stale):
        after({"do": "strike-out", "x": 5.0, "y": 5.0})


def test_each_correction_can_be_taken_back() -> None:
    made_of = after(
        {"do": "strike-out", **at(3)},
        {"do": "mark", "status": "blocked", **at(6)},
        {"do": "add", "x": 30.0, "y": 30.0},
        {"do": "scale-by-hand", "points": [[10, 10], [110, 10]], "size": "100"},
    )
    listed = edits.corrections(made_of.fixes)
    assert [c.words for c in listed] == [
        "length of 100 mm placed by hand",
        "struck out",
        "added, open",
        "marked blocked",
    ]
    for c in listed:
        made_of = after({"do": "take-back", "key": c.key}, inputs=made_of)
    assert made_of.fixes == Fixes()
    with pytest.raises(Stale):
        after({"do": "take-back", "key": listed[0].key}, inputs=made_of)


CARD = [[100, 100], [356.8, 100], [356.8, 261.9], [100, 261.9]]


def test_the_longer_side_of_a_card_goes_with_the_longer_side_in_the_picture() -> None:
    for turned in range(4):
        corners = CARD[turned:] + CARD[:turned]
        scale = after({"do": "scale-by-hand", "points": corners, "size": "53.98 x 85.6 mm"}).fixes.scale
        assert (scale[0].width_mm, scale[0].depth_mm) == ((85.6, 53.98) if turned % 2 == 0 else (53.98, 85.6))


@pytest.mark.parametrize(
    "change",
    [
        None,
        3,
        [],
        {},
        {"do": 3},
        {"do": "dance"},
        {"do": "add"},
        {"do": "add", "x": "1", "y": 2},
        {"do": "add", "x": float("nan"), "y": 2},
        {"do": "add", "x": True, "y": 2},
        {"do": "add", "x": 10**400, "y": 2},
        {"do": "mark", "x": 1, "y": 2, "status": "odd"},
        {"do": "scale-by-hand"},
        {"do": "scale-by-hand", "points": CARD, "size": "big"},
        {"do": "scale-by-hand", "points": [[1, 2]], "size": "1x2"},
        {"do": "scale-by-hand", "points": [[1], 2, 3, 4], "size": "1x2"},
        {"do": "scale-by-hand", "points": [CARD[0]] * 4, "size": "85x53"},
        {"do": "scale-by-hand", "points": CARD[:2], "size": "-3"},
        {"do": "settings"},
        {"do": "settings", "settings": {"couched": 3}},
        {"do": "settings", "settings": {"folder": "/"}},
        {"do": "tape"},
        {"do": "notes", "text": 3, "was": ""},
        {"do": "notes", "text": "x" * 30_000, "was": ""},
    ],
)
def test_what_cannot_be_meant_is_one_sentence(change: Any) -> None:
    with pytest.raises(BadInput) as caught:
        edits.apply(START, M, SHA, change)
    assert str(caught.value)


VALUES = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(st.text(max_size=8), inner, max_size=5),
    max_leaves=12,
)
DOING = st.sampled_from(["strike-out", "add", "mark", "scale-by-hand", "take-back", "settings", "tape", "notes"])
KEYS = st.sampled_from(["x", "y", "status", "points", "size", "key", "settings", "text", "was"])


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # of a loaded machine, not of the code
@given(DOING, st.dictionaries(KEYS, VALUES))
def test_nothing_a_browser_sends_is_more_than_refused(do: str, rest: dict[str, Any]) -> None:
    try:
        made_of = edits.apply(START, M, SHA, {**rest, "do": do})
    except BadInput:
        return
    assert isinstance(made_of, Inputs)


def test_text_changed_elsewhere_is_not_written_over() -> None:
    mine = after({"do": "notes", "text": "Oak.", "was": ""})
    with pytest.raises(Stale):
        after({"do": "notes", "text": "Walnut.", "was": ""}, inputs=mine)
    assert after({"do": "notes", "text": "Oak.", "was": ""}, inputs=mine).notes == "Oak."  # sent twice
    assert after({"do": "notes", "text": "Ash.\r\n", "was": "Oak."}, inputs=mine).notes == "Ash.\n"


def test_marks_are_read_back_by_the_command_line() -> None:
    from holecount import fixes

    made_of = after({"do": "mark", "status": "blocked", **at(6)}, {"do": "strike-out", **at(9)}).fixes
    assert fixes.from_text(fixes.to_text(made_of)) == made_of
    assert isinstance(made_of.mark[0], MarkedHole)
