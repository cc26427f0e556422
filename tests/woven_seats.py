"""Checks of a woven seat that know nothing of how it was planned: only positions, strands and their drawn ways."""

from collections import Counter
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from holecount.strands import StrandPlan

Point = NDArray[np.float64]


def positions(plan: StrandPlan) -> dict[int, Point]:
    return dict(zip(plan.frame.numbers, plan.frame.xy_mm, strict=True))


def meet(a: Point, b: Point, c: Point, d: Point) -> Point | None:
    """Where two straight strands cross, away from their ends."""
    r, s = b - a, d - c
    den = r[0] * s[1] - r[1] * s[0]
    if abs(den) < 1e-12:
        return None
    t = ((c - a)[0] * s[1] - (c - a)[1] * s[0]) / den
    u = ((c - a)[0] * r[1] - (c - a)[1] * r[0]) / den
    return np.asarray(a + t * r) if 1e-9 < t < 1 - 1e-9 and 1e-9 < u < 1 - 1e-9 else None


def crossings_and_stretches(plan: StrandPlan) -> tuple[int, NDArray[np.float64]]:
    """Number of crossings of steps 1 and 2, and all stretches (k, 2, 2) from crossing to crossing or hole."""
    at = positions(plan)
    upright = [(at[s.start], at[s.end]) for s in plan.step(1)]
    level = [(at[s.start], at[s.end]) for s in plan.step(2)]
    n_crossings = 0
    stretches = []
    for mine, others in ((upright, level), (level, upright)):
        for a, b in mine:
            on = [p for c, d in others if (p := meet(a, b, c, d)) is not None]
            n_crossings += len(on)
            on.sort(key=lambda p: float(np.hypot(*(p - a))))
            way = [a, *on, b]
            stretches += [np.array([p, q]) for p, q in pairwise(way)]
    return n_crossings // 2, np.array(stretches)


def strands_across(stretches: NDArray[np.float64], ways: list[NDArray[np.float64]]) -> NDArray[np.int_]:
    """How many of the ways cross or touch each stretch, its ends left out."""
    a = stretches[:, 0] + 0.005 * (stretches[:, 1] - stretches[:, 0])
    r = 0.99 * (stretches[:, 1] - stretches[:, 0])
    count = np.zeros(len(stretches), int)
    for way in ways:
        c, s = way[:-1], np.diff(way, axis=0)
        den = r[:, None, 0] * s[None, :, 1] - r[:, None, 1] * s[None, :, 0]
        to = c[None] - a[:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (to[..., 0] * s[None, :, 1] - to[..., 1] * s[None, :, 0]) / den
            u = (to[..., 0] * r[:, None, 1] - to[..., 1] * r[:, None, 0]) / den
        e = 1e-6
        hit = (np.abs(den) > 1e-9) & (t >= -e) & (t <= 1 + e) & (u >= -e) & (u <= 1 + e)
        count += hit.any(axis=1)
    return count


def counted_per_hole(plan: StrandPlan) -> dict[int, int]:
    ends = Counter(hole for s in plan.strands for hole in (s.start, s.end))
    return {number: ends[number] for number in plan.frame.numbers}


def mirror_images(plan: StrandPlan) -> dict[int, int]:
    """The hole nearest to the mirror image of each, left and right changed about the mean."""
    xy = plan.frame.xy_mm
    flipped = xy * [-1.0, 1.0] + [2 * float(xy[:, 0].mean()), 0.0]
    nearest = np.hypot(*(flipped[:, None] - xy[None]).transpose(2, 0, 1)).argmin(axis=1)
    numbers = plan.frame.numbers
    return {numbers[k]: numbers[int(j)] for k, j in enumerate(nearest)}


def pairs(plan: StrandPlan, step: int) -> Counter[frozenset[int]]:
    return Counter(frozenset((s.start, s.end)) for s in plan.step(step))
