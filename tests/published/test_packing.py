"""Strands in a bore against the known optimal packings of equal circles in a circle, and against chance."""

import math

import numpy as np
import pytest

from holecount.sizing import bore_needed_mm
from holecount.sizing.pack_search import ASPECTS, N_MAX, search
from holecount.sizing.packing import StrandSettings, fit, layout_mm, least_bore_mm, thickest_mm

# Radius of the smallest circle round n unit circles: R. L. Graham, Sets of points with given minimum separation,
# Amer. Math. Monthly 75, 1968 (n to 7); U. Pirl, Math. Nachr. 40, 1969 (n to 10); H. Melissen, Geom. Dedicata 50,
# 1994 (n = 11); F. Fodor, Beitr. Algebra Geom. 41, 2000 (n = 12).
CIRCLES = {
    1: 1.0,
    2: 2.0,
    3: 1 + 2 / math.sqrt(3),
    4: 1 + math.sqrt(2),
    5: 1 + math.sqrt(2 * (1 + 1 / math.sqrt(5))),
    6: 3.0,
    7: 3.0,
    8: 1 + 1 / math.sin(math.pi / 7),
    9: 1 + math.sqrt(2 * (2 + math.sqrt(2))),
    10: 3.813025631,
    11: 1 + 1 / math.sin(math.pi / 9),
    12: 4.029601924,
}


@pytest.mark.parametrize("n", range(1, N_MAX + 1))
def test_round_strands_are_circles_in_a_circle(n: int) -> None:
    """Width = thickness = 2: the bore over two is the published radius ratio."""
    assert bore_needed_mm(n, 2.0, 2.0) / 2 == pytest.approx(CIRCLES[n], abs=2e-4)


@pytest.mark.parametrize("n", [n for n in CIRCLES if n > N_MAX])
def test_beyond_the_table_the_bore_is_on_the_large_side(n: int) -> None:
    assert CIRCLES[n] <= bore_needed_mm(n, 2.0, 2.0) / 2 <= 1.05 * CIRCLES[n]


def inside_strand(points: np.ndarray, strand: tuple[float, float, float], width: float, thickness: float) -> np.ndarray:
    """Which points (k, 2) lie in a flat bar with rounded edges; written apart from the search's own geometry."""
    x, y, turn = strand
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    u = (points[:, 0] - x) * c + (points[:, 1] - y) * s
    v = -(points[:, 0] - x) * s + (points[:, 1] - y) * c
    beyond = np.maximum(np.abs(u) - (width - thickness) / 2, 0.0)
    return np.hypot(beyond, v) <= thickness / 2 - 5e-5  # the table's places are rounded to 1e-5


@pytest.mark.parametrize("n", range(1, N_MAX + 1))
@pytest.mark.parametrize("aspect", [1.0, 2.25, 4.0])
def test_layouts_are_proofs_by_monte_carlo(n: int, aspect: float) -> None:
    """No point thrown lies in two strands or outside the bore, and the hits add up to the strands' area."""
    rng = np.random.default_rng(n)
    bore = bore_needed_mm(n, aspect, 1.0)
    half = 0.52 * bore
    points = rng.uniform(-half, half, (20_000, 2))
    hits = sum(inside_strand(points, s, aspect, 1.0).astype(int) for s in layout_mm(n, aspect, 1.0))
    assert np.max(hits) == 1
    assert (np.hypot(*points[hits > 0].T) <= bore / 2 + 1e-6).all()
    area = n * (aspect - 1 + math.pi / 4)
    share = area / (2 * half) ** 2
    assert np.mean(hits) == pytest.approx(share, abs=4 * math.sqrt(share / 20_000))


