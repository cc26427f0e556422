"""One photograph kept at hand: decoded once, its stages remembered, so that a correction costs only what it changes.

Stages, their order and every rule are those of `holecount.measure`; here they are only remembered.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from holecount.jobs import Inputs, Job
from holecount.measure import Located, MeasureRequest, find_references, locate, measure_photo, moved_to
from holecount.measurement import Measurement
from holecount.photo import Photo, ReadSettings, read_photo
from holecount.scale.reference import Reference
from holecount.sheet.of_job import request_of
from holecount.troubles import Trouble

Progress = Callable[[str], None]

MOST_REMEMBERED = 4
"""Scales for which the seat as located is kept, so that going back to one costs nothing. Own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ends:
    """Two marks of a ruler and how far apart they are by what was read on it."""

    first_px: tuple[float, float]
    last_px: tuple[float, float]
    length_mm: float


class Session:
    """The decoded photograph of a job and the stages of its measurement.

    `measure` and `prepare` may be called from one thread at a time, all else from any.
    """

    def __init__(self, job: Job, limits: ReadSettings | None = None) -> None:
        self.job = job
        self._limits = limits
        self._photo: Photo | None = None
        self._reading = threading.Lock()
        self._seen: dict[Hashable, tuple[Reference, ...]] = {}
        self._located: OrderedDict[Hashable, Located] = OrderedDict()
        self._remembering = threading.Lock()

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
        photo = self.photo(progress)
        return measure_photo(photo, request_of(inputs), located=lambda ask: self._locate(photo, ask, progress))

    def at_once(self, inputs: Inputs) -> Measurement | None:
        """What `measure` gives, when that takes no new look for scale or holes; None when it does.

        Raises
        ------
        Trouble
            As `measure` would.
        """
        with self._remembering:
            if not self._located:
                return None
        try:
            return measure_photo(self.photo(), request_of(inputs), located=self._remembered)
        except _NotRemembered:
            return None

    def preview(self, inputs: Inputs) -> Measurement | None:
        """What `measure` will give but for the last hundredths, in a moment; None when that cannot be told.

        For a scale placed anew: the holes that the photograph shows stay as they were gauged last. Never saved.
        """
        with self._remembering:
            last = next(reversed(self._located.values()), None)
        if last is None:
            return None
        photo = self.photo()

        def moved(ask: MeasureRequest) -> Located:
            try:
                return self._remembered(ask)
            except _NotRemembered:
                if ask.fixes is None or not ask.fixes.scale:
                    raise
                return moved_to(photo, last, find_references(photo, ask))

        try:
            return measure_photo(photo, request_of(inputs), located=moved)
        except (Trouble, _NotRemembered):
            return None  # What is wrong, measuring says.

    @property
    def has_looked(self) -> bool:
        """Whether card and ruler were looked for in the picture, so that `ends` can tell."""
        with self._remembering:
            return bool(self._seen)

    def ends(self, outline_px: Sequence[tuple[float, float]]) -> Ends | None:
        """First and last mark read on the ruler with this outline; None when it is no ruler, or not found yet."""
        with self._remembering:
            known = [r for found in self._seen.values() for r in found]
        for r in known:
            if r.kind == "ruler" and np.array_equal(r.outline_px, np.array(outline_px)):
                along = r.points_mm[:, 0]
                one_edge = np.nonzero(r.row == 0)[0] if r.row is not None else np.arange(len(along))
                first, last = one_edge[along[one_edge].argmin()], one_edge[along[one_edge].argmax()]
                return Ends(
                    first_px=(float(r.points_px[first, 0]), float(r.points_px[first, 1])),
                    last_px=(float(r.points_px[last, 0]), float(r.points_px[last, 1])),
                    length_mm=float(along[last] - along[first]),
                )
        return None

    def prepare(self, inputs: Inputs) -> None:
        """Do beforehand what every correction needs; a `Trouble` in it shows when measuring."""
        self._locate(self.photo(), request_of(inputs), None)

    def _locate(self, photo: Photo, ask: MeasureRequest, progress: Progress | None) -> Located:
        """The seat as located, remembered for the scale that was asked for."""
        try:
            return self._remembered(ask)
        except _NotRemembered:
            made = locate(photo, ask, progress, references=self._references(photo, ask, progress))
        with self._remembering:
            self._located[_key(ask)] = made
            while len(self._located) > MOST_REMEMBERED:
                self._located.popitem(last=False)
        return made

    def _remembered(self, ask: MeasureRequest) -> Located:
        with self._remembering:
            if _key(ask) not in self._located:
                raise _NotRemembered
            self._located.move_to_end(_key(ask))
            return self._located[_key(ask)]

    def _references(self, photo: Photo, ask: MeasureRequest, progress: Progress | None) -> tuple[Reference, ...] | None:
        """References found in the picture; None where they are placed by hand, or not asked for."""
        if ask.in_pixels or (ask.fixes is not None and ask.fixes.scale):
            return None
        key = (ask.cards, ask.ruler)
        if key not in self._seen:
            if progress:
                progress("looking for the card or ruler")
            found = find_references(photo, replace(ask, fixes=None))
            with self._remembering:
                self._seen[key] = found
        return self._seen[key]


class _NotRemembered(Exception):
    """The seat has to be located first."""


def _key(ask: MeasureRequest) -> Hashable:
    """Everything that the seat as located hangs on beside the photograph."""
    return ask.in_pixels, ask.cards, ask.ruler, ask.fixes.scale if ask.fixes is not None else ()
