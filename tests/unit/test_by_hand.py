"""Scale by hand: what is typed becomes matched points the right way round, and slips are refused."""

import math

import numpy as np
import pytest

from holecount.scale import by_hand
from holecount.scale.plane import Camera
from holecount.troubles import BadInput


def test_between() -> None:
    r = by_hand.parse_between("210,300,1410.5,312=100mm")
    assert r.kind == "length"
    np.testing.assert_array_equal(r.points_px, [[210, 300], [1410.5, 312]])
    np.testing.assert_array_equal(r.points_mm, [[0, 0], [100, 0]])
    assert r.u_size_rel == pytest.approx(0.002)
    assert by_hand.parse_between("0,0,0,500=4in").points_mm[1, 0] == pytest.approx(101.6)
    assert by_hand.parse_between(" 0, 0, 0, 500 = 3 3/8 in").points_mm[1, 0] == pytest.approx(85.725)


@pytest.mark.parametrize(
    "text",
    ["", "1,2,3,4", "1,2,3=5mm", "1,2,300,400=5", "1,2,300,400=mm", "1,2,nan,400=5mm", "a,b,c,d=5mm", "1,2,3,4=100mm",
     "1,2,300,400=0mm", "1,2,300,400=-5mm", "1,2,300,400=1e3mm", "1,2,300,400=99999 in"],
)  # fmt: skip
def test_between_refuses(text: str) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        by_hand.parse_between(text)


def looking_down(tilt: float, turn: float) -> Camera:
    """A camera 500 mm above the plane; plane y is up on the screen when it is not turned."""
    c, s, ct, st = np.cos(turn), np.sin(turn), np.cos(tilt), np.sin(tilt)
    flat = np.array([[c, -s, 0], [-s, -c, 0], [0, 0, -1.0]])
    lean = np.array([[1, 0, 0], [0, ct, -st], [0, st, ct]])
    return Camera(
        focal_px=2000.0,
        k1=0.0,
        centre_px=np.array([999.5, 749.5]),
        half_diagonal_px=1250.0,
        rotation=lean @ flat,
        translation_mm=np.array([0.0, 0.0, 500.0]),
    )


@pytest.mark.parametrize("turn", [0.0, 0.7, 2.0, 4.0])
@pytest.mark.parametrize("backwards", [False, True])
def test_corners_have_the_handedness_of_the_plane(turn: float, backwards: bool) -> None:
    # A real camera sees a 85.6 x 53.98 card; the corners are typed either way round.
    card = np.array([[0, 0], [85.6, 0], [85.6, 53.98], [0, 53.98]])
    px = looking_down(0.2, turn).to_px(card - [40.0, 20.0])
    order = [1, 0, 3, 2] if backwards else [0, 1, 2, 3]
    r = by_hand.rectangle_at([tuple(px[i]) for i in order], 85.6, 53.98)
    # What was typed is the card up to a turn and a shift, never its mirror image.
    a = r.points_mm - r.points_mm.mean(axis=0)
    b = card[order] - card.mean(axis=0)
    cross = np.linalg.det(a.T @ b)
    assert cross > 0
    np.testing.assert_allclose(np.hypot(*np.diff(r.points_mm, axis=0).T), [85.6, 53.98, 85.6])


def test_corners_text() -> None:
    r = by_hand.parse_corners("10,10,110,12,108,80,9,79=85.6x53.98mm")
    assert r.kind == "rectangle"
    np.testing.assert_allclose(np.ptp(r.points_mm, axis=0), [85.6, 53.98])
    for text in ("10,10,108,80,110,12,9,79=85.6x53.98mm", "10,10,110,12,108,80=1x1mm", "10,10,110,12,108,80,9,79=85mm"):
        with pytest.raises(ValueError, match=r"\w"):
            by_hand.parse_corners(text)


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("85.6x53.98mm", (85.6, 53.98)),
        ("85.6 × 53.98 mm", (85.6, 53.98)),
        ("4x2in", (101.6, 50.8)),
        ("4 in x 60 mm", (101.6, 60)),
        ('3 3/8" x 2 1/8"', (85.725, 53.975)),
        ("3 3/8x2 1/8", (85.725, 53.975)),
    ],
)
def test_sizes(text: str, size: tuple[float, float]) -> None:
    assert by_hand.parse_size_mm(text) == pytest.approx(size)


@pytest.mark.parametrize(
    ("text", "long_mm"), [("card", 85.6), (" A4 ", 297.0), ("100x50", 100.0), ("2 x 4in", 101.6), ("50X10cm", 500.0)]
)
def test_objects_as_typed(text: str, long_mm: float) -> None:
    assert by_hand.parse_object(text).long_mm == pytest.approx(long_mm, abs=0.01)


@pytest.mark.parametrize("text", ["", "kard", "100", "0x50", "100x", "-3x4"])
def test_what_is_no_object_is_told_what_there_is(text: str) -> None:
    with pytest.raises(ValueError, match="or one of: card, a4"):
        by_hand.parse_object(text)


def test_points_outside_the_picture() -> None:
    inside = by_hand.parse_between("-0.5,0,1599.5,1199=100mm")
    by_hand.require_inside(inside, 1600, 1200)
    with pytest.raises(BadInput, match="outside the picture"):
        by_hand.require_inside(by_hand.parse_between("0,0,1600,10=100mm"), 1600, 1200)


CUT_OFF = "500,900,800,900,800,1150,500,1150=85.6x71.3mm"


@pytest.mark.parametrize(
    ("corners", "taken"),
    [
        (CUT_OFF, True),
        (CUT_OFF.replace("1150", "1250"), True),  # two corners 50 px below 1200 rows
        (CUT_OFF.replace("800,1150", "800,1250"), True),
        (CUT_OFF.replace("1150", "1700"), False),  # its middle is not seen
        ("-90,-90,800,20,810,1150,10,1290=600x800mm", True),  # two opposite ones
        ("-90,-90,800,-20,810,1150,10,1290=600x800mm", False),
    ],
)
def test_a_rectangle_may_be_cut_off_by_the_edge(corners: str, taken: bool) -> None:
    reference = by_hand.parse_corners(corners)
    if taken:
        by_hand.require_inside(reference, 1600, 1200)
    else:
        with pytest.raises(BadInput, match="outside the picture"):
            by_hand.require_inside(reference, 1600, 1200)


def test_a_corner_beyond_the_edge_is_less_sure() -> None:
    inside = by_hand.parse_corners(CUT_OFF)
    assert by_hand.less_sure_beyond_edge(inside, 1600, 1200) is inside
    one = by_hand.less_sure_beyond_edge(
        by_hand.parse_corners("500,900,800,900,800,1400,500,1100=85.6x71.3mm"), 1600, 1200
    )
    seen = 299.5 / 500  # of the right side; the lower one leaves the picture after a third
    lower = 99.5 / 300
    assert one.u_px.tolist() == pytest.approx([1, 1, math.hypot(1 / lower, (1 - lower) / lower), 1])
    assert seen > lower
    # Drawn on from two points known to u each: simulated.
    rng = np.random.default_rng(4)
    near, far = rng.normal(size=(2, 100_000))
    drawn_on = near + (far - near) / lower
    assert np.std(drawn_on) == pytest.approx(one.u_px[2], rel=0.02)
    two = by_hand.less_sure_beyond_edge(by_hand.parse_corners(CUT_OFF.replace("1150", "1250")), 1600, 1200)
    assert two.u_px.tolist() == pytest.approx([1, 1, 50.5, 50.5])  # how deep it is, nobody saw
