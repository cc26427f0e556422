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


def same(field: str, was: Any, fields: dict[str, Any], now: Any) -> bool:
    """Whether a figure stayed: other builds of OpenCV and numpy decode and sum a little differently.

    A mean may move by a third of its stated error, a stated error by a seventh.
    """
    if not isinstance(was, float) or not isinstance(now, float):
        return bool(was == now)
    slack = 0.15 * was if field.startswith("u_") else 0.33 * fields[f"u_{field}"]
    return abs(now - was) <= slack


def test_numbers_have_not_moved(now: dict[str, dict[str, Any]], then: dict[str, dict[str, Any]]) -> None:
    moved = [
        f"{name}: {field} {was} -> {now[name][field]}"
        for name, fields in then.items()
        for field, was in fields.items()
        if not same(field, was, fields, now[name][field])
    ]
    assert not moved, "tell it in docs/CHANGELOG.md, then run tests/photos/freeze.py"
