"""Is what the tool says of itself true? Hundreds of small drawn cases against their exact truth.

    PYTHONPATH=.:tests python tests/truth/honesty.py --cases 300 --csv honesty.csv

A case is a small drawn seat. Every other one is plain: all that is chosen about it lies in the ranges of the shared
photographs (``drawn_plan.py``). The others are of the kinds in ``STRAINS``, each of which strains one thing beyond
them: tilt, scale, blur, light, radius, holes that are covered, packed, missing or drilled twice, knots beside the row,
a lit floor. They are measured and compared: is a stated uncertainty as large as the error, is ``check`` said when the
answer is wrong, and only then? Wrong is what the trade would call so: the count of what can be seen, pitch off by
more than 2 %, or bores by more than 0.25 mm.
"""

import argparse
import csv
import dataclasses
import math
import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from drawn_seats import draw_seat
from scoring import BORES_OFF_MM, PITCH_OFF_REL, WHOLE, matched, score, truth_of

from holecount.measure import MeasureRequest, measure_photo
from holecount.measurement import Measurement
from holecount.photo import read_photo
from holecount.troubles import UnfitPhoto

FIRST_SEED = 61_000

Draw = Callable[[np.random.Generator], dict[str, object]]


USUAL_SCALES = ("card",) * 4 + ("card+ruler",) * 2 + ("ruler-mm", "ruler-inch", "two-rulers")


def _scale(r: np.random.Generator, *kinds: str) -> str:
    return str(r.choice(kinds or USUAL_SCALES))


STRAINS: dict[str, Draw] = {
    "tilted": lambda r: {"tilt_deg": float(r.uniform(22, 38))},
    "lone ruler": lambda r: {
        "scale_kind": _scale(r, "ruler-mm", "ruler-inch"),
        "seat_size": float(r.uniform(0.35, 0.6)),
    },
    "blurred": lambda r: {"blur_px": float(r.uniform(1.3, 3.2)), "noise": 0.004},
    "noisy": lambda r: {"exposure": float(r.uniform(0.15, 0.4)), "noise": float(r.uniform(0.02, 0.05))},
    "small": lambda r: {"width_px": 1000, "seat_size": float(r.uniform(0.9, 1.1))},
    "covered": lambda r: {"cover_holes": 9, "posts": True, "scale_kind": _scale(r, "card", "card+ruler", "two-rulers")},
    "packed": lambda r: {"blocked_share": float(r.uniform(0.1, 0.35))},
    "missing": lambda r: {"missing_holes": int(r.integers(1, 4))},
    "doubled": lambda r: {"doubled_holes": int(r.integers(1, 3))},
    "knots": lambda r: {"line_marks": int(r.integers(6, 20))},
    "lit floor": lambda r: {"floor_light": float(r.uniform(2.0, 7.0)), "legs": False},
    "rounded": lambda r: {"chamfer_mm": float(r.uniform(0.8, 1.5)), "bore_sd_mm": float(r.uniform(0.05, 0.3))},
}
"""What each kind of strained case has, by override of a seed's plan."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What came of one case; errors over stated uncertainties are nan where there is nothing to compare.

    ``singles`` are those of single bores. ``alarm`` is a reason to look again that there truly is (a hole that is
    drilled twice or left out, a screw hole of the very bore beside the row), so that `check` is right whatever the
    figures.
    """

    number: int
    kind: str
    scale_kind: str
    tilt_deg: float
    radius_px: float
    blur_px: float
    refused: bool = False
    verdict: str = ""
    reasons: tuple[str, ...] = ()
    n_missed: int = 0
    n_false: int = 0
    pitch_off_rel: float = math.nan
    diameter_off_mm: float = math.nan
    pitch_z: float = math.nan
    diameter_z: float = math.nan
    singles: tuple[float, ...] = ()
    whole_count_off: int = 0
    alarm: bool = False

    @property
    def wrong(self) -> bool:
        """Whether the figures would mislead: the limits are the shared scorer's."""
        off = abs(self.pitch_off_rel) > PITCH_OFF_REL or abs(self.diameter_off_mm) > BORES_OFF_MM
        return self.n_missed + self.n_false > 0 or off


