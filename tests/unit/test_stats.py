"""Statistics against numpy, by hand, and by counting."""

import numpy as np
import pytest

from holecount.holes.hole import Hole
from holecount.stats import (
    LowConfidence,
    diameter_spread,
    look_again,
    low_confidence,
    pitch_spread,
    rail_stats,
    six_inch_counts,
)


def hole(k, x, y=0.0, status="open", d=5.0, u=0.05, doubts=()):
    gauged = status == "open"
    return Hole(
        number=k, rail="front", x_px=x, y_px=y, x_mm=x, y_mm=y, u_own_centre_mm=u, status=status,
        diameter_mm=d if gauged else None, u_own_diameter_mm=0.04 if gauged else None,
        u_shared_diameter_mm=0.06 if gauged else None, arc_seen_frac=1.0, doubts=doubts,
    )  # fmt: skip


def row(places, **kwargs):
    return [hole(k + 1, x, **kwargs) for k, x in enumerate(places)]


def test_mean_pitch_depends_on_the_end_holes_alone():
    places = np.cumsum([0, 12.5, 13.1, 12.2, 12.9, 12.6])
    s = pitch_spread(row(places), closed=False, u_scale_rel=0.004)
    gaps = np.diff(places)
    assert s.mean_mm == pytest.approx(gaps.mean())
    assert s.sd_mm == pytest.approx(gaps.std(ddof=1))
    assert (s.min_mm, s.max_mm) == (pytest.approx(12.2), pytest.approx(13.1))
    assert s.min_at == (3, 4)
    assert s.max_at == (2, 3)
    assert s.u_own_mean_mm == pytest.approx(0.05 * 2**0.5 / 5)
    assert s.u_shared_mean_mm == pytest.approx(0.004 * gaps.mean())


def test_shared_error_is_not_divided_and_own_and_shared_cover():
    """21 holes, 0.06 mm own error, 0.4 % scale error: own and shared kept apart cover; lumped they would not."""
    rng = np.random.default_rng(11)
    inside = lumped = 0
    n_tries = 600
    for _ in range(n_tries):
        scale = 1 + rng.normal(0, 0.004)
        places = (np.arange(21) * 12.7 + rng.normal(0, 0.06, 21)) * scale
        s = pitch_spread(row(places, u=0.06), closed=False, u_scale_rel=0.004)
        inside += abs(s.mean_mm - 12.7) <= 1.96 * s.u_mean_mm
        lumped += abs(s.mean_mm - 12.7) <= 1.96 * s.u_mean_mm / np.sqrt(20)
    # binomial limits at 3.3 sd: 95 % +- 2.9 % of 600
    assert inside / n_tries > 0.92
    assert lumped / n_tries < 0.75


def test_hidden_hole_breaks_the_row_and_blocked_does_not():
    holes = row([0, 10, 20, 30, 40])
    holes[2] = hole(3, 20, status="hidden")
    s = pitch_spread(holes, closed=False, u_scale_rel=0.0)
    assert s.n == 2
    holes[2] = hole(3, 20, status="blocked")
    assert pitch_spread(holes, closed=False, u_scale_rel=0.0).n == 4
    stats = rail_stats("front", holes, closed=False, u_scale_rel=0.0)
    assert (stats.n_holes, stats.n_open, stats.n_blocked, stats.n_hidden) == (5, 4, 1, 0)


def test_same_side_equals_centre_to_centre_plus_half_the_difference():
    holes = [hole(1, 0.0, d=5.0), hole(2, 12.0, d=6.0), hole(3, 24.0, d=5.0)]
    s = pitch_spread(holes, closed=False, u_scale_rel=0.0, same_side=True)
    assert sorted((s.min_mm, s.max_mm)) == pytest.approx([11.5, 12.5])


def test_diameter_spread_keeps_shared_whole():
    s = diameter_spread(row(np.arange(16) * 12.0))
    assert s.u_own_mean_mm == pytest.approx(0.04 / 4)
    assert s.u_shared_mean_mm == pytest.approx(0.06)
    assert diameter_spread(row([0.0, 12.0], status="blocked")) is None


@pytest.mark.parametrize(("pitch_in", "count"), [(3 / 8, 16.0), (1 / 2, 12.0), (5 / 8, 9.6), (3 / 4, 8.0)])
def test_holes_in_six_inches_by_geometry(pitch_in, count):
    """152.4 / pitch of even rows: derived; whole holes lie within one of it."""
    pitch = pitch_in * 25.4
    holes = row(np.arange(40) * pitch, d=0.1)
    stats = rail_stats("front", holes, closed=False, u_scale_rel=0.0)
    assert stats.six_inches.from_pitch == pytest.approx(count, abs=0.01)
    assert count - 1 <= stats.six_inches.least <= stats.six_inches.most <= count + 1
    assert stats.six_inches.mean == pytest.approx(count, abs=0.15)


def test_sliding_window_against_a_dense_count():
    rng = np.random.default_rng(2)
    places = np.cumsum(rng.uniform(10, 16, 40))
    d = 5.0
    least, most, mean = six_inch_counts(row(places), closed=False)
    start = np.linspace(places[0] - d / 2, places[-1] + d / 2 - 152.4, 200001)
    dense = np.searchsorted(places + d / 2, start + 152.4, "right") - np.searchsorted(places - d / 2, start, "left")
    assert (least, most) == (dense.min(), dense.max())
    assert mean == pytest.approx(dense.mean(), abs=1e-3)


def test_ring_window_wraps_and_short_rows_have_no_count():
    t = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    ring = [hole(k + 1, 150 * np.cos(a), 150 * np.sin(a)) for k, a in enumerate(t)]
    least, most, mean = six_inch_counts(ring, closed=True)
    step = 2 * 150 * np.sin(np.pi / 60)
    assert mean == pytest.approx((152.4 - 5.0) / step, abs=1e-6)
    assert most - least <= 1
    assert six_inch_counts(row([0, 12, 24]), closed=False) == (None, None, None)


def test_low_confidence_joins_neighbours_with_the_same_doubt():
    holes = [hole(k, 12.0 * k, doubts=("glare",) if k in (3, 4, 5, 9) else ()) for k in range(1, 12)]
    stretches = low_confidence("front", holes)
    assert [(c.first_hole, c.last_hole, c.flag) for c in stretches] == [(3, 5, "glare"), (9, 9, "glare")]
    assert all(c.reason and c.advice for c in stretches)


@pytest.mark.parametrize(
    ("stretches", "words"),
    [
        ([(3, 3)], "hole 3"),
        ([(3, 3), (7, 9)], "holes 3, 7 to 9"),
        # A corner hole stands in the stretches of both its rails.
        ([(49, 61), (61, 85), (85, 100)], "holes 49 to 100"),
        ([(21, 21), (21, 22), (47, 47)], "holes 21 to 22, 47"),
        ([(21, 21), (21, 21)], "hole 21"),
        ([(1, 5), (60, 61), (66, 66), (1, 1), (106, 106)], "holes 1 to 5, 60 to 61, 66, 106"),
        ([(1, 5), (60, 61), (113, 1)], "holes 113 to 5, 60 to 61"),
    ],
)
def test_like_doubts_are_said_once_with_all_their_holes(stretches, words):
    told = {"rail": "front", "flag": "glare", "reason": "washed out by glare", "advice": "shade the lamp"}
    low = [LowConfidence(first_hole=a, last_hole=b, **told) for a, b in stretches]
    assert look_again(low) == (f"{words}: washed out by glare; shade the lamp",)
