"""``holecount plan``: streams, forms, options, refusals."""

import json
from pathlib import Path
from typing import Any

import click
import made_measurement as made
import pytest
from click.testing import CliRunner, Result

from holecount import tally
from holecount.cli import run
from holecount.cli.plan import command
from holecount.strands import CaneSettings

PANEL = ("--front", "8", "--back", "8", "--left", "8", "--right", "8")


def ask(*arguments: str) -> Result:
    return CliRunner().invoke(command, arguments)


def record(*arguments: str) -> dict[str, Any]:
    result = ask(*arguments, "--as", "json")
    assert result.exit_code == 0, result.output
    made_of_it = json.loads(result.stdout)
    assert isinstance(made_of_it, dict)
    return made_of_it


@pytest.fixture
def saved(tmp_path: Path) -> Path:
    path = tmp_path / "my chair.json"
    path.write_text(tally.to_json(made.special()), encoding="utf-8")
    return path


def test_perrys_panel_typed() -> None:
    plan = record(*PANEL, "--pitch", "1/2")
    assert plan["runs"] == 52
    assert plan["runs_by_step"] == {"1": 6, "2": 6, "3": 6, "4": 6, "5": 14, "6": 14}
    assert len(plan["strands"]) == 52
    assert {"step", "from", "to"} <= set(plan["strands"][0])
    assert sorted(plan["per_hole"].values()) == [2] * 4 + [4] * 24
    assert plan["fullest"] == {"n_strands": 4, "holes": [k for k in range(1, 29) if k not in (1, 8, 15, 22)]}
    assert plan["warnings"] == []
    low, high = plan["buy_interval_m"]
    assert low < plan["net_m"] < plan["buy_m"] < high
    assert plan["net_m"] == pytest.approx(sum(plan["net_by_step_m"].values()), abs=0.005)
    assert plan["net_m"] == pytest.approx(sum(plan["parts_m"].values()), abs=0.005)
    assert "charge" not in plan


def test_without_a_pitch_there_is_a_plan_but_no_length() -> None:
    plan = record(*PANEL)
    assert plan["runs"] == 52
    assert plan["net_m"] is None
    assert plan["buy_m"] is None
    assert plan["strands"][0]["span_mm"] is None
    assert any("--pitch" in w for w in plan["warnings"])
    assert "Cane, net" not in ask(*PANEL).stdout


def test_a_ring_typed() -> None:
    plan = record("--ring", "65", "--across", "330mm", "--thickness", "20mm")
    assert plan["n_holes"] == 65
    assert plan["shape"] == "round"
    assert plan["net_m"] > 30
    assert plan["cane"]["thickness_mm"] == 20
    oval = record("--ring", "64", "--across", "14in", "--deep", "12in")
    assert oval["shape"] == "oval"


def test_a_measurement_in_pixels_has_a_plan_but_no_length(tmp_path: Path) -> None:
    path = tmp_path / "pixels.json"
    path.write_text(tally.to_json(made.measurement_of(made.square_seat(), scale=False)), encoding="utf-8")
    plan = record(str(path))
    assert plan["runs"] == 76
    assert plan["net_m"] is None
    assert any("no millimetres" in w for w in plan["warnings"])


def test_the_wing_has_three_short_verticals() -> None:
    plan = record("--front", "10", "--back", "7", "--left", "9", "--right", "9", "--pitch", "1/2", "--wing", "left")
    assert len(plan["short"]) == 3
    assert plan["layouts"][0]["total"] <= plan["layouts"][1]["total"]


def test_a_saved_measurement_tells_hidden_and_blocked_holes(saved: Path) -> None:
    plan = record(str(saved))
    assert plan["name"] == "my chair"
    assert any(w.startswith("Hole 13 was not seen") for w in plan["warnings"])
    assert any(w.startswith("Hole 5 is packed") for w in plan["warnings"])
    assert plan["runs"] == 4 * (10 + 10) - 4


def test_the_table_goes_from_warnings_over_strands_to_cane(saved: Path) -> None:
    result = ask(str(saved), "--couched", "--couch-every", "2")
    assert result.exit_code == 0
    parts = [
        "Strand plan: my chair",
        "Before the first strand:",
        "Step 1: first verticals",
        "Step 6: second diagonals",
        "Strands through a hole",
        "Chosen (mirrored)",
        "Cane, net:",
        "couching, every second hole",
        "To buy:",
        "Binder:",
    ]
    places = [result.stdout.index(p) for p in parts]
    assert places == sorted(places)
    assert "Charge" not in result.stdout
    assert result.stderr == ""


def test_several_seats_and_several_chairs_are_added_up(saved: Path) -> None:
    one = record(str(saved))
    six = record(str(saved), "--chairs", "6")
    assert six["net_m"] == one["net_m"]
    assert six["together"]["n_seats"] == 6
    assert six["together"]["net_m"] == pytest.approx(6 * one["net_m"], abs=0.01)
    both = record(str(saved), str(saved), "--chairs", "2")
    assert len(both["seats"]) == 2
    assert both["together"]["n_seats"] == 4
    assert "4 seats together: net" in ask(str(saved), str(saved), "--chairs", "2").stdout


def test_settings_change_the_lengths() -> None:
    plain = record(*PANEL, "--pitch", "1/2")
    given = ("--strand-length", "10ft", "--tail", "4in", "--allowance", "2", "--hank", "100m", "--coil", "50m")
    other = record(*PANEL, "--pitch", "1/2", *given, "--couched", "--binder", "6mm")
    assert other["buy_m"] == pytest.approx(2 * (other["net_m"] + other["couching_m"]), abs=0.01)
    assert other["hanks"] == pytest.approx(other["buy_m"] / 100, abs=0.001)
    assert other["coils"] == pytest.approx(other["buy_m"] / 50, abs=0.001)
    assert other["net_m"] > plain["net_m"]
    assert other["cane"]["length_mm"] == pytest.approx(3048)


