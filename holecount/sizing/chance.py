"""The chance of each width: measurement error and spread round the seat carried through the rules.

What the chance means: somebody sizes the seat by the whole (half of the weight) or by six inches of
it taken anywhere (the other half), with this measurement's error; so often does each width come out.
One error of scale moves every hole and every distance together; one thickness of strand is common to
all widths; what else a photograph shares moves all distances, or all bores, together. No random numbers:
sums over the normal distribution.
"""

import math
from functools import cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from holecount.sizing.figures import Figures
from holecount.sizing.ladder import RuleSettings, Rung

Array = NDArray[np.float64]

_N_SCALE = 201
"""Equally likely scale errors summed over; chances are then right to about 0.003. Own choice."""

_N_THICKNESS = 25
"""Equally likely strand thicknesses summed over. Own choice."""

_QUANTILE_SPREAD = 2.11
"""Standard uncertainty of a 5 % point over sd / sqrt(n), for a normal spread (derived: sqrt(0.05 0.95) / 0.1031)."""


def normal_below(z: Array) -> Array:
    """Normal distribution function, within 1e-7.

    Abramowitz and Stegun, Handbook of Mathematical Functions, 1964, 26.2.17.
    """
    t = 1 / (1 + 0.2316419 * np.abs(z))
    poly = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    with np.errstate(under="ignore"):
        tail = np.exp(-np.minimum(z * z, 1400.0) / 2) / math.sqrt(2 * math.pi) * poly
    return np.asarray(np.where(z >= 0, 1 - tail, tail))


@cache
def normal_points(n: int) -> Array:
    """``n`` equally likely values of a standard normal (n,): the middles of its n equal parts."""
    return np.array([NormalDist().inv_cdf((k + 0.5) / n) for k in range(n)])


def u_small_hole_mm(figures: Figures) -> float:
    """One standard uncertainty of the small holes' bore, the scale's part left out."""
    hole = figures.hole
    if hole is None:
        return 0.0
    scale = figures.u_scale_rel * hole.mean_mm
    rest = math.sqrt(max(0.0, hole.u_shared_mean_mm**2 - scale**2))
    edge = 0.0
    if hole.n > 2 and figures.small_hole_mm is not None and hole.mean_mm > figures.small_hole_mm:
        sd = (hole.mean_mm - figures.small_hole_mm) / 1.645  # the 5 % point of a normal spread
        edge = _QUANTILE_SPREAD * sd / math.sqrt(hole.n)
    return math.sqrt(hole.u_own_mean_mm**2 + rest**2 + edge**2)


def at_least(rungs: tuple[Rung, ...], figures: Figures, rules: RuleSettings) -> Array:
    """Chance (rungs,) that each width or a wider one is right; never rises from one rung to the next."""
    z = normal_points(_N_SCALE)
    scale = 1 + figures.u_scale_rel * z
    by_spacing = spacing_at_least(rungs, figures, rules, scale)
    by_hole = hole_at_least(rungs, figures, scale)
    both = (by_spacing * by_hole).mean(axis=1)
    return np.minimum.accumulate(np.clip(both, 0.0, 1.0))


def spacing_at_least(rungs: tuple[Rung, ...], figures: Figures, rules: RuleSettings, scale: Array) -> Array:
    """Chance (rungs, scales) that the spacing allows each width, for given scale errors (scales,)."""
    pitch = figures.pitch
    if pitch is None:
        return np.ones((len(rungs), len(scale)))
    u_scale = figures.u_scale_rel * pitch.mean_mm
    rest = math.sqrt(max(0.0, pitch.u_shared_mean_mm**2 - u_scale**2))
    places = [(pitch.mean_mm, math.hypot(pitch.u_own_mean_mm, rest), 1.0)]
    if figures.stretches:
        n = len(figures.stretches)
        share = 1 - rules.mean_share
        places = [(places[0][0], places[0][1], rules.mean_share)]
        places += [(s.pitch_mm, math.hypot(s.u_own_mm, rest), share / n) for s in figures.stretches]
    # Rows that are printed alike are equally likely to be meant: half the weight to each way of reading them.
    ways = {tuple(r.spacing_mm for r in rungs), tuple(r.spacing_alike_mm for r in rungs)}
    out = np.zeros((len(rungs), len(scale)))
    for needed in map(np.array, sorted(ways)):
        for value, u, weight in places:
            out += weight / len(ways) * _passes(value * scale, u, needed)
    return out


def hole_at_least(rungs: tuple[Rung, ...], figures: Figures, scale: Array) -> Array:
    """Chance (rungs, scales) that the small holes allow each width."""
    if figures.small_hole_mm is None:
        return np.ones((len(rungs), len(scale)))
    chart = np.array([r.hole_chart_mm for r in rungs])
    strands = np.array([r.hole_strands_mm for r in rungs])
    u_strands = np.array([r.u_hole_strands_mm for r in rungs])
    u = u_small_hole_mm(figures)
    out = np.zeros((len(rungs), len(scale)))
    for z in normal_points(_N_THICKNESS):
        out += _passes(figures.small_hole_mm * scale, u, np.maximum(chart, strands + z * u_strands))
    return out / _N_THICKNESS


def _passes(values: Array, u: float, needed: Array) -> Array:
    """Chance (needed, values) that a value with error ``u`` is at least what is needed."""
    with np.errstate(invalid="ignore"):
        gap = values[None, :] - needed[:, None]
    # A length known without error still reproduces a row it equals, whatever the last bit of a sum of inches says.
    return normal_below((gap + 1e-9) / max(u, 1e-10))
