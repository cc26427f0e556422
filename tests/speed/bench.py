"""Time by stage: ``PYTHONPATH=.:tests/truth python tests/speed/bench.py [--repeat N] [--fit] PHOTO...``

The samples are taken when no photograph is named.

Prints for each photograph what the whole command takes from cold, what reading the same file with
OpenCV and starting the interpreter take, their ratio, and the seconds between the words of progress.
``--fit`` measures one picture made smaller in steps, and drawn seats of one size with more and more
holes, and prints the exponents with which time grows with pixels and with holes (1 is linear).
"""

import argparse
import math
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import cv2

SAMPLES = Path(__file__).parents[2] / "samples"


def seconds(command: Sequence[str], repeat: int) -> float:
    """Least wall time of a command over some runs, in seconds; standard output is dropped."""
    best = math.inf
    for _ in range(repeat):
        begin = time.perf_counter()
        subprocess.run([sys.executable, *command], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
        best = min(best, time.perf_counter() - begin)
    return best


def cold(photo: Path, repeat: int) -> tuple[float, float]:
    """Seconds of the whole command, and of starting the interpreter and reading the file with OpenCV."""
    whole = seconds(["-m", "holecount", "measure", str(photo), "--as", "json"], repeat)
    read = seconds(["-c", f"import cv2; cv2.imread({str(photo)!r})"], repeat)
    return whole, read


def stages(photo: Path, repeat: int) -> list[tuple[str, float]]:
    """Least seconds of each stage, by the words it announces itself with; imports are done before."""
    from holecount.measure import MeasureRequest, measure_photo
    from holecount.photo import read_photo
    from holecount.tally import to_json
    from holecount.troubles import UnfitPhoto

    best: dict[str, float] = {}
    for _ in range(repeat):
        marks = [("reading the photograph", time.perf_counter())]

        def say(words: str, marks: list[tuple[str, float]] = marks) -> None:
            marks.append((words, time.perf_counter()))

        picture = read_photo(photo)
        say("getting ready")
        try:
            m = measure_photo(picture, MeasureRequest(), say)
            say("writing JSON")
            to_json(m)
        except UnfitPhoto as trouble:
            say(f"(refused: {trouble.what})")
        marks.append(("", time.perf_counter()))
        for (words, begin), (_, end) in pairwise(marks):
            best[words] = min(best.get(words, math.inf), end - begin)
    return list(best.items())


def exponent(photo: Path, repeat: int) -> tuple[list[tuple[float, float]], float]:
    """Megapixels and seconds of one picture in several sizes, and the slope of their logarithms."""
    picture = cv2.imread(str(photo))
    points = []
    with tempfile.TemporaryDirectory() as folder:
        for factor in (0.5, 0.7, 1.0, 1.4, 2.0):
            file = Path(folder) / f"{factor}.jpg"
            way = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
            cv2.imwrite(str(file), cv2.resize(picture, None, fx=factor, fy=factor, interpolation=way))
            megapixels = picture.shape[0] * picture.shape[1] * factor**2 / 1e6
            points.append((megapixels, sum(t for _, t in stages(file, repeat))))
    return points, _slope(points)


def exponent_of_holes(repeat: int) -> tuple[list[tuple[int, float]], float]:
    """Holes and seconds of drawn seats of the same size and pixels, drilled closer and closer, and the slope."""
    from drawn_seats import draw_seat

    points = []
    with tempfile.TemporaryDirectory() as folder:
        for pitch_mm in (24.0, 17.0, 12.0, 8.5):
            usual = {"seat": "rect", "scale_kind": "card", "width_px": 2000, "tilt_deg": 8.0, "cover_holes": 0}
            seat = draw_seat(7, pitch_mm=pitch_mm, bore_mm=0.38 * pitch_mm, n_objects=0, blocked_share=0.0, **usual)
            file = Path(folder) / f"{pitch_mm}.jpg"
            cv2.imwrite(str(file), seat.bgr)
            points.append((int(str(seat.truth["count"])), sum(t for _, t in stages(file, repeat))))
    return points, _slope(points)


def _slope(points: Sequence[tuple[float, float]]) -> float:
    """Of the logarithms, by least squares."""
    x, y = [math.log(p) for p, _ in points], [math.log(t) for _, t in points]
    mx, my = sum(x) / len(x), sum(y) / len(y)
    return sum((a - mx) * (b - my) for a, b in zip(x, y, strict=True)) / sum((a - mx) ** 2 for a in x)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("photos", nargs="*", type=Path, default=sorted(SAMPLES.glob("*.jpg")))
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--fit", action="store_true")
    given = parser.parse_args()
    version = seconds(["-m", "holecount", "--version"], given.repeat)
    print(f"holecount --version  {version:.3f} s, bare interpreter {seconds(['-c', 'pass'], given.repeat):.3f} s")
    for photo in given.photos:
        if given.fit:
            points, slope = exponent(photo, given.repeat)
            print(f"{photo.name}: " + ", ".join(f"{mp:.1f} MP {t:.2f} s" for mp, t in points))
            print(f"  time grows with pixels to the power {slope:.2f}")
            continue
        whole, read = cold(photo, given.repeat)
        print(f"{photo.name}: whole command {whole:.2f} s, start and read {read:.2f} s, ratio {whole / read:.1f}")
        for words, t in stages(photo, given.repeat):
            print(f"  {words:<34}{1000 * t:7.0f} ms")
    if given.fit:
        many, slope = exponent_of_holes(given.repeat)
        print("drawn seats: " + ", ".join(f"{n} holes {t:.2f} s" for n, t in many))
        print(f"  time grows with holes to the power {slope:.2f}")
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / (1e9 if sys.platform == "darwin" else 1e6)
    if peak:
        print(f"most memory of any command {peak:.2f} GB")


if __name__ == "__main__":
    main()
