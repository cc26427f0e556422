"""The marked photograph: marks where the holes are, shapes that differ, colours that can be told apart."""

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import cv2
import made_measurement as made
import numpy as np
import pytest

from holecount.measurement import Measurement
from holecount.overlay import DOUBT_COLOUR, LIGHT, RAIL_COLOURS, OverlaySettings, draw_marked, encode
from holecount.photo import Photo

GREY = 128


def blank(m: Measurement) -> Photo:
    return Photo(path=Path("seat.jpg"), sha256="", bgr=np.full((m.height_px, m.width_px, 3), GREY, np.uint8))


def as_is(m: Measurement) -> np.ndarray:
    """Drawn at the photograph's own size, uncropped, so that pixels can be looked up."""
    s = OverlaySettings(longest_px=max(m.width_px, m.height_px), readable_pitch_px=1.0, margin_frac=9.0)
    return draw_marked(blank(m), m, s)


def near(colour: tuple[int, int, int], picture: np.ndarray) -> np.ndarray:
    return np.abs(picture.astype(int) - colour).max(axis=2) < 40


def ring_angles(picture: np.ndarray, x: float, y: float, radius: float, colour: tuple[int, int, int]) -> np.ndarray:
    """Whether the colour is met at each of 72 angles at about that radius."""
    turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    met = np.zeros(72, bool)
    for r in np.arange(radius - 1.5, radius + 1.6, 0.5):
        at = picture[np.round(y + r * np.sin(turn)).astype(int), np.round(x + r * np.cos(turn)).astype(int)]
        met |= near(colour, at[None])[0]
    return met


def test_a_ring_round_every_hole() -> None:
    m = made.plain()
    picture = as_is(m)
    assert picture.shape[1] == m.width_px
    radius = 1.25 * 4.76 / 2 * made.PX_PER_MM
    for h in m.holes:
        met = ring_angles(picture, h.x_px, h.y_px, radius, RAIL_COLOURS[h.rail])
        assert met.mean() > 0.9, h.number
        assert (picture[round(h.y_px), round(h.x_px)] == GREY).all()  # The hole itself stays in sight.


def test_shapes_tell_what_colour_does() -> None:
    m = made.special()
    picture = as_is(m)
    radius = 1.25 * 4.76 / 2 * made.PX_PER_MM
    blocked, hidden, glare = m.holes[4], m.holes[12], m.holes[21]
    middle = picture[round(blocked.y_px), round(blocked.x_px)]
    assert near(RAIL_COLOURS["front"], middle[None, None]).all()  # Crossed.
    dashes = ring_angles(picture, hidden.x_px, hidden.y_px, radius, RAIL_COLOURS["right"])
    assert 0.3 < dashes.mean() < 0.85
    corners = ring_angles(picture, glare.x_px, glare.y_px, 1.55 * radius, DOUBT_COLOUR)
    assert 4 <= corners.sum() < 45  # A diamond meets that circle at its corners alone; its number stands near one.
    assert all(corners[k - 1 : k + 2].any() for k in (18, 36, 54))
    assert corners[[71, 0, 1]].any()


def test_the_scale_object_is_outlined() -> None:
    m = made.plain()
    picture = as_is(m)
    assert m.scale is not None
    (x0, y0), (x1, _), *_ = m.scale.references[0].outline_px
    row = picture[round(y0) - 1 : round(y0) + 2, round(x0) + 5 : round(x1) - 5]
    assert near((255, 255, 255), row).any(axis=0).mean() > 0.95


def test_numbers_stand_outside_the_hole_line_and_do_not_touch_neighbours() -> None:
    m = made.plain()
    picture = as_is(m)
    fronts = [h for h in m.holes if h.rail == "front"][1:-1]
    for h in fronts:
        below = picture[round(h.y_px) + 12 : round(h.y_px) + 45, round(h.x_px) - 18 : round(h.x_px) + 18]
        assert near(LIGHT, below).sum() > 20, h.number


@pytest.mark.parametrize(("size", "factor"), [((4032, 3024), 2.52), ((800, 600), 0.5)])
def test_size_of_the_picture(size: tuple[int, int], factor: float) -> None:
    base = made.special()
    holes = tuple(replace(h, x_px=h.x_px * factor, y_px=h.y_px * factor) for h in base.holes)
    m = replace(base, width_px=size[0], height_px=size[1], holes=holes, scale=None)
    picture = draw_marked(blank(m), m)
    assert picture.shape[1] <= 2400
    assert picture.shape[0] <= 2400 * 1.12
    gap = 12.7 * made.PX_PER_MM * factor
    if size[0] < 1600:
        assert picture.shape[1] / (10 * gap) * gap >= 40  # Enlarged until numbers can be read.


def test_no_holes_one_hole_and_a_single_row() -> None:
    m = made.plain()
    for holes in ((), m.holes[:1], m.holes[:2], m.holes[:10]):
        some = replace(m, holes=holes)
        assert draw_marked(blank(some), some).ndim == 3


def test_places_outside_the_picture_are_no_trouble() -> None:
    m = made.plain()
    moved = replace(m, holes=tuple(replace(h, x_px=h.x_px - 700, y_px=h.y_px + 500) for h in m.holes))
    assert draw_marked(blank(moved), moved).ndim == 3


def test_in_pixels() -> None:
    m = made.measurement_of(made.square_seat(), scale=False)
    assert draw_marked(blank(m), m).ndim == 3


@pytest.mark.parametrize("suffix", [".jpg", ".JPEG", ".png"])
def test_encode(suffix: str) -> None:
    picture = as_is(made.plain())
    data = encode(picture, suffix)
    back = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert back.shape == picture.shape
    assert (data[:4] == b"\x89PNG") == (suffix == ".png")


# Linear RGB to what a dichromat sees, by the projection published with the daltonize method; from memory,
# good enough to ask whether two colours stay apart.
DICHROMATS = {
    "usual": np.eye(3),
    "deuteranope": np.array([[0.367, 0.861, -0.228], [0.280, 0.673, 0.047], [-0.012, 0.043, 0.969]]),
    "protanope": np.array([[0.152, 1.053, -0.205], [0.115, 0.786, 0.099], [-0.004, -0.048, 1.052]]),
    "tritanope": np.array([[1.256, -0.077, -0.179], [-0.078, 0.931, 0.148], [0.005, 0.691, 0.304]]),
}


@pytest.mark.parametrize("eye", DICHROMATS)
def test_colours_stay_apart(eye: str) -> None:
    from skimage.color import deltaE_ciede2000, rgb2lab

    def seen(bgr: tuple[int, int, int]) -> np.ndarray:
        rgb = np.array(bgr[::-1]) / 255
        linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        linear = np.clip(DICHROMATS[eye] @ linear, 0, 1)
        back = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
        return rgb2lab(back[None, None])[0, 0]

    colours = {k: v for k, v in RAIL_COLOURS.items() if k != "ring"} | {"doubt": DOUBT_COLOUR}
    for a, b in combinations(colours, 2):
        # Fifteen is plainly different side by side; neighbouring rails meet at corners.
        assert deltaE_ciede2000(seen(colours[a]), seen(colours[b])) > 15, (a, b)
