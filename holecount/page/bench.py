"""The jobs that are open on the bench, and the one worker that measures them."""

import contextlib
import threading
import traceback
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from queue import Queue
from typing import Any

from holecount import jobs
from holecount.decide import fullest_hole_of
from holecount.jobs import Inputs, Job, measured_from
from holecount.measurement import Measurement
from holecount.page import edits
from holecount.page.session import Session
from holecount.page.tiles import Pyramid
from holecount.photo import ReadSettings
from holecount.sheet.of_job import decision_of, request_of, wishes_of
from holecount.sheet.strand_pages import StrandPages, strand_pages_of
from holecount.sizing import built_in_charts, chart_named
from holecount.troubles import Trouble

MOST_OPEN = 3
"""Jobs whose photograph is kept decoded: 12 megapixels take some 100 MB each. Own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What is known of a job at one moment.

    Attributes
    ----------
    inputs : Inputs
        As they stand in the folder.
    measurement : Measurement or None
        Made from these inputs; None while it is being made, or when it cannot be.
    trouble : Trouble or None
        Why it cannot be.
    doing : str
        What is being done just now; empty when nothing is.
    counted : int or None
        Strands in the fullest hole of the measurement's strand plan.
    settled : bool
        False while the measurement is a preview: the last hundredths are still being reckoned.
    """

    inputs: Inputs
    measurement: Measurement | None
    trouble: Trouble | None
    doing: str
    counted: int | None = None
    settled: bool = True


class OpenJob:
    """A job on the bench: its session, and what the worker found last."""

    def __init__(self, job: Job, limits: ReadSettings | None) -> None:
        self.job = job
        self.session = Session(job, limits)
        self.changed = threading.Condition()
        self.made_from = ""
        self.previewed: tuple[str, Measurement] | None = None
        self.measurement: Measurement | None = None
        self.counted: int | None = None
        self.trouble: Trouble | None = None
        self.doing = ""
        self.reckoning = threading.Lock()  # held while something is reckoned at once
        self.queued = self.asked = False
        self.told: tuple[object, dict[str, Any]] | None = None  # what the browser was told last, and of what
        self._weave: tuple[object, StrandPages] | None = None
        self._pyramid: Pyramid | None = None
        self._pyramid_lock = threading.Lock()

    def pyramid(self) -> Pyramid:
        """The photograph in tiles; raises any `Trouble` of reading it."""
        with self._pyramid_lock:
            if self._pyramid is None:
                self._pyramid = Pyramid(self.session.photo().bgr)
            return self._pyramid

    def weave(self, m: Measurement, *, couched: bool) -> StrandPages:
        """The strand plan of the measurement, remembered; raises `BadInput` when the holes make no seat."""
        key = (m, couched)
        if self._weave is None or self._weave[0] != key:
            self._weave = (key, strand_pages_of(m, couched=couched))
        return self._weave[1]


