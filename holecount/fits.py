"""Least squares with covariance: numbers only, no pictures, no units."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Result of `least_squares`.

    Attributes
    ----------
    x : float array, shape (p,)
    covariance : float array, shape (p, p)
        Inverse of J'J at the solution; honest when residuals are in units of their own error.
    residuals : float array, shape (m,)
    converged : bool
    """

    x: Array
    covariance: Array
    residuals: Array
    converged: bool


def least_squares(
    residuals: Callable[[Array], Array],
    start: Array,
    derivative: Callable[[Array], Array],
    *,
    n_most: int = 80,
    tolerance: float = 1e-4,
    damping: float = 1e-4,
) -> Fit:
    """Levenberg-Marquardt on whitened residuals.

    Parameters
    ----------
    residuals : from parameters (p,) to residuals (m,), each in units of its standard error;
        priors are residuals like any other.
    start : (p,) first guess.
    damping : to begin with; a refit from an earlier solution can begin with next to none.
    derivative : from parameters (p,) to the Jacobian (m, p) of the residuals. One-sided differences are not enough:
        where two parameters nearly make up for one another their error swamps what is left of the slope, and the
        fit stops half way along the valley.
    """
    x = np.asarray(start, float).copy()
    r = residuals(x)
    cost = float(r @ r)
    converged = False
    j = derivative(x)
    for _ in range(n_most):
        # Columns are scaled to unit length, and the damped system is solved as an augmented least-squares
        # problem rather than through J'J: the valley of focal length against tilt is long and narrow.
        size = np.maximum(np.sqrt((j**2).sum(axis=0)), 1e-12)
        q, upper = np.linalg.qr(j / size)
        augmented = np.vstack([upper, np.sqrt(damping) * np.eye(len(x))])
        right = np.concatenate([-(q.T @ r), np.zeros(len(x))])
        move = np.linalg.lstsq(augmented, right, rcond=None)[0] / size
        r_new = residuals(x + move)
        cost_new = float(r_new @ r_new)
        if np.isfinite(cost_new) and cost_new < cost:
            settled = cost - cost_new < tolerance * cost and damping < 1e-4
            x, r, cost = x + move, r_new, cost_new
            damping = max(damping / 20, 1e-12)
            if settled:
                converged = True
                break
            j = derivative(x)
        else:
            damping *= 8
            if damping > 1e6:
                converged = True  # no step of any length improves: at the bottom to rounding
                break
    covariance = np.asarray(np.linalg.pinv(j.T @ j, hermitian=True), float)
    return Fit(x=x, covariance=covariance, residuals=r, converged=converged)


def soften(residuals: Array, knee: float = 2.0) -> Array:
    """Pseudo-Huber: residuals beyond ``knee`` standard errors count by their size, not its square.

    Returns values whose squares sum to the pseudo-Huber loss, so that plain least squares minimises it.
    """
    z = residuals / knee
    return np.asarray(np.sign(z) * knee * np.sqrt(2 * (np.sqrt(1 + z**2) - 1)))


def soften_slope(residuals: Array, knee: float = 2.0) -> Array:
    """Derivative of `soften` at each residual."""
    z2 = (residuals / knee) ** 2
    root = np.sqrt(1 + z2)
    return np.asarray(np.sqrt((root + 1) / 2) / root)
