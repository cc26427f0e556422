"""The camera's tilt, read from the rows of holes: under the right one their steps come out even.

Only needed where nothing on the frame tells the tilt, as with one ruler seen along a single edge.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holecount.holes.flat import flatten
from holecount.holes.line import inside_any, step_votes, weights_of
from holecount.holes.spot import spot
from holecount.photo import Photo
from holecount.scale.first_camera import starting_camera
from holecount.scale.plane import Camera
from holecount.scale.reference import Reference

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class TiltSettings:
    """Tilts tried: ``tilts_deg`` in ``n_ways`` directions each; pictures are taken at up to 33 degrees (sample set).

    u_tilt_deg : pictures are meant to be taken from straight above: a mild preference.
    n_marks : strongest marks that vote.
    """

    tilts_deg: tuple[float, ...] = (9.0, 18.0, 26.0, 33.0)
    n_ways: int = 12
    u_tilt_deg: float = 28.0
    n_marks: int = 140


def tilt_of_rows(
    photo: Photo, camera: Camera, references: Sequence[Reference], settings: TiltSettings | None = None
) -> Camera:
    """A camera that sees the first reference at its size and the rows of holes with the most even steps."""
    s = settings or TiltSettings()
    marks = spot(flatten(photo, camera))
    outlines = np.array([camera.to_mm(r.outline_px[:4]) for r in references if len(r.outline_px) >= 4])
    free = ~inside_any(marks.xy_mm, outlines.reshape(-1, 4, 2), margin_mm=-1.0)
    marks_px = camera.to_px(marks.xy_mm[free])[: s.n_marks]
    weight = weights_of(marks.rim[free], marks.rim[free])[: s.n_marks]

    def evenness(tried: Camera) -> float:
        votes = step_votes(tried.to_mm(marks_px), weight)[1]
        return float(votes.max() * np.exp(-0.5 * (tried.tilt_deg / s.u_tilt_deg) ** 2))

    def tilted(tilt_deg: float, way: float) -> Camera:
        run = float(np.sin(np.radians(tilt_deg)))
        normal = (run * float(np.cos(way)), run * float(np.sin(way)))
        return starting_camera(references[0], photo.width_px, photo.height_px, camera.focal_px, normal)

    ways = np.arange(s.n_ways) * 2 * np.pi / s.n_ways
    tried = [tilted(0.0, 0.0), *(tilted(t, float(w)) for t in s.tilts_deg for w in ways)]
    if camera.position_mm[2] > 0:
        tried.append(camera)
    return max(tried, key=evenness)