def test_the_charge_is_made_only_when_asked_for(saved: Path) -> None:
    charge = record(str(saved), "--rate", "1.50", "--material", "20", "--extra", "new peg=2,5", "--currency", "kr")[
        "charge"
    ]
    assert charge["total"] == "81.00"  # 39 holes seen of 40.
    assert charge["currency"] == "kr"
    assert "1 hidden hole is not charged" in charge["notes"][0]
    told = ask(str(saved), "--rate", "1.50").stdout
    assert "39 holes at 1.50" in told


def test_cane_too_wide_names_the_holes(saved: Path) -> None:
    narrow = record(str(saved), "--cane", "2mm")
    wide = record(str(saved), "--cane", "4mm")
    assert not any("will not go through" in w for w in narrow["warnings"])
    assert any("4 mm cane" in w and "will not go through" in w for w in wide["warnings"])


def test_corner_holes_may_be_given(saved: Path) -> None:
    plan = record(str(saved), "--corner-holes", "2, 11, 21, 31")
    assert sorted(plan["corner_holes"].values()) == [2, 11, 21, 31]
    assert any("Left 9 and right 9" in w or "not mirror images" in w or "one odd" in w for w in plan["warnings"])


def test_drawings_are_written_and_not_overwritten(saved: Path, tmp_path: Path) -> None:
    folder = tmp_path / "drawings"
    result = ask(str(saved), "--draw", str(folder), "-o", str(tmp_path / "plan.txt"))
    assert result.exit_code == 0
    assert result.stdout == ""
    assert sorted(p.name for p in folder.iterdir()) == ["all-steps.svg", *(f"step-{k}.svg" for k in range(1, 7))]
    assert "Step 6" in (tmp_path / "plan.txt").read_text(encoding="utf-8")
    assert run(["plan", str(saved), "--draw", str(folder)]) == 5
    assert run(["plan", str(saved), "--draw", str(folder), "--force"]) == 0
    two = ask(str(saved), str(saved), "--draw", str(tmp_path / "two"))
    assert two.exit_code == 0
    assert len(list((tmp_path / "two").glob("*/step-1.svg"))) == 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "one of these"),
        (("--front", "8"), "--back, --left, --right is missing"),
        ((*PANEL, "--ring", "65"), "one of these"),
        (("--ring", "65"), "--ring needs --across"),
        (("--ring", "65", "--across", "330mm", "--pitch", "1/2"), "leave out --pitch"),
        ((*PANEL, "--pitch", "half"), "not a length"),
        ((*PANEL, "--pitch", "1/2", "--hank", "1000"), "not a length of cane"),
        ((*PANEL, "--pitch", "1/2", "--allowance", "0.5"), "1 to 10 times"),
        ((*PANEL, "--rate", "much"), "not an amount"),
        ((*PANEL, "--extra", "peg"), "WORDS=AMOUNT"),
        ((*PANEL, "--corner-holes", "1,2,3,4"), "belongs to a saved measurement"),
        ((*PANEL, "--chairs", "0"), "0 is not in the range"),
    ],
)
def test_wrong_use_is_told_in_a_sentence(arguments: tuple[str, ...], words: str) -> None:
    result = ask(*arguments)
    assert result.exit_code == 2
    assert words in " ".join(result.stderr.split())
    assert result.stdout == ""


def test_bad_files_end_with_4(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "bad.json"
    bad.write_text("no", encoding="utf-8")
    for arguments in (
        ["plan", str(bad)],
        ["plan", str(tmp_path / "none.json")],
        ["plan", "--front", "40", "--back", "8", "--left", "8", "--right", "8"],
        ["plan", *PANEL, "--cane", "2.5mm"],
    ):
        assert run(arguments) == 4
        said = capsys.readouterr()
        assert said.out == ""
        assert said.err.startswith("holecount: ")


def test_corner_holes_that_make_no_sense(saved: Path) -> None:
    assert run(["plan", str(saved), "--corner-holes", "1,11,21,99"]) == 4
    assert ask(str(saved), "--corner-holes", "1,11,21").exit_code == 2
    assert ask(str(saved), str(saved), "--corner-holes", "1,11,21,31").exit_code == 2


DOCS = Path(__file__).parents[2] / "docs"


def test_every_option_is_told_in_the_two_pages() -> None:
    text = "".join((DOCS / page).read_text(encoding="utf-8") for page in ("strand-plan.md", "buying-and-charging.md"))
    for option in command.params:
        if isinstance(option, click.Option):
            for spelling in option.opts:
                assert f"`{spelling}" in text, spelling


def test_every_json_field_is_told(saved: Path) -> None:
    text = (DOCS / "strand-plan.md").read_text(encoding="utf-8")
    plan = record(str(saved), "--rate", "1", "--chairs", "2", "--couched")

    def names(value: object) -> set[str]:
        if isinstance(value, dict):
            return {k for k in value if not k.isdigit()}.union(*map(names, value.values()))
        return set().union(*map(names, value)) if isinstance(value, list) else set()

    assert not {name for name in names(plan) if f"`{name}`" not in text}


def test_the_factors_in_the_page_are_those_in_use() -> None:
    text = " ".join((DOCS / "buying-and-charging.md").read_text(encoding="utf-8").split())
    given = CaneSettings()
    assert f"{given.low_factor:g} to {given.high_factor:g} times the net length" in text
