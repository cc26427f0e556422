"""The short version of tests/hostile/run.py: campaigns that need no minutes; and the contract itself can be broken."""

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
ROOT = HERE.parents[1]

from campaigns import Campaign, campaigns  # noqa: E402
from contract import Broken, Ended, hold, one_sentence, only_troubles, readable  # noqa: E402
from mutants import bytes_spoiled, json_spoiled  # noqa: E402
from surroundings import (  # noqa: E402
    Unable,
    closed_output,
    full_disk,
    kills_at_every_step,
    read_only_folder,
    too_large_a_file,
    two_at_once,
)

ALL = campaigns()
LONG = ("odd names", "not files", "full disk", "too large a file", "read only folder", "full device", "closed output",
        "two at once", "kills", "Ctrl-C", "little memory", "coverage-guided")  # fmt: skip
SHORT = [c for c in ALL if not any(words in c.name for words in LONG)]
MUCH = {"saved measurements through every verb": 0.015, "jobs with spoiled files": 0.03, "by hypothesis": 0.02}


@pytest.mark.parametrize("campaign", SHORT, ids=lambda c: c.name)
def test_campaign(campaign: Campaign, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    much = next((m for words, m in MUCH.items() if words in campaign.name), 0.04)
    outcome = campaign.run(much, 7)
    assert sum(outcome.values()) > 2


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX surroundings")
@pytest.mark.parametrize("surrounding", [read_only_folder, full_disk, too_large_a_file, closed_output])
def test_surroundings(surrounding) -> None:
    try:
        assert surrounding(5) >= 2
    except Unable as e:
        pytest.skip(str(e))


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX surroundings")
def test_saves_that_are_killed() -> None:
    assert kills_at_every_step() >= 6


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX surroundings")
def test_runs_at_once() -> None:
    assert two_at_once(2) == 6


def test_the_list_in_the_documents_names_every_campaign() -> None:
    text = (ROOT / "docs" / "hostile-input.md").read_text(encoding="utf-8")
    for campaign in ALL:
        assert f"| {campaign.name} |" in text, campaign.name
    assert "BROKEN" not in text


# The contract itself has to be able to fail.


@pytest.mark.parametrize(
    "err", ["", "holecount: one.\nholecount: two.\n", "Corrupt data\nholecount: one.\n", "holecount: a\x07b.\n",
            "holecount: " + "x" * 3000 + ".\n", "holecount: no end\n", "one sentence of somebody else.\n"]
)  # fmt: skip
def test_what_is_not_one_sentence_is_noticed(err: str) -> None:
    with pytest.raises(Broken):
        one_sentence(err)


@pytest.mark.parametrize(
    "ended",
    [
        Ended(status=1, out="", err="holecount: The program failed.\n"),
        Ended(status=0, out="", err="Traceback (most recent call last):\n"),
        Ended(status=4, out="half a result", err="holecount: It is damaged.\n"),
        Ended(status=-9, out="", err=""),
    ],
)
def test_what_breaks_the_contract_is_noticed(ended: Ended) -> None:
    with pytest.raises(Broken):
        hold(ended)


def test_faults_of_readers_are_noticed() -> None:
    def faulty(data: bytes) -> None:
        raise KeyError(data)

    with pytest.raises(Broken, match="KeyError"):
        only_troubles(faulty, b"x")
    with pytest.raises(Broken):
        readable("a\nb.")


def test_spoiling_changes_things_and_is_repeatable() -> None:
    import random

    good = bytes(range(256)) * 4
    spoiled = [bytes_spoiled(good, random.Random(k)) for k in range(100)]
    assert spoiled == [bytes_spoiled(good, random.Random(k)) for k in range(100)]
    assert sum(s != good for s in spoiled) > 90
    value = {"a": [1, 2, {"b": "c"}], "d": 1.5}
    changed = [json_spoiled(value, random.Random(k)) for k in range(100)]
    assert sum(repr(c) != repr(value) for c in changed) > 80
    assert value == {"a": [1, 2, {"b": "c"}], "d": 1.5}
