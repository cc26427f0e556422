"""Weighted circles through points, many at once: geometric, robust, with covariance."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Circles:
    """Circles through n groups of points.

    Attributes
    ----------
    centre : shape (n, 2)
    radius : shape (n,)
    covariance : shape (n, 3, 3)
        Of (centre x, centre y, radius) for unit weights meaning unit variance of a point.
    residual : shape (n, points)
        Distance of a point from its circle, nan where the point is unused.
    """

    centre: Array
    radius: Array
    covariance: Array
    residual: Array


def fit_circles(points: Array, weight: Array, *, huber: float = 1.5, rounds: int = 8) -> Circles:
    """Fit circles by least squares of the radial distance, outliers weighted down.

    Parameters
    ----------
    points : shape (n, points, 2)
        nan where there is none.
    weight : shape (n, points)
        Inverse variance up to a factor; 0 for unused points.
    huber : float
        Residuals beyond this many robust sigmas weigh less (Huber 1964).
    rounds : int
        Gauss-Newton steps.
    """
    used = (weight > 0) & np.isfinite(points).all(axis=2)
    w = np.where(used, weight, 0.0)
    p = np.where(used[..., None], points, 0.0)
    total = np.maximum(w.sum(axis=1), 1e-30)  # Far below any weight, far above what older LAPACKs lose.
    centre = (w[..., None] * p).sum(axis=1) / total[:, None]
    radius = (w * np.hypot(*np.moveaxis(p - centre[:, None], 2, 0))).sum(axis=1) / total
    robust = np.ones_like(w)
    normal = np.zeros((len(p), 3, 3))
    residual = np.zeros_like(w)
    for k in range(rounds):
        d = p - centre[:, None]
        r = np.maximum(np.hypot(d[..., 0], d[..., 1]), 1e-12)
        residual = r - radius[:, None]
        if k >= 2:
            spread = np.maximum(1.4826 * _median(np.abs(residual), used), 1e-9)
            robust = np.minimum(1.0, huber * spread[:, None] / np.maximum(np.abs(residual), 1e-12))
        jac = np.concatenate([d / r[..., None], np.ones_like(r)[..., None]], axis=2)
        wk = w * robust
        normal = np.einsum("np,npi,npj->nij", wk, jac, jac) + 1e-9 * total[:, None, None] * np.eye(3)
        step = np.linalg.solve(normal, np.einsum("np,npi,np->ni", wk, jac, residual)[..., None])[..., 0]
        limit = 0.5 * radius[:, None]
        step = np.clip(step, -limit, limit)
        centre = centre + step[:, :2]
        radius = np.maximum(radius + step[:, 2], 1e-9)
    d = p - centre[:, None]
    residual = np.hypot(d[..., 0], d[..., 1]) - radius[:, None]
    return Circles(
        centre=centre,
        radius=radius,
        covariance=np.asarray(np.linalg.inv(normal), float),
        residual=np.where(used, residual, np.nan),
    )


def _median(values: Array, used: NDArray[np.bool_]) -> Array:
    """Median of the used values of each row; 0 where there are none."""
    count = used.sum(axis=1)
    middle = np.maximum((count - 1) // 2, 0)
    ordered = np.sort(np.where(used, values, np.inf), axis=1)
    return np.where(count > 0, np.take_along_axis(ordered, middle[:, None], axis=1)[:, 0], 0.0)
