"""Open rows: over unseen holes, round a corner not, one hole once."""

import numpy as np

from holecount.holes.rows import RowSettings, trace_rows


def row(n: int, step: float = 12.0, at: tuple[float, float] = (0.0, 0.0), turn_deg: float = 0.0) -> np.ndarray:
    a = np.radians(turn_deg)
    return np.array(at) + step * np.arange(n)[:, None] * [np.cos(a), np.sin(a)]


def test_a_row_goes_on_over_holes_that_are_not_seen() -> None:
    at = row(20)
    seen = np.delete(at, [6, 7, 8], axis=0)
    rows = trace_rows(seen, np.ones(len(seen)), 12.0)
    assert len(rows) == 1
    assert len(rows[0].index) == 20
    assert (rows[0].index < 0).sum() == 3
    places = rows[0].xy_mm[np.argsort(rows[0].xy_mm[:, 0])]
    assert np.allclose(places, at)


def test_not_over_more_than_it_may_and_not_round_a_corner() -> None:
    far = np.delete(row(24), range(9, 9 + RowSettings().bridge_steps + 1), axis=0)
    assert sorted(len(r.index) for r in trace_rows(far, np.ones(len(far)), 12.0)) == [9, 10]
    ell = np.vstack([row(12), row(12, at=(11 * 12.0, 12.0), turn_deg=90)])
    rows = trace_rows(ell, np.ones(len(ell)), 12.0)
    assert sorted(len(r.index) for r in rows) == [11, 13]  # the corner is in line with both, and is counted once


def test_a_hole_with_two_marks_is_in_one_row_once() -> None:
    at = row(15)
    twice = np.vstack([at, at + np.array([0.0, 2.5])])
    rows = trace_rows(twice, np.ones(len(twice)), 12.0)
    assert [len(r.index) for r in rows] == [15]


def test_faint_marks_carry_a_row_on_but_begin_none() -> None:
    at = row(16)
    clear = np.ones(16, bool)
    clear[[3, 4, 9, 10, 11]] = False
    rows = trace_rows(at, np.ones(16), 12.0, start=clear)
    assert [len(r.index) for r in rows] == [16]
    assert trace_rows(at, np.ones(16), 12.0, start=np.arange(16) < 6) == []


def test_scattered_marks_are_no_row() -> None:
    rng = np.random.default_rng(5)
    at = rng.uniform(0, 400, (120, 2))
    assert all(len(r.index) < 10 for r in trace_rows(at, np.ones(120), 12.0))