class Bench:
    """All jobs of one folder. Every public method may be called from any thread.

    Parameters
    ----------
    folder : where jobs are kept.
    limits : of uploaded photographs.
    """

    def __init__(self, folder: Path, limits: ReadSettings | None = None) -> None:
        self.folder = folder
        self.limits = limits or ReadSettings()
        self._open: OrderedDict[str, OpenJob] = OrderedDict()
        self._lock = threading.Lock()
        self._tasks: Queue[OpenJob | None] = Queue()
        self._worker = threading.Thread(target=self._work, name="measuring", daemon=True)
        self._worker.start()

    def close(self) -> None:
        """Finish what is being measured and stop."""
        self._tasks.put(None)
        self._worker.join(timeout=30)

    def jobs(self) -> list[Job]:
        """All jobs, the youngest first."""
        return jobs.jobs_in(self.folder)

    def open(self, name: str) -> OpenJob | None:
        """Lay a job on the bench; None when there is none of that name."""
        job = jobs.job_named(self.folder, name)
        if job is None:
            return None
        with self._lock:
            found = self._open.get(name)
            if found is None:
                found = self._open[name] = OpenJob(job, self.limits)
            self._open.move_to_end(name)
            idle = [k for k, o in self._open.items() if not o.queued and k != name]
            for k in idle[: max(0, len(self._open) - MOST_OPEN)]:
                del self._open[k]
            return found

    def view(self, opened: OpenJob, *, wait_s: float = 0.0, preview: bool = False) -> View:
        """What is known of the job now; measuring is begun when it has to be.

        Parameters
        ----------
        wait_s : how long to wait for measuring to be done.
        preview : a preview will do, where the exact figures take a new look at the picture.
        """
        inputs = opened.job.inputs()
        wanted = measured_from(inputs)

        if opened.made_from != wanted:
            # Not left to the worker, which may still be busy with the change before.
            self._at_once(opened, inputs, wanted, preview=preview)

        def early() -> bool:
            return preview and opened.previewed is not None and opened.previewed[0] == wanted

        with opened.changed:
            if opened.made_from != wanted:
                self._ask(opened)
                opened.changed.wait_for(lambda: opened.made_from == wanted or early(), timeout=wait_s)
            if opened.made_from == wanted:
                return View(
                    inputs=inputs,
                    measurement=opened.measurement,
                    trouble=opened.trouble,
                    doing="",
                    counted=opened.counted,
                )
            doing = opened.doing or "measuring"
            if opened.previewed is not None and opened.previewed[0] == wanted:
                m = opened.previewed[1]
                return View(
                    inputs=inputs, measurement=m, trouble=None, doing=doing, counted=opened.counted, settled=False
                )
            return View(inputs=inputs, measurement=None, trouble=None, doing=doing)

    def change(self, opened: OpenJob, change: Any) -> Inputs:
        """Write down one change; raises `BadInput` when it cannot be meant, and then nothing is written."""
        photo = opened.session.photo()
        with opened.changed:
            shown, counted = opened.measurement, opened.counted

        def made(inputs: Inputs) -> Inputs:
            out = edits.apply(inputs, shown, photo.sha256, change)
            if out.fixes != inputs.fixes:
                out.fixes.check_photo(photo.sha256, photo.width_px, photo.height_px)
            if out.settings != inputs.settings:
                _check(out, shown, counted)
            return out

        with opened.job.locked():
            inputs = made(opened.job.inputs())
            opened.job.save_inputs(inputs)
            return inputs

    def _ask(self, opened: OpenJob) -> None:
        """Put a job in the worker's queue, once; only with ``opened.changed`` held."""
        opened.asked = True
        if not opened.queued:
            opened.queued = True
            self._tasks.put(opened)

    def _work(self) -> None:
        while (opened := self._tasks.get()) is not None:
            try:
                self._measure(opened)
            except Exception:  # The worker outlives every fault: what is wrong with the folder, the page says itself.
                traceback.print_exc()
            finally:
                with opened.changed:
                    # Asked for again since the worker looked into the folder last: then it looks again.
                    opened.queued = opened.asked
                    if opened.queued:
                        self._tasks.put(opened)
                    opened.doing = ""
                    opened.changed.notify_all()

    def _measure(self, opened: OpenJob) -> None:
        """Measure until what is measured is what stands in the folder."""

        def say(words: str) -> None:
            with opened.changed:
                opened.doing = words

        while True:
            with opened.changed:
                opened.asked = False
            inputs = opened.job.inputs()
            wanted = measured_from(inputs)
            if opened.made_from == wanted:
                return
            saved: list[Measurement] = []

            def made(inputs: Inputs = inputs, saved: list[Measurement] = saved) -> Measurement:
                there = opened.job.measurement() if not opened.made_from and opened.job.is_current(inputs) else None
                if there is None:
                    return opened.session.measure(inputs, say)
                saved.append(there)
                return there

            self._make(opened, inputs, wanted, made)
            if saved:
                with contextlib.suppress(Trouble):
                    opened.session.prepare(inputs)

    def _at_once(self, opened: OpenJob, inputs: Inputs, wanted: str, *, preview: bool) -> None:
        """The exact figures where they take no new look at the picture; else, if it will do, a preview of them."""
        with opened.reckoning:
            if opened.made_from == wanted or (opened.previewed is not None and opened.previewed[0] == wanted):
                return
            self._make(opened, inputs, wanted, lambda: opened.session.at_once(inputs))
            soon = opened.session.preview(inputs) if preview and opened.made_from != wanted else None
            if soon is not None:
                counted = fullest_hole_of(soon)
                with opened.changed:
                    if opened.made_from != wanted:
                        opened.previewed, opened.counted = (wanted, soon), counted

    def _make(self, opened: OpenJob, inputs: Inputs, wanted: str, made: Callable[[], Measurement | None]) -> None:
        """Make a measurement, save it unless the inputs are others by now, and say that it is done.

        Nothing is said when ``made`` gives None.
        """
        trouble: Trouble | None = None
        try:
            m = made()
            if m is None:
                return
            with opened.job.locked():
                now = opened.job.inputs()
                if measured_from(now) == wanted and not opened.job.is_current(now):
                    opened.job.save_measurement(m, inputs)
        except Trouble as t:
            m, trouble = None, t
        except Exception as e:
            traceback.print_exc()
            m, trouble = None, Trouble(f"The program failed ({type(e).__name__}: {e}).", "Tell its makers.")
        self._done(opened, wanted, m, trouble)

    def _done(self, opened: OpenJob, made_from: str, m: Measurement | None, trouble: Trouble | None) -> None:
        counted = fullest_hole_of(m) if m is not None else None
        with opened.changed:
            opened.counted = counted
            opened.made_from, opened.measurement, opened.trouble = made_from, m, trouble
            opened.changed.notify_all()


def _check(inputs: Inputs, m: Measurement | None, counted: int | None) -> None:
    """Refuse settings that no measuring or sizing could be made with; raises `BadInput`."""
    request_of(inputs)
    chart_named(wishes_of(inputs.settings).deciding_chart, built_in_charts())
    decision_of(m, replace(inputs, tape=""), counted=counted)
