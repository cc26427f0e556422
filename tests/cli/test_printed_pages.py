"""Pages that show what the program prints: every verb's help, and the worked example, against the program itself."""

import importlib.util
import math
import re
from pathlib import Path

import click
import pytest

from holecount import cli

ROOT = Path(__file__).parents[2]
spec = importlib.util.spec_from_file_location("refresh", ROOT / "docs" / "refresh.py")
assert spec
assert spec.loader
refresh = importlib.util.module_from_spec(spec)
spec.loader.exec_module(refresh)

VERBS = cli.app.list_commands(click.Context(cli.app))
HELP = refresh.HELP.read_text(encoding="utf-8")
REFRESH = "; if that is meant, run: python docs/refresh.py"
NUMBER = re.compile(r"\d+(?:\.\d+)?(?: %)?")


def words(text: str) -> str:
    return re.sub(r"\s+", " ", text)


def section(verb: str) -> str:
    found = re.search(rf"^## {verb}\n(.*?)(?=^## |\Z)", HELP, re.MULTILINE | re.DOTALL)
    assert found, f"docs/help.md has no section of {verb}{REFRESH}"
    return words(found[1])


@pytest.mark.parametrize("verb", VERBS)
def test_every_verbs_help_is_shown(verb: str) -> None:
    """Word by word, line breaks aside: those and some brackets differ from one version of click to the next."""
    command = cli.app.get_command(click.Context(cli.app), verb)
    assert command is not None
    assert command.help
    text = section(verb)
    for paragraph in command.help.replace("\b", "").split("\n\n"):
        assert words(paragraph.strip()) in text, f"{verb}: {paragraph}{REFRESH}"
    for option in command.params:
        if isinstance(option, click.Option):
            assert all(name in text for name in option.opts), f"{verb} {option.opts}{REFRESH}"
            assert words(option.help or "") in text, f"{verb} {option.opts}{REFRESH}"


def test_no_verb_is_shown_that_is_not_there() -> None:
    assert re.findall(r"^## (.*)$", HELP, re.MULTILINE) == VERBS


def alike(written: str, printed: str) -> bool:
    """The same words; whole numbers the same, others within 3 % or three of the last figure; chances within 10 %."""
    if NUMBER.sub("#", words(written)) != NUMBER.sub("#", words(printed)):
        return False
    for a, b in zip(NUMBER.findall(written), NUMBER.findall(printed), strict=True):
        if a.endswith("%") and b.endswith("%"):
            if abs(float(a[:-1]) - float(b[:-1])) > 10:
                return False
            continue
        whole = "." not in a and "." not in b
        last = 10.0 ** -(len(a.partition(".")[2]))
        if (a != b) if whole else not math.isclose(float(a), float(b), rel_tol=0.03, abs_tol=3 * last):
            return False
    return True


def test_the_worked_example_is_what_the_commands_print() -> None:
    shown = list(refresh.example(refresh.EXAMPLE.read_text(encoding="utf-8")))
    assert len(shown) >= 7
    for s in shown:
        assert len(s.written) == len(s.printed), f"{s.command}: {s.printed}{REFRESH}"
        for written, printed in zip(s.written, s.printed, strict=True):
            assert alike(written, printed), f"{s.command}\nwritten: {written}\nprinted: {printed}\n{REFRESH}"


def test_what_counts_as_alike() -> None:
    assert alike("68 holes, 16.60 ± 0.07 mm", "68 holes,  16.62 ± 0.08 mm")
    assert not alike("68 holes", "69 holes")
    assert not alike("16.60 mm", "17.60 mm")
    assert not alike("Verdict: good", "Verdict: check")
