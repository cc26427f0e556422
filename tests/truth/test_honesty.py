"""Honesty by simulation: the counting is right, and a few drawn cases are measured every time.

The figures of hundreds are on docs/accuracy.md, made by ``tests/truth/honesty.py``.
"""

from dataclasses import replace

import numpy as np
import pytest
from honesty import STRAINS, Case, binomial_limits, honesty, run, seed_and_plan, told
from scipy.stats import binom

MEASURED = (5, 6, 14, 89)
"""Numbers of the cases that are measured here: a blurred one, two plain ones, one with a hole drilled twice."""


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> list[Case]:
    folder = tmp_path_factory.mktemp("drawn")
    return [run(number, folder) for number in MEASURED]


def test_wrong_is_never_good(measured: list[Case]) -> None:
    assert not [c for c in measured if c.wrong and c.verdict == "good"]
    assert sum(not c.refused and not c.wrong for c in measured) >= 2


def test_errors_are_about_what_is_stated(measured: list[Case]) -> None:
    z = [v for c in measured for v in (c.pitch_z, c.diameter_z) if np.isfinite(v)]
    assert len(z) >= 4
    assert np.abs(z).max() < 4
    assert sum(abs(v) <= 2 for v in z) >= binomial_limits(len(z), 0.9545, 0.001)[0]


def test_a_hole_drilled_twice_is_told_or_counted(measured: list[Case]) -> None:
    doubled = [c for c in measured if c.kind == "doubled"]
    assert doubled
    for c in doubled:
        assert not c.wrong or any("beside the row" in reason or "usual pitch" in reason for reason in c.reasons)


@pytest.mark.parametrize(("n", "share"), [(20, 0.5), (119, 0.6827), (300, 0.9545), (7, 0.9)])
def test_binomial_limits(n: int, share: float) -> None:
    least, most = binomial_limits(n, share)
    assert least == binom.ppf(0.005, n, share)
    assert most == binom.ppf(0.995, n, share)


def case(**given: object) -> Case:
    usual = {
        "number": 0, "kind": "plain", "scale_kind": "card", "tilt_deg": 8.0, "radius_px": 9.0, "blur_px": 0.5,
        "verdict": "good", "pitch_off_rel": 0.002, "diameter_off_mm": 0.05, "pitch_z": 0.4, "diameter_z": -0.6,
        "singles": (0.5, -1.5, 2.5),
    }  # fmt: skip
    return Case(**{**usual, **given})


def test_what_is_wrong() -> None:
    assert not case().wrong
    assert case(n_missed=1).wrong
    assert case(n_false=1).wrong
    assert case(pitch_off_rel=-0.021).wrong
    assert case(diameter_off_mm=0.26).wrong


def test_recall_alarms_and_coverage_are_counted() -> None:
    right, wrong = case(), case(n_missed=1, verdict="check")
    cases = [
        right, right, right, replace(right, verdict="check"),  # one false alarm in four
        wrong, wrong, wrong, replace(wrong, verdict="good"),  # three of four told
        replace(right, verdict="check", alarm=True),  # a hole is missing: no false alarm
        replace(right, refused=True, verdict=""),
        replace(right, pitch_z=1.5, diameter_z=2.5),
    ]  # fmt: skip
    h = honesty(cases)
    assert (h.n, h.refused, h.wrong, h.wrong_good, h.right, h.right_check) == (11, 1, 4, 1, 5, 1)
    assert h.recall == pytest.approx(0.75)
    assert h.false_alarms == pytest.approx(0.2)
    assert h.coverage["pitch"] == (5, 6, 6)  # those whose count is right
    assert h.coverage["diameter"] == (5, 5, 6)
    assert h.coverage["single bores"] == (6, 12, 18)
    assert "recall 75.0 %" in told(cases)


def test_cases_are_of_every_kind_and_the_same_each_time() -> None:
    kinds = [seed_and_plan(n)[1] for n in range(100)]
    assert set(kinds) == {"plain", *STRAINS}
    assert kinds.count("plain") == 50
    assert seed_and_plan(17) == seed_and_plan(17)
    assert seed_and_plan(17)[2] != seed_and_plan(43)[2]
