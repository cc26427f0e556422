"""Score a measurement against the exact truth of a generated photograph.

A hole counts as found when a measured one lies within its radius (at least 3 px). Holes with less
than `SEEN` of their rim in sight need not be found, and are no false find when they are.
"""

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from holecount.measurement import Measurement

SEEN = 0.70
WHOLE = 0.95
"""Shares of a rim in sight from which a hole must be found, and its diameter is compared."""

PITCH_OFF_REL, BORES_OFF_MM = 0.02, 0.25
"""Errors beyond which figures would mislead whoever buys cane by them, as a miscount would."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """How far off a measurement is.

    ``diameter_off_mm`` is the median error of single bores, ``diameter_rms_mm`` their rms; ``pitch_off_rel``
    the error of the mean pitch over the gaps found; ``pitch_z``, ``diameter_z`` are the seat's errors over their
    stated uncertainty; ``single_cover`` the share of single bores within twice theirs.
    """

    n_missed: int
    n_false: int
    status_wrong: tuple[int, ...]
    diameter_off_mm: float
    diameter_rms_mm: float
    pitch_off_rel: float
    centre_rms_px: float
    pitch_z: float
    diameter_z: float
    single_cover: float

    @property
    def count_right(self) -> bool:
        return self.n_missed == 0 and self.n_false == 0

    @property
    def wholly_right(self) -> bool:
        return (
            self.count_right and abs(self.pitch_off_rel) <= PITCH_OFF_REL and abs(self.diameter_off_mm) <= BORES_OFF_MM
        )


def truth_of(photo: Path) -> dict[str, Any]:
    made: dict[str, Any] = json.loads(photo.with_suffix(".json").read_text(encoding="utf-8"))
    return made


def matched(truth: dict[str, Any], m: Measurement) -> dict[int, int]:
    """Index of the measured hole (hidden ones aside) for each true hole that was found, nearest pairs first."""
    true_px = np.array([[h["px"], h["py"]] for h in truth["holes"]])
    reach = np.maximum([h["r_px"] for h in truth["holes"]], 3.0)
    found_px = np.array([[h.x_px, h.y_px] for h in m.holes if h.status != "hidden"]).reshape(-1, 2)
    away = np.hypot(*(true_px[:, None] - found_px[None]).transpose(2, 0, 1))
    pairs: dict[int, int] = {}
    taken: set[int] = set()
    for i, j in sorted(np.ndindex(*away.shape), key=lambda ij: float(away[ij])):
        if away[i, j] <= reach[i] and i not in pairs and j not in taken:
            pairs[i] = j
            taken.add(j)
    return pairs


def score(truth: dict[str, Any], m: Measurement) -> Score:
    """Compare; every hole of the truth is in order along the closed hole line."""
    holes = truth["holes"]
    found = [h for h in m.holes if h.status != "hidden"]
    pairs = matched(truth, m)
    missed = [i for i, h in enumerate(holes) if h["visible"] >= SEEN and i not in pairs]
    gauged = {
        i: found[j]
        for i, j in pairs.items()
        if not holes[i]["blocked"] and holes[i]["visible"] >= WHOLE and found[j].diameter_mm is not None
    }
    off = np.array([(h.diameter_mm or 0.0) - holes[i]["bore_mm"] for i, h in gauged.items()])
    u = np.array([math.hypot(h.u_own_diameter_mm or 0, h.u_shared_diameter_mm or 0) for h in gauged.values()])
    away2 = [(h.x_px - holes[i]["px"]) ** 2 + (h.y_px - holes[i]["py"]) ** 2 for i, h in gauged.items()]
    true_gaps, gaps = [], []
    for i, hole in enumerate(holes):
        k = (i + 1) % len(holes)
        if i in pairs and k in pairs:
            a, b = found[pairs[i]], found[pairs[k]]
            true_gaps.append(math.hypot(holes[k]["x_mm"] - hole["x_mm"], holes[k]["y_mm"] - hole["y_mm"]))
            gaps.append(math.hypot(b.x_mm - a.x_mm, b.y_mm - a.y_mm))
    pitch, diameter = m.seat.pitch, m.seat.diameter
    true_pitch = float(np.mean(true_gaps)) if true_gaps else math.nan
    true_bore = float(np.mean([holes[i]["bore_mm"] for i in gauged])) if gauged else math.nan
    return Score(
        n_missed=len(missed),
        n_false=len(found) - len(pairs),
        status_wrong=tuple(
            found[j].number for i, j in pairs.items() if holes[i]["blocked"] != (found[j].status == "blocked")
        ),
        diameter_off_mm=float(np.median(off)) if len(off) else math.nan,
        diameter_rms_mm=float(np.sqrt(np.mean(off**2))) if len(off) else math.nan,
        pitch_off_rel=float(np.mean(gaps)) / true_pitch - 1 if gaps else math.nan,
        centre_rms_px=float(np.sqrt(np.mean(away2))) if away2 else math.nan,
        pitch_z=(pitch.mean_mm - true_pitch) / pitch.u_mean_mm if pitch else math.nan,
        diameter_z=(diameter.mean_mm - true_bore) / diameter.u_mean_mm if diameter else math.nan,
        single_cover=float(np.mean(np.abs(off) <= 2 * u)) if len(off) else math.nan,
    )
