"""Search for the smallest bore that n equal strands go through, side by side, as rigid bodies.

This is the workshop behind ``packings.json`` and runs only when that table is made anew::

    python -m holecount.sizing.pack_search holecount/sizing/packings.json

A strand's section is taken as a flat bar with rounded edges: all points within half a thickness
of a straight core (a stadium). With width equal to thickness it is a circle, so the search can be
held against the published optimal packings of equal circles in a circle. Lengths here are in
strand thicknesses; ``aspect`` is width / thickness; a layout is an array (n, 3) of x, y and turn
in radians of each strand's core.

The search needs scipy, which the rest of the sizing room does not.
"""

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

N_MAX = 10
"""Most strands in the table: a hole takes eight at most (common practice, no source), and two more are asked after."""

ASPECTS = (*(1 + k / 4 for k in range(13)), 5.0, 6.0, 8.0)
"""Width over thickness; cane is 1.9 to 2.9 at the assumed thickness (derived)."""


def core_gaps(layout: Array, half_core: float) -> tuple[Array, Array]:
    """Distances between the cores of all pairs, and their slopes.

    Returns
    -------
    gaps : (pairs,), negative where two cores cross
    slopes : (pairs, 3 n) with respect to all x, then all y, then all turns
    """
    n = len(layout)
    x, y, turn = layout.T
    ux, uy = np.cos(turn), np.sin(turn)
    first, second = np.triu_indices(n, 1)
    pairs = len(first)
    # The shortest way between two segments that do not cross starts at one of the four ends.
    tries = []
    for a, b in ((first, second), (second, first)):
        for end in (half_core, -half_core):
            px, py = x[a] + end * ux[a] - x[b], y[a] + end * uy[a] - y[b]
            along = np.clip(px * ux[b] + py * uy[b], -half_core, half_core)
            dx, dy = px - along * ux[b], py - along * uy[b]
            tries.append((np.hypot(dx, dy), a, b, np.full(pairs, end), along, dx, dy))
    best = np.argmin([t[0] for t in tries], axis=0)
    row = np.arange(pairs)
    gaps, a, b, end, along, dx, dy = (np.array([t[k] for t in tries])[best, row] for k in range(7))
    nx, ny = dx / np.maximum(gaps, 1e-12), dy / np.maximum(gaps, 1e-12)
    slopes = np.zeros((pairs, 3 * n))
    slopes[row, a] += nx
    slopes[row, b] -= nx
    slopes[row, n + a] += ny
    slopes[row, n + b] -= ny
    slopes[row, 2 * n + a] += end * (ux[a] * ny - uy[a] * nx)
    slopes[row, 2 * n + b] -= along * (ux[b] * ny - uy[b] * nx)
    crossing = cores_cross(layout, half_core)
    gaps[crossing] *= -1
    slopes[crossing] *= -1
    return gaps, slopes


def cores_cross(layout: Array, half_core: float) -> NDArray[np.bool_]:
    """Which pairs (pairs,) have cores that cross."""
    x, y, turn = layout.T
    ux, uy = np.cos(turn), np.sin(turn)
    i, j = np.triu_indices(len(layout), 1)
    rx, ry = x[j] - x[i], y[j] - y[i]
    sine = ux[i] * uy[j] - uy[i] * ux[j]
    safe = np.where(np.abs(sine) < 1e-12, 1.0, sine)
    on_i, on_j = (rx * uy[j] - ry * ux[j]) / safe, (rx * uy[i] - ry * ux[i]) / safe
    return np.asarray((np.abs(sine) >= 1e-12) & (np.abs(on_i) < half_core) & (np.abs(on_j) < half_core), bool)


def core_reach(layout: Array, half_core: float) -> tuple[Array, Array]:
    """Distance of every core's two ends (2 n,) from the middle of the bore, and slopes (2 n, 3 n)."""
    n = len(layout)
    x, y, turn = layout.T
    k = np.arange(n)
    reach, slopes = [], []
    for end in (half_core, -half_core):
        ex, ey = x + end * np.cos(turn), y + end * np.sin(turn)
        r = np.maximum(np.hypot(ex, ey), 1e-12)
        g = np.zeros((n, 3 * n))
        g[k, k], g[k, n + k] = ex / r, ey / r
        g[k, 2 * n + k] = end * (ey * np.cos(turn) - ex * np.sin(turn)) / r
        reach.append(r)
        slopes.append(g)
    return np.concatenate(reach), np.vstack(slopes)


def bore_of(layout: Array, aspect: float) -> float:
    """Smallest bore round a layout, widened where strands would overlap; infinite when cores cross.

    If the closest cores lie a little less than one thickness apart, everything is scaled up until
    they do: the layout stays a proof that a bore of that size is enough.
    """
    half = (aspect - 1) / 2
    reach = float(core_reach(layout, half)[0].max())
    if len(layout) == 1:
        return 2 * reach + 1
    gap = float(core_gaps(layout, half)[0].min())
    if gap <= 0:
        return float("inf")
    gap = min(gap, 1.0)
    return (2 * reach + gap) / gap


