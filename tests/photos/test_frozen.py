"""A changed number is news: the samples measure what they measured when frozen.json was written."""

import json
from typing import Any

import pytest
from freeze import FROZEN, measured

pytestmark = pytest.mark.skipif(not FROZEN.exists(), reason="not frozen yet: python tests/photos/freeze.py")


@pytest.fixture(scope="module")
def now() -> dict[str, dict[str, Any]]:
    return measured()


@pytest.fixture(scope="module")
def then() -> dict[str, dict[str, Any]]:
    frozen: dict[str, dict[str, Any]] = json.loads(FROZEN.read_text(encoding="utf-8"))
    return frozen


def test_every_sample_is_frozen(now: dict[str, Any], then: dict[str, Any]) -> None:
    assert set(now) == set(then)


def test_numbers_have_not_moved(now: dict[str, dict[str, Any]], then: dict[str, dict[str, Any]]) -> None:
    # Other builds of OpenCV and numpy decode and sum a little differently: a hundredth of a millimetre.
    moved = [
        f"{name}: {field} {was} -> {now[name][field]}"
        for name, fields in then.items()
        for field, was in fields.items()
        if now[name][field] != (pytest.approx(was, abs=0.01) if isinstance(was, float) else was)
    ]
    assert not moved, "tell it in docs/CHANGELOG.md, then run tests/photos/freeze.py"