def seed_and_plan(number: int) -> tuple[int, str, dict[str, object]]:
    """Seed, kind, and overrides of a case."""
    seed = FIRST_SEED + number
    kind = "plain" if number % 2 == 0 else list(STRAINS)[number // 2 % len(STRAINS)]
    r = np.random.default_rng([seed, 9])
    size = float(r.uniform(0.42, 0.78))  # holes of 5 to 20 px radius, as on the shared photographs
    plan: dict[str, object] = {
        "width_px": int(r.choice([1100, 1280, 1440])),
        "seat_size": size,
        "scale_kind": _scale(r),
        "exif_orientation": 1,
    }
    plan |= STRAINS[kind](r) if kind in STRAINS else {}
    plan["distance_mm"] = float(str(plan["seat_size"])) * float(r.uniform(380, 520))
    return seed, kind, plan


def draw(number: int, folder: Path) -> Path:
    """Draw a case into the folder unless it is there; returns the picture's path."""
    seed, _, plan = seed_and_plan(number)
    path = folder / f"h{number:04d}.jpg"
    if not path.with_suffix(".json").exists():
        draw_seat(seed, **plan).write(folder, path.stem)
    return path


def pitch_z(truth: dict[str, Any], m: Measurement) -> float:
    """Error of the mean pitch over its stated uncertainty, from the very gaps the mean was taken of."""
    at = {j: i for i, j in matched(truth, m).items()}
    seen = [h for h in m.holes if h.status != "hidden"]
    of = {h.number: at.get(k) for k, h in enumerate(seen)}
    true, told = [], []
    for a, b in zip(m.holes, (*m.holes[1:], m.holes[0]), strict=True):
        i, k = of.get(a.number), of.get(b.number)
        if i is None or k is None or (m.shape == "rows" and a.rail != b.rail):
            continue
        p, q = truth["holes"][i], truth["holes"][k]
        true.append(math.hypot(p["x_mm"] - q["x_mm"], p["y_mm"] - q["y_mm"]))
        told.append(math.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm))
    if not true or m.seat.pitch is None or not m.seat.pitch.u_mean_mm:
        return math.nan
    return float(np.mean(told) - np.mean(true)) / m.seat.pitch.u_mean_mm


def _screw_like_a_hole(truth: dict[str, Any]) -> bool:
    """Whether a screw hole of the row's own bore (to a tenth) lies within a step of the row."""
    bore, step = truth["nominal_bore_mm"], truth["nominal_pitch_mm"]
    at = np.array([[h["x_mm"], h["y_mm"]] for h in truth["holes"]])
    return any(
        mark["kind"] == "screw"
        and abs(mark["d"] / bore - 1) <= 0.1
        and float(np.hypot(*(at - [mark["x"], mark["y"]]).T).min()) < step
        for mark in truth["marks"]
    )


def compare(number: int, photo: Path, m: Measurement | None, kind: str) -> Case:
    """The case as it came out; ``m`` is None where it was refused."""
    truth = truth_of(photo)
    radius = float(np.median([h["r_px"] for h in truth["holes"]]))
    case = Case(
        number=number, kind=kind, scale_kind=truth["scale_kind"], tilt_deg=truth["tilt_deg"], radius_px=radius,
        blur_px=truth["blur_px"], refused=m is None, alarm=kind in ("missing", "doubled") or _screw_like_a_hole(truth),
    )  # fmt: skip
    if m is None:
        return case
    s = score(truth, m)
    found = [h for h in m.holes if h.status != "hidden"]
    singles = []
    for i, j in matched(truth, m).items():
        h, t = found[j], truth["holes"][i]
        if h.diameter_mm is not None and not t["blocked"] and t["visible"] >= WHOLE:
            u = math.hypot(h.u_own_diameter_mm or 0, h.u_shared_diameter_mm or 0)
            singles.append((h.diameter_mm - t["bore_mm"]) / u)
    return dataclasses.replace(
        case,
        verdict=m.verdict, reasons=m.verdict_reasons, n_missed=s.n_missed, n_false=s.n_false,
        pitch_off_rel=s.pitch_off_rel, diameter_off_mm=s.diameter_off_mm, pitch_z=pitch_z(truth, m),
        diameter_z=s.diameter_z, singles=tuple(singles), whole_count_off=len(m.holes) - truth["count"],
    )  # fmt: skip


def run(number: int, folder: Path) -> Case:
    """Draw, measure and compare one case."""
    photo = draw(number, folder)
    try:
        m = measure_photo(read_photo(photo), MeasureRequest(), None)
    except UnfitPhoto:
        m = None
    return compare(number, photo, m, seed_and_plan(number)[1])


def binomial_limits(n: int, share: float, beyond: float = 0.005) -> tuple[int, int]:
    """Least and greatest number of successes in ``n`` tries of chance ``share``, each passed with chance ``beyond``."""
    log = [math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1) for k in range(n + 1)]
    chance = np.exp([c + k * math.log(share) + (n - k) * math.log1p(-share) for k, c in enumerate(log)])
    below = np.cumsum(chance)
    return int(np.searchsorted(below, beyond)), int(np.searchsorted(below, 1 - beyond))


@dataclass(frozen=True, slots=True, kw_only=True)
class Honesty:
    """What a set of cases comes to: numbers of cases, and (number within, tries) for coverage."""

    n: int
    refused: int
    wrong: int
    wrong_good: int
    right: int
    right_check: int
    coverage: dict[str, tuple[int, int, int]]

    @property
    def recall(self) -> float:
        """Share of wrong results that say `check`."""
        return 1 - self.wrong_good / self.wrong if self.wrong else math.nan

    @property
    def false_alarms(self) -> float:
        """Share of right results that say `check` without cause."""
        return self.right_check / self.right if self.right else math.nan


