"""Circles and the gauge's own arithmetic."""

import numpy as np

from holecount.holes.circles import fit_circles


def test_circle_fit_recovers_arcs_and_ignores_outliers() -> None:
    rng = np.random.default_rng(3)
    n = 40
    centre, radius = rng.uniform(-50, 50, (n, 2)), rng.uniform(2, 4, n)
    a = np.linspace(0, np.pi, 24)
    r = radius[:, None] + rng.normal(0, 0.02, (n, 24))
    r[:, 3] += 0.8
    p = centre[:, None] + r[..., None] * np.stack([np.cos(a), np.sin(a)], axis=1)
    fit = fit_circles(p, np.ones((n, 24)))
    assert np.abs(fit.radius - radius).max() < 0.08
    assert np.abs(fit.centre - centre).max() < 0.08
