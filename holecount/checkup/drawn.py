"""A drawn round seat of known size, measured: the whole chain from pixels to figures in half a second."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from holecount.measurement import Measurement
    from holecount.photo import Photo


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnSeat:
    """What is drawn, and how far off the figures may be.

    Attributes
    ----------
    n_holes, pitch_mm, bore_mm : int, float, float
        A fine round seat: 40 holes half an inch apart along the ring, 3/16 in wide. Own choice.
    px_per_mm : float
        About what a phone gives of a seat that fills the picture; own choice.
    most_pitch_off_frac, most_bore_off_mm : float
        The limits within which the project calls a measurement right (docs/accuracy.md).
    """

    n_holes: int = 40
    pitch_mm: float = 12.7
    bore_mm: float = 4.8
    px_per_mm: float = 3.0
    most_pitch_off_frac: float = 0.02
    most_bore_off_mm: float = 0.25

    @property
    def radius_mm(self) -> float:
        """Of the ring of holes; ``pitch_mm`` is the straight distance of neighbours."""
        return self.pitch_mm / 2 / math.sin(math.pi / self.n_holes)

    def is_right(self, m: Measurement) -> bool:
        """Whether a measurement of it says what was drawn."""
        pitch, bore = m.seat.pitch, m.seat.diameter
        if m.seat.n_holes != self.n_holes or pitch is None or bore is None:
            return False
        return (
            abs(pitch.mean_mm / self.pitch_mm - 1) <= self.most_pitch_off_frac
            and abs(bore.mean_mm - self.bore_mm) <= self.most_bore_off_mm
        )


def draw(seat: DrawnSeat) -> tuple[Photo, tuple[tuple[float, float], tuple[float, float]]]:
    """The picture, and two points as far apart as the ring of holes is wide.

    Light is added up linearly and then coded as sRGB (IEC 61966-2-1), as a camera does it: blurred in
    coded values, every hole would read too large.
    """
    from holecount.photo import Photo

    size = round((2 * seat.radius_mm + 70) * seat.px_per_mm)
    centre = (size - 1) / 2
    y, x = (np.mgrid[0:size, 0:size] - centre) / seat.px_per_mm
    from_centre = np.hypot(x, y)
    turn = 2 * math.pi / seat.n_holes
    nearest = np.round(np.arctan2(y, x) / turn) * turn
    from_hole = np.hypot(x - seat.radius_mm * np.cos(nearest), y - seat.radius_mm * np.sin(nearest))

    def share(inside_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Of a pixel that lies inside, blurred by 0.8 px (the hyperbolic tangent is near the error function)."""
        return np.asarray(0.5 + 0.5 * np.tanh(inside_mm * seat.px_per_mm), np.float64)

    wood = share(seat.radius_mm + 22 - from_centre) * share(from_centre - seat.radius_mm + 14)
    hole = share(seat.bore_mm / 2 - from_hole)
    # Linear blue, green and red of floor, wood and the dark in a hole. Own choice.
    floor_bgr, wood_bgr, dark_bgr = ([0.04, 0.07, 0.06], [0.19, 0.36, 0.55], [0.010, 0.012, 0.013])
    light = np.asarray(floor_bgr) + wood[..., None] * (np.asarray(wood_bgr) - floor_bgr)
    light += hole[..., None] * (dark_bgr - light)
    coded = 255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    coded += np.random.default_rng(1).normal(0, 2, coded.shape)
    bgr = coded.clip(0, 255).round().astype(np.uint8)
    reach = seat.radius_mm * seat.px_per_mm
    photo = Photo(path=Path("drawn seat"), sha256="0" * 64, bgr=bgr)
    return photo, ((centre - reach, centre), (centre + reach, centre))


def measure(seat: DrawnSeat) -> Measurement:
    """Draw the seat and measure it with the width of its ring given by hand."""
    from holecount.measure import MeasureRequest, measure_photo
    from holecount.scale.by_hand import length_between

    photo, (left, right) = draw(seat)
    return measure_photo(photo, MeasureRequest(by_hand=(length_between(left, right, 2 * seat.radius_mm),)))