def honesty(cases: Iterable[Case]) -> Honesty:
    """Sum up; coverage is counted on results whose count is right, right or wrong otherwise."""
    every = list(cases)
    got = [c for c in every if not c.refused]
    wrong = [c for c in got if c.wrong]
    right = [c for c in got if not c.wrong and not c.alarm]
    counted = [c for c in got if c.n_missed + c.n_false == 0]
    z = {
        "pitch": np.array([c.pitch_z for c in counted]),
        "diameter": np.array([c.diameter_z for c in counted]),
        "single bores": np.array([v for c in counted for v in c.singles]),
    }
    coverage = {}
    for name, values in z.items():
        values = np.abs(values[np.isfinite(values)])
        coverage[name] = (int((values <= 1).sum()), int((values <= 2).sum()), len(values))
    return Honesty(
        n=len(every),
        refused=len(every) - len(got),
        wrong=len(wrong),
        wrong_good=sum(c.verdict == "good" for c in wrong),
        right=len(right),
        right_check=sum(c.verdict != "good" for c in right),
        coverage=coverage,
    )


def _by(cases: Sequence[Case], what: str, key: Callable[[Case], str]) -> list[str]:
    """A table with a line for each value of ``key``."""
    out = [
        f"| {what} | cases | refused | right, `good` | right, `check` | wrong, `check` | wrong, `good` "
        "| pitch in 1 u, 2 u | diameter in 1 u, 2 u |",
        "|---" * 9 + "|",
    ]
    for name in dict.fromkeys(sorted(key(c) for c in cases)):
        some = [c for c in cases if key(c) == name]
        h = honesty(some)
        good = sum(not c.refused and not c.wrong and c.verdict == "good" for c in some)
        check = sum(not c.refused and not c.wrong and c.verdict != "good" for c in some)
        cover = [f"{a}, {b} of {n}" for a, b, n in (h.coverage["pitch"], h.coverage["diameter"])]
        row = [name, h.n, h.refused, good, check, h.wrong - h.wrong_good, h.wrong_good, *cover]
        out.append("| " + " | ".join(map(str, row)) + " |")
    return out


def _tens(value: float, step: float, unit: str) -> str:
    low = math.floor(value / step) * step
    return f"{low:g} to {low + step:g} {unit}"


def told(cases: Sequence[Case]) -> str:
    """Everything in words and tables."""
    h = honesty(cases)
    lines = [
        f"{h.n} cases, {h.refused} refused; {h.wrong} wrong, {h.wrong_good} of them `good` "
        f"(recall {100 * h.recall:.1f} %); {h.right} right without a cause to look again, {h.right_check} of them "
        f"`check` (false alarms {100 * h.false_alarms:.1f} %)",
        "",
    ]
    for name, (one, two, n) in h.coverage.items():
        lines.append(f"{name}: {100 * one / n:.1f} % within 1 u, {100 * two / n:.1f} % within 2 u, of {n}")
        if name != "single bores":
            limits = [binomial_limits(n, share) for share in (0.6827, 0.9545)]
            words = [f"{100 * a / n:.1f} to {100 * b / n:.1f} %" for a, b in limits]
            lines.append(f"  chance alone: {words[0]} and {words[1]} (99 in 100)")
    whole = [c for c in cases if not c.refused and not c.wrong and c.kind != "missing"]
    lines.append(
        f"holes in all, those inferred included, right in {sum(c.whole_count_off == 0 for c in whole)} of {len(whole)} "
        "right results"
    )
    for what, key in (
        ("kind", lambda c: c.kind),
        ("scale", lambda c: c.scale_kind),
        ("tilt", lambda c: _tens(c.tilt_deg, 10, "degrees")),
        ("radius", lambda c: _tens(c.radius_px, 4, "px")),
    ):
        lines += ["", *_by(cases, what, key)]
    return "\n".join(lines) + "\n"


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--cases", type=int, default=300, help="how many")
    ask.add_argument("--first", type=int, default=0, help="number of the first")
    ask.add_argument("--keep", type=Path, help="folder for the pictures; drawn ones there are used again")
    ask.add_argument("--csv", type=Path, help="one line a case")
    a = ask.parse_args()
    with tempfile.TemporaryDirectory() as made:
        folder = a.keep or Path(made)
        folder.mkdir(parents=True, exist_ok=True)
        cases = []
        for number in range(a.first, a.first + a.cases):
            cases.append(run(number, folder))
            c = cases[-1]
            what = "refused" if c.refused else f"{'WRONG' if c.wrong else 'right'}, {c.verdict}"
            print(f"{number} {c.kind}, {c.scale_kind}: {what}", flush=True)
    print()
    print(told(cases))
    if a.csv:
        rows = [dataclasses.asdict(c) for c in cases]
        with a.csv.open("w", newline="", encoding="utf-8") as out:
            writer = csv.DictWriter(out, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)


if __name__ == "__main__":
    main()
