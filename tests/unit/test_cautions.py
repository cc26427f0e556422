"""Cautions: what is not known counts as possible, what is ruled out goes, and local rules come first."""

import pytest

from holecount.cautions import CAUTIONS, DEFER, Work, cautions_for


def names(work: Work) -> list[str]:
    return [c.name for c in cautions_for(work)]


def test_nothing_known_means_every_caution() -> None:
    assert names(Work()) == [c.name for c in CAUTIONS]


@pytest.mark.parametrize(
    ("work", "gone"),
    [
        (Work(cracks=False), {"cracks"}),
        (Work(old_finish=False), {"lead"}),
        (Work(n_blocked=0), {"cutting"}),
        (Work(cracks=True, old_finish=True, n_blocked=3), set()),
    ],
)
def test_only_what_is_ruled_out_goes(work: Work, gone: set[str]) -> None:
    assert set(names(Work())) - set(names(work)) == gone


def test_they_say_what_the_trade_says() -> None:
    text = " ".join(c.words for c in CAUTIONS).lower()
    for word in ("rags", "lead", "dust", "blade away from you", "awls slip", "cracks", "no dry sanding", "children"):
        assert word in text
    assert "local rules" in DEFER.lower()
