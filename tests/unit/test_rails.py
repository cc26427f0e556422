"""Order, corners, names and axes of rails, on drawn frames turned every way."""

import numpy as np
import pytest

from holecount.rails import find_corners, lay_out, rows_layout


def polygon(corners, step):
    """Holes at about ``step`` along a polygon, a hole in every corner."""
    out = []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        n = max(1, round(float(np.hypot(*(b - a))) / step))
        out += [a + (b - a) * k / n for k in range(n)]
    return np.array(out)


TAPERED = np.array([[-170.0, -150], [170, -150], [140, 150], [-140, 150]])
SQUARE = np.array([[-160.0, -150], [160, -150], [160, 150], [-160, 150]])


def turned(xy, angle):
    c, s = np.cos(angle), np.sin(angle)
    return xy @ np.array([[c, s], [-s, c]])


@pytest.mark.parametrize("angle", [0.0, 1.0, 2.5, 4.0, 5.5])
@pytest.mark.parametrize("backwards", [False, True])
def test_tapered_seat_is_told_whatever_way_it_lies(angle, backwards):
    xy = polygon(TAPERED, 13.0)
    n = len(xy)
    order = np.roll(np.arange(n)[:: -1 if backwards else 1], 17)
    seen = (turned(xy, angle) + np.array([400, -90]))[order]
    layout = lay_out(seen, turned(np.array([[0.0, -1.0]]), angle)[0])
    assert layout.shape == "tapered"
    assert [r.name for r in layout.rails] == ["front", "right", "back", "left"]
    assert list(order[layout.order]) == list(range(n))
    new = (seen - layout.origin_mm) @ layout.turn.T
    np.testing.assert_allclose(new[layout.order], xy, atol=1e-9)
    assert sum(layout.corner) == 4
    # every corner hole belongs to the two rails that meet in it
    assert sum(len(r.holes) for r in layout.rails) == n + 4


def test_corners_without_a_hole_split_the_rails_between_two_holes():
    side = np.linspace(-130, 130, 21)
    xy = np.concatenate(
        [
            np.column_stack([side, np.full(21, -143.0)]),
            np.column_stack([np.full(21, 143.0), side]),
            np.column_stack([side[::-1], np.full(21, 143.0)]),
            np.column_stack([np.full(21, -143.0), side[::-1]]),
        ]
    )
    corners = find_corners(xy)
    assert [with_hole for _, with_hole in corners] == [False] * 4
    layout = lay_out(xy, np.array([0.0, -1.0]))
    assert not any(layout.corner)
    assert [len(r.holes) for r in layout.rails] == [21] * 4
    assert layout.shape == "square"


def test_bowed_front_and_rings():
    front = [(x, -150 - 25 * (1 - (x / 150) ** 2)) for x in np.linspace(-150, 150, 24)]
    rest = polygon(np.array([[150.0, -150], [140, 150], [-140, 150], [-150, -150]]), 13.0)
    rest = rest[: -round(300 / 13)]
    xy = np.array([*front[:-1], *rest])
    layout = lay_out(turned(xy, 2.0), turned(np.array([[0.0, 1.0]]), 2.0)[0])  # photographed from behind
    assert layout.shape == "bowed"
    assert len(layout.rails[0].holes) == 24
    t = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    for a, b, shape in ((160, 160, "round"), (190, 160, "oval")):
        ring = lay_out(np.column_stack([a * np.cos(t), b * np.sin(t)]), np.array([0.0, -1.0]))
        assert ring.shape == shape
        assert ring.rails[0].closed
        assert len(ring.rails) == 1


def test_square_seat_takes_its_front_from_the_picture():
    xy = polygon(SQUARE, 13.0)
    for down, side in ((np.array([0.0, -1.0]), "y"), (np.array([1.0, 0.0]), "x")):
        layout = lay_out(xy, down)
        front = xy[layout.order][list(layout.rails[0].holes)]
        if side == "y":
            assert np.allclose(front[:, 1], -150)
        else:
            assert np.allclose(front[:, 0], 160)


def test_uneven_holes_do_not_make_corners():
    rng = np.random.default_rng(4)
    t = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    ring = np.column_stack([165 * np.cos(t), 150 * np.sin(t)]) + rng.normal(0, 0.9, (72, 2))
    assert find_corners(ring) == []
    square = polygon(SQUARE, 12.0) + rng.normal(0, 0.9, (len(polygon(SQUARE, 12.0)), 2))
    assert len(find_corners(square)) == 4


def test_rows_keep_their_lengths():
    layout = rows_layout([13, 11], np.zeros((24, 2)), np.array([0.0, -1.0]))
    assert [len(r.holes) for r in layout.rails] == [13, 11]
    assert layout.rail_of[12:14] == ("row 1", "row 2")
