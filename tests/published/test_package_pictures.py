"""Against pictures and fits that scikit-image carries (its `data` and `measure` modules, BSD-3-Clause).

`data.coins`: Greek coins from Pompeii, from the Brooklyn Museum's collection, as described there; segmented here as in
scikit-image's own gallery ("Region-based segmentation": Sobel elevation, markers below 30 and above 150, watershed).
"""

from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage import data, filters, measure, segmentation

from holecount.holes.circles import fit_circles
from holecount.holes.flat import flatten
from holecount.holes.spot import spot
from holecount.measure import measure_photo
from holecount.photo import Photo
from holecount.scale.card import find_cards
from holecount.scale.plane import straight_above
from holecount.scale.ruler import find_rulers
from holecount.troubles import NoScale


def photo_of(picture):
    grey = picture.ndim == 2
    bgr = cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR if grey else cv2.COLOR_RGB2BGR)
    return Photo(path=Path("picture.png"), sha256="", bgr=bgr, focal_35mm=None)


@pytest.fixture(scope="module")
def coins():
    picture = data.coins()
    markers = np.zeros(picture.shape, int)
    markers[picture < 30], markers[picture > 150] = 1, 2
    filled = segmentation.watershed(filters.sobel(picture), markers) == 2
    whole = segmentation.clear_border(measure.label(filled))
    return picture, [r for r in measure.regionprops(whole) if r.area_filled > 800]


def test_two_dozen_coins_are_there(coins):
    assert len(coins[1]) == 24  # four rows of six, as anyone can count


def their_circle(outline: np.ndarray) -> tuple[float, np.ndarray]:
    """scikit-image's circle through points (n, 2): radius and centre, in its version of before or after 0.26."""
    if hasattr(measure.CircleModel, "from_estimate"):
        model = measure.CircleModel.from_estimate(outline)
        return float(model.radius), np.asarray(model.center)
    model = measure.CircleModel()
    assert model.estimate(outline)
    x, y, radius = model.params
    return float(radius), np.array([x, y])


@pytest.mark.filterwarnings("ignore:.minkowski_distance")  # scikit-image 0.26 beside scipy 1.18
def test_circles_through_coins_are_those_of_scikit_image(coins):
    for region in coins[1]:
        outline = max(measure.find_contours(np.pad(region.image_filled, 1).astype(float), 0.5), key=len)[:, ::-1]
        radius, centre = their_circle(outline)
        # Theirs is algebraic (Umbach and Jones 2003), ours geometric: on coins out of round they part by 0.1 px.
        ours = fit_circles(outline[None], np.ones((1, len(outline))), huber=1e6)
        assert ours.radius[0] == pytest.approx(radius, abs=0.2)
        assert ours.centre[0] == pytest.approx(centre, abs=0.2)
        # Coins are not quite round: area and outline agree to their own out-of-round.
        assert 2 * ours.radius[0] == pytest.approx(region.equivalent_diameter_area, rel=0.04)


def test_every_coin_is_a_round_mark(coins):
    """The first look at holes, whose recall counts, on round things nobody here drew or photographed."""
    picture, regions = coins
    # A scale at which coins are as large as bores: the middling radius is 3.5 mm, as far as the finder knows.
    radius = np.array([r.equivalent_diameter_area / 2 for r in regions])
    width_mm = picture.shape[1] / float(np.median(radius)) * 3.5
    camera = straight_above(picture.shape[1], picture.shape[0], picture_width_mm=width_mm)
    found_px = camera.to_px(spot(flatten(photo_of(picture), camera)).xy_mm)
    centre = np.array([r.centroid[::-1] for r in regions])
    nearest = np.linalg.norm(found_px[:, None] - centre, axis=2).min(axis=0)
    assert (nearest < 0.35 * radius).sum() >= 23


NO_SEAT = ["astronaut", "camera", "coffee", "coins", "grass", "gravel", "moon", "page", "rocket", "text", "chelsea"]


@pytest.mark.parametrize("name", NO_SEAT)
def test_nothing_is_measured_where_there_is_no_card_no_ruler_and_no_seat(name):
    photo = photo_of(getattr(data, name)())
    assert find_cards(photo) == []
    assert find_rulers(photo) == []
    with pytest.raises(NoScale):
        measure_photo(photo)
