"""The plane model's worked-out derivatives against central differences of its residuals."""

import numpy as np
import pytest
from slopes import by_differences
from test_plane_fit import FOCAL, H, W, camera, card, rims, ruler

from holecount.scale.plane import mm_per_px
from holecount.scale.plane_model import N_CAMERA, PlaneModel, PlaneSettings

STEPS = {0: 1e-5, 1: 1e-5, 2: 1e-2, 3: 1e-2, 7: 1e-3, 8: 1e-3, 9: 1e-3}


def a_model(kinds, with_holes, seed):
    """A model and parameters some way off its start."""
    rng = np.random.default_rng(seed)
    cam = camera(rng, rng.uniform(5, 30))
    refs = [card(rng, cam) if kind == "card" else ruler(rng, cam) for kind in kinds]
    centre = np.array([(W - 1) / 2, (H - 1) / 2])
    seen = rims(rng, cam) if with_holes else None
    model = PlaneModel(refs, cam, (FOCAL, centre), True, seen, 0.02, PlaneSettings())
    x = model.begin()
    x += rng.normal(0, 1, len(x)) * np.array([STEPS.get(i, 1e-4) for i in range(len(x))]) * 300
    return model, x, np.array([STEPS.get(i, 1e-5) for i in range(len(x))])


@pytest.mark.parametrize("kinds", [["card"], ["ruler"], ["card", "ruler"], ["ruler", "card", "ruler"]])
@pytest.mark.parametrize("with_holes", [False, True])
def test_derivative_is_that_of_the_residuals(kinds, with_holes):
    model, x, steps = a_model(kinds, with_holes, len(kinds))
    exact, measured = model.derivative(x), by_differences(model.residuals, x, steps)
    size = np.abs(measured).max(axis=0) + 1e-9
    np.testing.assert_allclose(exact / size, measured / size, atol=2e-4)


def test_derivatives_of_place_and_scale_under_the_camera():
    model, x, steps = a_model(["card"], False, 5)
    px = np.random.default_rng(1).uniform([0, 0], [W, H], (9, 2))

    def of_camera(function):
        return by_differences(lambda y: function(model.camera(y)).ravel(), x[:N_CAMERA], steps[:N_CAMERA])

    mm, slope = model.mm_slope(x, px)
    np.testing.assert_allclose(mm, model.camera(x).to_mm(px))
    measured = of_camera(lambda c: c.to_mm(px)).reshape(slope.shape)
    size = np.abs(measured).max(axis=(0, 1))
    np.testing.assert_allclose(slope / size, measured / size, atol=1e-3)
    scale = model.log_scale_slope(x, px)
    measured = of_camera(lambda c: 0.5 * np.log(np.abs(np.linalg.det(mm_per_px(c, px)))))
    size = np.abs(measured).max(axis=0)
    np.testing.assert_allclose(scale / size, measured / size, atol=2e-3)
