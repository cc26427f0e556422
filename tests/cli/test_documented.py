"""What the documents promise: verbs, options, JSON fields, doubt flags and exit statuses are all in them."""

import dataclasses
import re
from pathlib import Path

import click
import made_measurement as made
import pytest

from holecount import cli, tally, troubles
from holecount.fitness import Fitness, PhotoRemark
from holecount.sharpness import Sharpness
from holecount.stats import LowConfidence

ROOT = Path(__file__).parents[2]
COMMANDS = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
GLOSSARY = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")
VERBS = cli.app.list_commands(None)  # type: ignore[arg-type]


def section(verb: str) -> str:
    found = re.search(rf"^## {verb}\n(.*?)(?=^## |\Z)", COMMANDS, re.MULTILINE | re.DOTALL)
    assert found, f"docs/commands.md has no section '## {verb}'"
    return found[1]


@pytest.mark.parametrize("verb", VERBS)
def test_every_option_is_documented(verb: str) -> None:
    text = section(verb)
    command = cli.app.get_command(None, verb)  # type: ignore[arg-type]
    assert command is not None

    def check(part: click.Command, name: str) -> None:
        for option in part.params:
            if isinstance(option, click.Option):
                for spelling in (*option.opts, *option.secondary_opts):
                    assert re.search(rf"(?<![\w-]){re.escape(spelling)}(?![\w-])", text), f"{name} {spelling}"
        for inner_name, inner in getattr(part, "commands", {}).items():
            assert inner_name in text
            check(inner, f"{name} {inner_name}")

    check(command, verb)


@pytest.mark.parametrize("verb", VERBS)
def test_no_option_is_documented_that_is_not_there(verb: str) -> None:
    command = cli.app.get_command(None, verb)  # type: ignore[arg-type]
    assert command is not None
    parts = [command, *getattr(command, "commands", {}).values()]
    known = {s for part in parts for o in part.params for s in o.opts} | {"--help", "--version", "--force"}
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", section(verb))) <= known


def test_every_exit_status_is_documented() -> None:
    kinds = [troubles.Trouble, *troubles.Trouble.__subclasses__()]
    for status in {0, 2, 130} | {kind.exit_code for kind in kinds}:
        assert f"| {status} |" in COMMANDS


def in_code(name: str) -> bool:
    return f"`{name}`" in GLOSSARY


def test_every_json_field_is_in_the_glossary() -> None:
    def names(value: object) -> set[str]:
        if isinstance(value, dict):
            return set(value).union(*map(names, value.values()))
        if isinstance(value, list):
            return set().union(*map(names, value))
        return set()

    fields = names(tally.to_dict(made.special()))
    assert {"u_diameter_mm", "u_mean_mm", "misfit"} <= fields
    missing = sorted(f for f in fields if not in_code(f))
    assert not missing


def test_every_field_of_look_is_in_the_glossary() -> None:
    for kind in (Fitness, Sharpness, PhotoRemark, LowConfidence):
        for field in dataclasses.fields(kind):
            assert in_code(field.name), field.name


def test_every_doubt_is_in_the_glossary_in_the_same_words() -> None:
    for doubt in troubles.DOUBTS.values():
        assert f"| `{doubt.flag}` | {doubt.words} |" in GLOSSARY


def test_the_glossary_names_no_flag_that_is_not_there() -> None:
    flags = GLOSSARY.split("## Doubt flags")[1].split("## ")[0]
    assert set(re.findall(r"^\| `([a-z-]+)`", flags, re.MULTILINE)) == set(troubles.DOUBTS)


def test_readme_has_two_commands_of_one_line_each() -> None:
    blocks = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
    assert len(blocks) == 2
    assert all(block.count("\n") == 1 for block in blocks)
    assert "holecount measure samples/" in blocks[0]
    sample = re.search(r"samples/\S+", blocks[0])
    assert sample
    assert (ROOT / sample[0]).is_file()
    assert "pytest" in blocks[1]


DOCUMENTS = ["README.md", "DEVELOPERS.md", *(f"docs/{p.name}" for p in sorted((ROOT / "docs").glob("*.md")))]


@pytest.mark.parametrize("document", DOCUMENTS)
def test_links_lead_somewhere(document: str) -> None:
    path = ROOT / document
    text = path.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text):
        assert (path.parent / target).exists(), target


def test_every_room_of_the_house_is_on_its_map() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for room in (ROOT / "holecount").iterdir():
        if room.suffix == ".py" and room.name != "__init__.py":
            assert f"`{room.name}`" in text, room.name
        elif (room / "__init__.py").is_file():
            assert f"`{room.name}/`" in text, room.name


def test_fix_file_example_is_one() -> None:
    from holecount import fixes

    text = (ROOT / "docs" / "fix-file.md").read_text(encoding="utf-8")
    example = re.search(r"```json\n(.*?)```", text, re.DOTALL)
    assert example
    made_of_it = fixes.from_text(example[1])
    assert made_of_it.scale
    assert made_of_it.add
    assert made_of_it.strike_out
    assert made_of_it.mark
    for name in ("ends", "length", "corners", "width", "depth", "status", "number", "photo_sha256", "holecount_fixes"):
        assert f"`{name}`" in text or f"`scale[].{name}`" in text or f"`{name}`" in text.replace("scale[].", "")


def test_known_objects_are_named() -> None:
    from holecount.scale.known_objects import known_objects

    for key in known_objects():
        assert f"`{key}`" in COMMANDS
