"""One photograph kept at hand: decoded once, its stages remembered, so that a correction costs only what it changes.

The stages and their order are those of `holecount.measure.measure_photo`; a test holds that both give the same.
"""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from holecount.fixes import Fixes
from holecount.holes.find import Found
from holecount.holes.gauge import RimReading, gauge_holes
from holecount.jobs import Inputs, Job
from holecount.measure import Located, MeasureRequest, find_references, locate, write_down
from holecount.measurement import Measurement
from holecount.photo import Photo, ReadSettings, read_photo
from holecount.scale.fit import PlaneFit
from holecount.scale.plane import Camera
from holecount.scale.reference import Reference
from holecount.settle import settle
from holecount.sheet.of_job import request_of
from holecount.troubles import Trouble

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Settled:
    """The line gauged and settled without corrections of single holes."""

    line: Located
    camera: Camera
    plane: PlaneFit | None
    found: Found
    readings: tuple[RimReading, ...]


class Session:
    """The decoded photograph of a job and the stages of its measurement.

    `photo` and `preview` may be called from any thread, `measure` and `prepare` from one at a time.
    """

    def __init__(self, job: Job, limits: ReadSettings | None = None) -> None:
        self.job = job
        self._limits = limits
        self._photo: Photo | None = None
        self._reading = threading.Lock()
        self._seen: tuple[object, tuple[Reference, ...]] | None = None
        self._line: tuple[object, Located] | None = None
        self._settled: _Settled | None = None

    def photo(self, progress: Progress | None = None) -> Photo:
        """The photograph, decoded on first use; raises any `Trouble` of reading it."""
        with self._reading:
            if self._photo is None:
                if progress:
                    progress("reading the photograph")
                self._photo = read_photo(self.job.photo(), self._limits)
            return self._photo

    def measure(self, inputs: Inputs, progress: Progress | None = None) -> Measurement:
        """Measure for these inputs; raises any `Trouble`."""
        say = progress or (lambda words: None)
        photo = self.photo(progress)
        ask = request_of(inputs)
        fixes = ask.fixes
        if fixes is not None:
            if fixes.by_number:
                bare = self.measure(_without_fixes(inputs), progress)
                fixes.check_photo(photo.sha256, photo.width_px, photo.height_px)
                fixes = fixes.placed(bare.holes)
            fixes.check_photo(photo.sha256, photo.width_px, photo.height_px)
        line = self._found(photo, ask, say)
        say("gauging the holes")
        camera, plane, found, readings = self._settle(photo, line, fixes)
        return write_down(
            photo, found, readings, camera, plane, line.references, line.left_out, lean_open=line.lean_open
        )

    def _settle(
        self, photo: Photo, line: Located, fixes: Fixes | None
    ) -> tuple[Camera, PlaneFit | None, Found, Sequence[RimReading]]:
        """Gauge and settle; without corrections of single holes what comes of it is remembered."""
        bare = fixes is None or not (fixes.add or fixes.strike_out or fixes.mark)
        camera, plane, found, readings = settle(photo, line.camera, line.plane, line.found, line.references, fixes)
        if bare:
            self._settled = _Settled(line=line, camera=camera, plane=plane, found=found, readings=tuple(readings))
        return camera, plane, found, readings

    def preview(self, inputs: Inputs) -> Measurement | None:
        """What the measurement will be but for the last hundredths, at once; None when that cannot be told.

        Corrections of single holes are made to the settled line; the plane and the rims that the photograph shows
        unchanged are left as they were, where `measure` settles everything anew. Never saved.
        """
        ask = request_of(inputs)
        fixes, base, known = ask.fixes, self._settled, self._line
        if fixes is None or fixes.by_number or base is None or known is None or base.line is not known[1]:
            return None
        if known[0] != _scale_key(ask):
            return None
        photo, line = self.photo(), base.line
        try:
            fixes.check_photo(photo.sha256, photo.width_px, photo.height_px)
            found = base.found.corrected(fixes, base.camera)
            seen = [(float(x), float(y)) for x, y in found.xy_px[~found.hidden]]
            was = [(float(x), float(y)) for x, y in base.found.xy_px[~base.found.hidden]]
            at = dict(zip(was, base.readings, strict=True))
            new = [xy for xy in seen if xy not in at]
            if new:
                at |= zip(new, gauge_holes(photo, base.camera, np.array(new), _usual_mm(base.readings)), strict=True)
            readings = [at[xy] for xy in seen]
            return write_down(
                photo, found, readings, base.camera, base.plane, line.references, line.left_out,
                lean_open=line.lean_open,
            )  # fmt: skip
        except (Trouble, ValueError):
            return None  # What is wrong, measuring says.

    def prepare(self, inputs: Inputs) -> None:
        """Do beforehand what every correction needs; a `Trouble` in it shows when measuring."""
        photo = self.photo()
        self._settle(photo, self._found(photo, request_of(inputs), lambda words: None), None)

    def _found(self, photo: Photo, ask: MeasureRequest, say: Progress) -> Located:
        """Scale and hole line, remembered for the scale that was asked for."""
        key = _scale_key(ask)
        if self._line is not None and self._line[0] == key:
            return self._line[1]
        references = None if ask.in_pixels else self._references(photo, ask, say)
        line = locate(photo, references, say)
        self._line = (key, line)
        return line

    def _references(self, photo: Photo, ask: MeasureRequest, say: Progress) -> tuple[Reference, ...]:
        """Scale objects; the search in the picture is remembered while they are placed by hand instead."""
        say("looking for the card or ruler")
        if ask.fixes is not None and ask.fixes.scale:
            return find_references(photo, ask)
        key = (ask.cards, ask.ruler)
        if self._seen is None or self._seen[0] != key:
            self._seen = (key, find_references(photo, ask))
        return self._seen[1]


def _scale_key(ask: MeasureRequest) -> object:
    """Everything that the hole line hangs on beside the photograph."""
    return ask.in_pixels, ask.cards, ask.ruler, ask.fixes.scale if ask.fixes is not None else ()


def _usual_mm(readings: Sequence[RimReading]) -> float:
    return float(np.median([r.diameter_mm for r in readings]))


def _without_fixes(inputs: Inputs) -> Inputs:
    return replace(inputs, fixes=Fixes())
