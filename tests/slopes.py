"""Derivatives by central differences, against which worked-out ones are held."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def by_differences(function: Callable[[Array], Array], x: Array, step: Array) -> Array:
    """Derivative (m, p) of ``function`` at ``x`` (p,) with steps (p,)."""
    columns = []
    for k in range(len(x)):
        ahead, behind = x.copy(), x.copy()
        ahead[k] += step[k]
        behind[k] -= step[k]
        columns.append((function(ahead) - function(behind)) / (2 * step[k]))
    return np.stack(columns, axis=1)
