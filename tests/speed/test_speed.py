"""How time grows. Marked `speed`; run with: pytest -m speed."""

from collections.abc import Callable
from pathlib import Path

import bench
import pytest

SAMPLES = Path(__file__).parents[2] / "samples"

pytestmark = pytest.mark.speed


def test_time_grows_no_faster_than_pixels() -> None:
    _, slope = bench.exponent(SAMPLES / "round-stool.jpg", 2)
    assert slope < 1.2


def test_whole_command_against_reading_alone() -> None:
    # The samples are small, so fixed costs weigh more than on the 12 megapixels the aim of 5 is set for.
    whole, read = bench.cold(SAMPLES / "round-stool.jpg", 3)
    assert whole < 8 * read


def test_reading_costs_no_more_than_decoding() -> None:
    import time

    import cv2

    from holecount.photo import read_photo

    def least(function: Callable[[str], object], file: str) -> float:
        times = []
        for _ in range(8):
            begin = time.perf_counter()
            function(file)
            times.append(time.perf_counter() - begin)
        return min(times)

    photo = str(SAMPLES / "hall-chair.jpg")
    assert least(read_photo, photo) < 1.3 * least(cv2.imread, photo)
