"""Fits against scipy and known answers."""

import numpy as np
import pytest
from scipy import optimize
from slopes import by_differences

from holecount import fits


def curve(x):
    t = np.linspace(0, 3, 40)
    return x[0] * np.exp(-x[1] * t) + x[2]


def test_least_squares_finds_what_scipy_finds():
    rng = np.random.default_rng(3)
    seen = curve(np.array([2.0, 1.3, 0.5])) + rng.normal(0, 0.02, 40)

    def residuals(x):
        return (curve(x) - seen) / 0.02

    step = np.full(3, 1e-5)
    ours = fits.least_squares(residuals, np.array([1.0, 0.5, 0.0]), lambda x: by_differences(residuals, x, step))
    theirs = optimize.least_squares(residuals, [1.0, 0.5, 0.0])
    assert ours.converged
    np.testing.assert_allclose(ours.x, theirs.x, atol=2e-4)
    np.testing.assert_allclose(ours.covariance, np.linalg.inv(theirs.jac.T @ theirs.jac), rtol=2e-3)


def test_stated_covariance_covers():
    rng = np.random.default_rng(8)
    true = np.array([2.0, 1.3, 0.5])
    z = []
    for _ in range(200):
        seen = curve(true) + rng.normal(0, 0.02, 40)

        def residuals(x, seen=seen):
            return (curve(x) - seen) / 0.02

        fit = fits.least_squares(residuals, true, lambda x, f=residuals: by_differences(f, x, np.full(3, 1e-5)))
        z.append((fit.x - true) / np.sqrt(np.diag(fit.covariance)))
    # 600 values, binomial limits at three standard deviations round 68.3 % and 95.4 %
    inside = np.abs(np.array(z))
    assert 0.683 - 0.06 < (inside < 1).mean() < 0.683 + 0.06
    assert (inside < 2).mean() > 0.954 - 0.03


def test_narrow_valley_is_followed_to_its_floor():
    """Two parameters that nearly make up for one another, as focal length and distance do."""
    t = np.linspace(0, 1, 30)

    def residuals(x):
        return np.concatenate([1e4 * (x[0] * (1 + 1e-3 * t) / x[1] - (1 + 1e-3 * t)), [(x[0] - 2.0) / 0.1]])

    step = np.full(2, 1e-6)
    fit = fits.least_squares(residuals, np.array([1.0, 1.2]), lambda x: by_differences(residuals, x, step))
    np.testing.assert_allclose(fit.x, [2.0, 2.0], rtol=1e-5)


def test_soften_is_quadratic_near_and_linear_far():
    r = np.array([0.01, -0.02, 50.0])
    soft = fits.soften(r, 2.0)
    np.testing.assert_allclose(soft[:2], r[:2], rtol=1e-4)
    # pseudo-Huber: 2 k^2 (sqrt(1 + (r/k)^2) - 1)
    assert soft[2] ** 2 == pytest.approx(2 * 4 * (np.sqrt(1 + 25.0**2) - 1))
    assert fits.soften(-r)[2] < 0


def test_slope_of_soften():
    r = np.array([-60.0, -3.0, -0.4, 1e-3, 0.0, 2.2, 9.0])
    expected = np.diag(by_differences(lambda v: fits.soften(v, 3.0), r, np.full(len(r), 1e-5)))
    np.testing.assert_allclose(fits.soften_slope(r, 3.0), expected, rtol=1e-6, atol=1e-6)
