"""The table of docs/accuracy.md: measured again, from photographs whose truth is known exactly.

    python tests/photos/accuracy.py                       the samples
    python tests/photos/accuracy.py ../shared/photos      any folder of NAME.jpg with NAME.json beside it
    python tests/photos/accuracy.py --drawn 60            that many pictures of the project's own ray caster

Several may be given together; each becomes a column.
"""

import argparse
import multiprocessing
import os
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "truth")]
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from scoring import Score, score, truth_of  # noqa: E402

SAMPLES = ROOT / "samples"
FIRST_SEED = 401


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What became of one photograph: a score with its verdict, or refused."""

    has_scale: bool
    score: Score | None = None
    verdict: str = "refused"


def of_file(photo: Path) -> Result:
    """Measure one photograph as `holecount measure PHOTO` does."""
    from holecount.measure import MeasureRequest, measure_photo
    from holecount.photo import read_photo
    from holecount.troubles import UnfitPhoto

    truth = truth_of(photo)
    has_scale = truth["scale_kind"] != "none"
    try:
        m = measure_photo(read_photo(photo), MeasureRequest())
    except UnfitPhoto:
        return Result(has_scale=has_scale)
    return Result(has_scale=has_scale, score=score(truth, m), verdict=m.verdict)


def of_seed(seed: int) -> Result:
    """Draw one picture and measure it."""
    from drawn_seats import draw_seat

    with tempfile.TemporaryDirectory() as folder:
        return of_file(draw_seat(seed).write(folder, f"drawn-{seed}"))


def column(results: Sequence[Result]) -> list[str]:
    """The figures of one set, in the order of `ROWS`."""
    asked = [r for r in results if r.has_scale]
    scores = [(r.score, r.verdict) for r in asked if r.score is not None]
    bare = [r for r in results if not r.has_scale]
    pitch = 100 * np.array([abs(s.pitch_off_rel) for s, _ in scores])
    bore = np.array([abs(s.diameter_off_mm) for s, _ in scores])
    bore = bore[np.isfinite(bore)]

    def within(z: list[float]) -> str:
        off = np.abs([v for v in z if np.isfinite(v)])
        return f"{100 * np.mean(off <= 1):.0f} %, {100 * np.mean(off <= 2):.0f} %"

    wrong = [v for s, v in scores if not s.wholly_right]
    return [
        f"{len(asked)}, {len(bare)}",
        f"{len(scores)}, {len(asked) - len(scores)}",
        str(sum(s.count_right for s, _ in scores)),
        str(len(scores) - len(wrong)),
        str(wrong.count("good")),
        str(sum(v == "check" for s, v in scores if s.wholly_right)),
        f"{np.median(pitch):.2f} %, {np.quantile(pitch, 0.9):.2f} %",
        f"{np.median(bore):.3f} mm, {np.quantile(bore, 0.9):.3f} mm",
        within([s.pitch_z for s, _ in scores]),
        within([s.diameter_z for s, _ in scores]),
        f"{sum(r.score is None for r in bare)} of {len(bare)}",
    ]


ROWS = (
    "photographs with and without a thing of known size",
    "of those with one: measured, refused",
    "count exactly right",
    "wholly right (count, pitch within 2 %, bores within 0.25 mm)",
    "wrong but said `good`",
    "wholly right but said `check`",
    "seat pitch off: median, 90 % below",
    "bores off, median of a photograph: median, 90 % below",
    "seat pitch within 1 u, 2 u",
    "seat diameter within 1 u, 2 u",
    "without a thing of known size: refused",
)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="*", type=Path)
    parser.add_argument("--drawn", type=int, default=0, metavar="N")
    given = parser.parse_args()
    heads, columns = [], []
    folders = given.folders or ([] if given.drawn else [SAMPLES])
    with ProcessPoolExecutor(mp_context=multiprocessing.get_context("spawn")) as pool:
        for folder in folders:
            photos = sorted(p for p in folder.glob("*.jpg") if p.with_suffix(".json").is_file())
            heads.append(f"{folder.name}, {len(photos)}")
            columns.append(column(list(pool.map(of_file, photos))))
        if given.drawn:
            heads.append(f"drawn, {given.drawn}")
            columns.append(column(list(pool.map(of_seed, range(FIRST_SEED, FIRST_SEED + given.drawn)))))
    print("| | " + " | ".join(heads) + " |")
    print("|---" * (1 + len(heads)) + "|")
    for k, row in enumerate(ROWS):
        print(f"| {row} | " + " | ".join(c[k] for c in columns) + " |")


if __name__ == "__main__":
    main()
