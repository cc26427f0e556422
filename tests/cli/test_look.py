"""The verb look: its JSON is what the glossary's tables say, field by field and kind by kind."""

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from holecount.cli import run
from holecount.cli.look import SCHEMA

ROOT = Path(__file__).parents[2]

KINDS: dict[str, tuple[type, ...]] = {
    "whole number": (int,),
    "number": (int, float),
    "text": (str,),
    "null": (type(None),),
    "object": (dict,),
}


def tables() -> dict[str, dict[str, str]]:
    """Of each object in the result: field and kind, as the glossary has them; the object itself goes by no name."""
    told = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8").split("## `look` in JSON\n")[1]
    parts = re.split(r"^### `(\w+)(?:\[\])?`\n", "### `_`\n" + told.split("\n## ")[0], flags=re.MULTILINE)[1:]
    rows = r"^\| `(\w+)` \| ([^|]+?) \| [^|]+ \|$"
    return {
        name: dict(re.findall(rows, text, re.MULTILINE)) for name, text in zip(parts[::2], parts[1::2], strict=True)
    }


def is_kind(value: Any, kind: str) -> bool:
    if kind.startswith("list of "):
        single = kind.removeprefix("list of ").removesuffix("s")
        return isinstance(value, list) and all(is_kind(v, single) for v in value)
    return any(isinstance(value, KINDS[k]) and not isinstance(value, bool) for k in kind.split(" or "))


def departures(said: dict[str, Any]) -> list[str]:
    """Where a result is not what the tables say."""
    told = tables()
    out = []
    for name, fields in told.items():
        values = [said] if name == "_" else said[name] if isinstance(said[name], list) else [said[name]]
        for value in values:
            out += [f"{name}: {f}" for f in set(value) ^ set(fields)]
            out += [f"{name}: {f} is {value[f]!r}" for f in value if f in fields and not is_kind(value[f], fields[f])]
    return out


def look(photo: Path, capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, dict[str, Any]]:
    status = run(["look", str(photo), "--as", "json", *more])
    said = json.loads(capsys.readouterr().out)
    assert isinstance(said, dict)
    return status, said


@pytest.mark.parametrize("more", [(), ("--pixels",), ("--card", "a4")])
def test_what_look_says_is_what_the_glossary_tells(more: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    status, said = look(ROOT / "samples" / "round-stool.jpg", capsys, *more)
    assert departures(said) == []
    assert said["schema"] == SCHEMA
    assert said["n_holes"] == 47
    assert (said["tilt_deg"] is None) == (said["scale_words"] == []) == bool(more)
    assert (status, said["grade"] == "unfit") == ((3, True) if "--card" in more else (0, False))


def test_so_it_is_where_nothing_is_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    blank = tmp_path / "blank.png"
    Image.fromarray(np.full((600, 800), 255, np.uint8)).save(blank)
    status, said = look(blank, capsys)
    assert (status, said["grade"]) == (3, "unfit")
    assert departures(said) == []
    assert said["sharpness"]["blur_px"] is None
    assert said["scale_words"] == []
    assert said["remarks"]


def test_a_departure_would_be_seen(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    blank = tmp_path / "blank.png"
    Image.fromarray(np.full((600, 800), 255, np.uint8)).save(blank)
    _, said = look(blank, capsys)
    assert len(tables()["_"]) == len(said)
    for spoiled in (
        {**said, "more": 1},
        {k: v for k, v in said.items() if k != "tilt_deg"},
        {**said, "n_holes": 1.5},
        {**said, "grade": None},
        {**said, "schema": True},
        {**said, "scale_words": "none"},
        {**said, "remarks": [{"what": "It is dark."}]},
        {**said, "sharpness": {**said["sharpness"], "blur_px": "much"}},
    ):
        assert departures(spoiled), spoiled