@pytest.mark.parametrize(("n", "aspect"), [(4, 2.25), (6, 2.25), (6, 1.875), (8, 2.5)])
def test_strands_thrown_in_at_random_never_need_less(n: int, aspect: float) -> None:
    """Monte Carlo: strands dropped one by one where there is room never all get into a bore 1 % smaller."""
    rng = np.random.default_rng(8)
    bore = 0.99 * bore_needed_mm(n, aspect, 1.0)
    half = (aspect - 1) / 2
    grid = np.linspace(-half, half, 9)
    most = 0
    for _ in range(60):
        placed: list[np.ndarray] = []
        for _ in range(60):
            x, y = rng.uniform(-bore / 2, bore / 2, 2)
            turn = rng.normal(0, 0.1)
            core = np.column_stack([x + grid * math.cos(turn), y + grid * math.sin(turn)])
            if np.hypot(*core.T).max() > bore / 2 - 0.5:
                continue
            if all(np.hypot(*(core[:, None] - other[None]).transpose(2, 0, 1)).min() >= 1 for other in placed):
                placed.append(core)
        most = max(most, len(placed))
    assert 1 <= most < n


@pytest.mark.parametrize(("n", "aspect"), [(4, 2.19), (6, 2.44), (6, 1.94), (5, 3.3)])
def test_between_the_tables_widths_a_fresh_search_agrees(n: int, aspect: float) -> None:
    """A short search may end a little above the long one, never much below it."""
    found, _ = search(n, aspect, starts=8, seed=3)
    assert 0.985 * found <= bore_needed_mm(n, aspect, 1.0) <= 1.005 * found


def test_side_by_side_and_stacked() -> None:
    """Two strands lie on each other; their bore by Pythagoras."""
    for aspect in (2.0, 2.5, 3.0):
        by_hand = 2 * (math.hypot((aspect - 1) / 2, 0.5) + 0.5)
        assert bore_needed_mm(2, aspect, 1.0) == pytest.approx(by_hand, abs=2e-4)


def test_never_less_for_more_or_wider_or_thicker_strands() -> None:
    widths = np.linspace(1.0, 4.0, 13)
    for n in range(1, 15):
        for w in widths:
            assert bore_needed_mm(n + 1, w, 1.0) >= bore_needed_mm(n, w, 1.0) - 1e-9
            assert bore_needed_mm(n, w + 0.25, 1.0) >= bore_needed_mm(n, w, 1.0) - 1e-9
    for n in (4, 6, 8):
        for t in np.linspace(0.6, 1.3, 15):
            assert bore_needed_mm(n, 2.5, t + 0.05) >= bore_needed_mm(n, 2.5, t) - 0.003


def test_bores_grow_with_the_strands() -> None:
    for n in (1, 4, 6, 8, 13):
        assert bore_needed_mm(n, 5.0, 2.2) == pytest.approx(2 * bore_needed_mm(n, 2.5, 1.1))


def test_area_is_a_floor() -> None:
    for n in range(1, 17):
        for aspect in (*ASPECTS, 10.0):
            area = n * (aspect - 1 + math.pi / 4)
            assert math.pi / 4 * bore_needed_mm(n, aspect, 1.0) ** 2 >= area


def test_verdicts_in_words() -> None:
    s = StrandSettings()
    need = bore_needed_mm(6, 2.25, 1.0)
    assert fit(6, 2.25, 1.0, need, s) == "tight"
    assert fit(6, 2.25, 1.0, need / 1.049, s) == "tight"
    assert fit(6, 2.25, 1.0, need / 1.051, s) == "will not go"
    assert fit(6, 2.25, 1.0, bore_needed_mm(8, 2.25, 1.0), s) == "fits easily"


def test_thickest_strand_that_goes() -> None:
    s = StrandSettings()
    thick = thickest_mm(6, 2.5, 4.76, s)
    assert thick is not None
    assert least_bore_mm(6, 2.5, thick, s) <= 4.76 < least_bore_mm(6, 2.5, thick + 0.02, s)
    assert thickest_mm(8, 3.5, 2.0, s) is None
    assert thickest_mm(1, 1.5, 6.0, s) == 1.5


@pytest.mark.parametrize(("n", "width", "thickness"), [(0, 2.0, 1.0), (4, 0.0, 1.0), (4, 2.0, -1.0)])
def test_strands_that_cannot_be(n: int, width: float, thickness: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        bore_needed_mm(n, width, thickness)
