"""How the measurement holds up as photographs get worse, in a table.

    PYTHONPATH=.:tests python tests/worse/worse_photos.py                 # all photographs, all ways: prints the tables
    PYTHONPATH=.:tests python tests/worse/worse_photos.py --write         # and puts them into docs/worse-photographs.md
    PYTHONPATH=.:tests python tests/worse/worse_photos.py --every 6 --ways darker,turned

Takes the shared photographs where they are (``../shared/photos``), else ``samples/``.
"""

import argparse
import csv
import dataclasses
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from degrade import WAYS, Shot, shot_of
from scoring import BORES_OFF_MM, PITCH_OFF_REL, score, truth_of

from holecount.measure import MeasureRequest, measure_photo
from holecount.troubles import UnfitPhoto

ROOT = Path(__file__).parents[2]
SHARED, SAMPLES = ROOT.parent / "shared" / "photos", ROOT / "samples"
PAGE = ROOT / "docs" / "worse-photographs.md"
BEGIN, END = "<!-- table: begin -->", "<!-- table: end -->"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One photograph, worsened in one way by one measure.

    ``refused`` is the first words of the message, empty where it was measured.
    """

    way: str
    measure: float
    name: str
    scale_kind: str
    n_visible: int
    refused: str = ""
    verdict: str = ""
    reasons: tuple[str, ...] = ()
    n_missed: int = 0
    n_false: int = 0
    pitch_off_rel: float = math.nan
    diameter_off_mm: float = math.nan
    diameter_rms_mm: float = math.nan
    pitch_z: float = math.nan
    diameter_z: float = math.nan

    @property
    def count_right(self) -> bool:
        return not self.refused and self.n_missed + self.n_false == 0

    @property
    def wrong(self) -> bool:
        """Measured, and would mislead: count, pitch by 2 %, bores by 0.25 mm."""
        return not self.refused and (
            not self.count_right or abs(self.pitch_off_rel) > PITCH_OFF_REL or abs(self.diameter_off_mm) > BORES_OFF_MM
        )


def photographs() -> list[Path]:
    """Those with a scale in them, and truth beside them."""
    folder = SHARED if SHARED.is_dir() else SAMPLES
    return [p for p in sorted(folder.glob("*.jpg")) if truth_of(p)["scale_kind"] != "none"]


def shots(paths: Sequence[Path]) -> Iterator[Shot]:
    """Each photograph with the next one as the other seat."""
    for k, path in enumerate(paths):
        beside = paths[(k + 1) % len(paths)]
        yield shot_of(path, truth_of(path), other=shot_of(beside, truth_of(beside)))


def outcome(shot: Shot, way: str, measure: float) -> Outcome:
    """Worsen, measure, compare."""
    made = WAYS[way][0](shot, measure)
    blank = Outcome(
        way=way,
        measure=measure,
        name=shot.name,
        scale_kind=shot.truth["scale_kind"],
        n_visible=made.truth["count_visible"],
    )
    try:
        m = measure_photo(made.photo(), MeasureRequest(), None)
    except UnfitPhoto as trouble:
        return dataclasses.replace(blank, refused=trouble.what)
    s = score(made.truth, m)
    return dataclasses.replace(
        blank,
        verdict=m.verdict,
        reasons=m.verdict_reasons,
        n_missed=s.n_missed,
        n_false=s.n_false,
        pitch_off_rel=s.pitch_off_rel,
        diameter_off_mm=s.diameter_off_mm,
        diameter_rms_mm=s.diameter_rms_mm,
        pitch_z=s.pitch_z,
        diameter_z=s.diameter_z,
    )


def table(outcomes: Sequence[Outcome]) -> str:
    """A line for each way and measure."""
    lines = [
        "| made worse | photographs | refused | count right | wholly right | of those `good` | wrong, `check` "
        "| wrong, `good` | bores off: median, 90 % below, rms | pitch off: median, 90 % below |",
        "|---" * 10 + "|",
    ]
    for way, measure in dict.fromkeys((o.way, o.measure) for o in outcomes):
        some = [o for o in outcomes if (o.way, o.measure) == (way, measure)]
        got = [o for o in some if not o.refused]
        right = [o for o in got if not o.wrong]
        unit = WAYS[way][1]
        row = [
            way + (f", {measure:g} {unit}" if unit else ""),
            len(some),
            len(some) - len(got),
            sum(o.count_right for o in got),
            len(right),
            sum(o.verdict == "good" for o in right),
            sum(o.wrong and o.verdict != "good" for o in got),
            sum(o.wrong and o.verdict == "good" for o in got),
            _spread([o.diameter_off_mm for o in got], "mm", 2) + ", " + _rms([o.diameter_rms_mm for o in got]),
            _spread([100 * o.pitch_off_rel for o in got], "%", 2),
        ]
        lines.append("| " + " | ".join(map(str, row)) + " |")
    return "\n".join(lines)


def _spread(values: Sequence[float], unit: str, digits: int) -> str:
    """Median with its sign where it says more than its size: the bias; and what 90 % stay below."""
    v = np.array([x for x in values if math.isfinite(x)])
    if not len(v):
        return "-"
    return f"{np.median(v):+.{digits}f}, {np.percentile(np.abs(v), 90):.{digits}f} {unit}"


def _rms(values: Sequence[float]) -> str:
    v = [x for x in values if math.isfinite(x)]
    return f"{np.median(v):.2f} mm" if v else "-"


def write_page(words: str) -> None:
    """Put the table where the page keeps it."""
    text = PAGE.read_text(encoding="utf-8")
    head, rest = text.split(BEGIN)
    tail = rest.split(END)[1]
    PAGE.write_text(f"{head}{BEGIN}\n{words}\n{END}{tail}", encoding="utf-8")


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--every", type=int, default=1, help="only every so many photographs")
    ask.add_argument("--ways", default=",".join(WAYS), help="only these, by name, with commas between")
    ask.add_argument("--csv", type=Path, help="one line for each photograph and way")
    ask.add_argument("--write", action="store_true", help="put the table into docs/worse-photographs.md")
    a = ask.parse_args()
    outcomes = []
    ways = a.ways.split(",")
    for shot in shots(photographs()[:: a.every]):
        for way in ways:
            for measure in WAYS[way][2]:
                o = outcome(shot, way, measure)
                outcomes.append(o)
                what = o.refused or f"{'WRONG' if o.wrong else 'right'}, {o.verdict}"
                print(f"{o.name} {way} {measure:g}: {what}", flush=True)
    order = {way: k for k, way in enumerate(WAYS)}
    outcomes.sort(key=lambda o: (order[o.way], WAYS[o.way][2].index(o.measure)))
    words = table(outcomes)
    print("\n" + words)
    if a.csv:
        rows = [dataclasses.asdict(o) for o in outcomes]
        with a.csv.open("w", newline="", encoding="utf-8") as out:
            writer = csv.DictWriter(out, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    if a.write:
        write_page(words)


if __name__ == "__main__":
    main()