def settle(start: Array, aspect: float) -> Array:
    """The nearest tightest layout from a start (n, 3): sequential quadratic programming on the bore."""
    from scipy.optimize import minimize  # type: ignore[import-untyped]

    n, half = len(start), (aspect - 1) / 2

    def layout(v: Array) -> Array:
        return v[:-1].reshape(3, n).T

    def inside(v: Array) -> Array:
        return np.asarray(v[-1] - core_reach(layout(v), half)[0])

    def inside_slope(v: Array) -> Array:
        return np.hstack([-core_reach(layout(v), half)[1], np.ones((2 * n, 1))])

    def apart(v: Array) -> Array:
        return core_gaps(layout(v), half)[0] - 1

    def apart_slope(v: Array) -> Array:
        slopes = core_gaps(layout(v), half)[1]
        return np.hstack([slopes, np.zeros((len(slopes), 1))])

    limits: list[dict[str, Any]] = [{"type": "ineq", "fun": inside, "jac": inside_slope}]
    if n > 1:
        limits.append({"type": "ineq", "fun": apart, "jac": apart_slope})
    down = np.zeros(3 * n + 1)
    down[-1] = 1
    v0 = np.append(start.T.ravel(), core_reach(start, half)[0].max())
    found = minimize(
        lambda v: v[-1],
        v0,
        jac=lambda v: down,
        constraints=limits,
        method="SLSQP",
        options={"maxiter": 200, "ftol": 1e-11},
    )
    return layout(np.asarray(found.x, float)).copy()


def search(n: int, aspect: float, *, starts: int, seed: int, also: tuple[Array, ...] = ()) -> tuple[float, Array]:
    """Best bore (in thicknesses) and layout (n, 3) of many settled starts: at random, in layers, and ``also``."""
    rng = np.random.default_rng(seed)
    size = 1.3 * np.sqrt(n * aspect)
    begin = list(also)
    for k in range(starts):
        turn = rng.uniform(0, np.pi, n) if k % 2 else rng.normal(0, 0.3, n)
        begin.append(np.column_stack([rng.uniform(-size / 1.5, size / 1.5, (n, 2)), turn]))
    settled = [settle(b, aspect) for b in begin]
    bores = [bore_of(s, aspect) for s in settled]
    best = int(np.argmin(bores))
    return bores[best], settled[best]


def make_table(*, starts: int, seed: int = 1917) -> dict[str, Any]:
    """Best layouts of 1 to N_MAX strands over all aspects, each at least as good as its neighbours imply.

    A layout of wider strands also holds narrower ones, and one of n + 1 strands holds n: neighbours
    are used as starts and, at the end, as proofs, so the bores never fall with width or number.
    """
    best: dict[tuple[int, int], tuple[float, Array]] = {}
    for n in range(1, N_MAX + 1):
        for k, aspect in enumerate(ASPECTS):
            also = (best[n, k - 1][1],) if k else ()
            best[n, k] = search(n, aspect, starts=starts, seed=seed + 1000 * n + k, also=also)
        for k in reversed(range(len(ASPECTS) - 1)):
            again = search(n, ASPECTS[k], starts=0, seed=0, also=(best[n, k + 1][1],))
            best[n, k] = min(best[n, k], again, key=lambda b: b[0])
        sys.stderr.write(f"{n} {[round(best[n, k][0], 4) for k in range(0, len(ASPECTS), 8)]}\n")
    for n in reversed(range(1, N_MAX + 1)):
        for k in reversed(range(len(ASPECTS))):
            layouts = [best[n, k][1]]
            if k + 1 < len(ASPECTS):
                layouts.append(best[n, k + 1][1])
            if n < N_MAX:
                layouts += [np.delete(best[n + 1, k][1], i, axis=0) for i in range(n + 1)]
            rounded = [np.round(lay, 5) for lay in layouts]
            best[n, k] = min(((bore_of(lay, ASPECTS[k]), lay) for lay in rounded), key=lambda b: b[0])
    return {
        "what": "smallest bore found for n equal strands, in strand thicknesses, with the layout that proves it",
        "source": "derived: holecount.sizing.pack_search",
        "starts": starts,
        "seed": seed,
        "aspects": list(ASPECTS),
        "packings": [
            [
                {"bore": float(np.ceil(best[n, k][0] * 1e5) / 1e5), "layout": best[n, k][1].tolist()}
                for k in range(len(ASPECTS))
            ]
            for n in range(1, N_MAX + 1)
        ],
    }


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(
        json.dumps(make_table(starts=int(sys.argv[2]) if len(sys.argv) > 2 else 40), separators=(",", ":")) + "\n"
    )
