"""Several photographs at once: on all cores, each in a process of its own, one summary at the end.

Photographs stay in the processes that measure them, only finished measurements come back, so
memory does not grow with their number.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holecount import saving
from holecount.cli import fault_words
from holecount.cli.results import deliver
from holecount.troubles import BadInput, CannotSave, Trouble

if TYPE_CHECKING:
    from holecount.measure import MeasureRequest
    from holecount.measurement import Measurement


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one photograph: a measurement, or the trouble it met."""

    path: Path
    measurement: Measurement | None = None
    what: str = ""
    hint: str = ""
    exit_code: int = 0


def measure_all(
    given: Sequence[Path],
    request: MeasureRequest,
    *,
    form: str,
    marked: Path | None,
    output: Path | None,
    force: bool,
) -> int:
    """Measure every photograph given, folders opened, and hand over the summary; returns the exit status."""
    paths = photos_in(given)
    marked_files = _marked_files(paths, marked, force=force)
    outcomes = _run(paths, marked_files, request, force=force)
    deliver(_summary(outcomes, form), output, force=force)
    failed = [o for o in outcomes if o.exit_code]
    if form != "table":
        for o in failed:
            click.echo(f"holecount: {o.path}: {o.what} {o.hint}".rstrip(), err=True)
    if marked is not None and len(failed) < len(outcomes):
        click.echo(f"Marked photographs: {marked}", err=True)
    return max((o.exit_code for o in outcomes), default=0)


def photos_in(given: Sequence[Path]) -> list[Path]:
    """Open folders (not folders in them) to the photographs they hold, in order of name; each once.

    Raises
    ------
    BadInput
        When a folder holds none, or cannot be opened.
    """
    from holecount.photo import PHOTO_SUFFIXES

    found: dict[Path, None] = {}
    for path in given:
        if not os.path.isdir(path):
            found[path] = None
            continue
        try:
            inside = sorted(p for p in path.iterdir() if p.suffix.lower() in PHOTO_SUFFIXES and p.name[0] != ".")
        except OSError as e:
            raise BadInput(f"The folder '{path}' cannot be opened: {e.strerror}.", "Check its permissions.") from e
        if not inside:
            endings = ", ".join(PHOTO_SUFFIXES)
            raise BadInput(f"The folder '{path}' holds no photographs.", f"Their names end in {endings}.")
        found.update(dict.fromkeys(inside))
    return list(found)


def _marked_files(paths: Sequence[Path], folder: Path | None, *, force: bool) -> list[Path | None]:
    """Names of the marked pictures in ``folder``, which is made when it is not there."""
    if folder is None:
        return [None] * len(paths)
    if os.path.lexists(folder) and not os.path.isdir(folder):
        raise click.BadParameter(f"'{folder}' should be a folder for several photographs.", param_hint="--marked")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise CannotSave(f"The folder '{folder}' cannot be made: {e.strerror}.", "Choose another.") from e
    taken: set[str] = set()
    files: list[Path | None] = []
    for path in paths:
        name, n = f"{path.stem}-marked.jpg", 2
        while name.lower() in taken:
            name, n = f"{path.stem}-{n}-marked.jpg", n + 1
        taken.add(name.lower())
        saving.check_free(folder / name, force=force)
        files.append(folder / name)
    return files


def _run(
    paths: Sequence[Path],
    marked_files: Sequence[Path | None],
    request: MeasureRequest,
    *,
    force: bool,
    measure: Callable[[Path, MeasureRequest, Path | None, bool], Outcome] | None = None,
) -> list[Outcome]:
    """Measure on all cores; outcomes in the order of ``paths``.

    ``measure`` is what a worker does with one photograph; `measure_one` unless a test has another.
    """
    n_workers = max(1, min(len(paths), os.cpu_count() or 1))
    outcomes: dict[int, Outcome] = {}
    work = measure or measure_one
    with ExitStack() as open_now:
        bar = None
        if sys.stderr.isatty():
            bar = open_now.enter_context(click.progressbar(length=len(paths), label="Measuring", file=sys.stderr))

        def done(i: int, outcome: Outcome) -> None:
            outcomes[i] = outcome
            if bar is not None:
                bar.update(1)

        def job(i: int) -> tuple[Path, MeasureRequest, Path | None, bool]:
            return paths[i], request, marked_files[i], force

        left = list(range(len(paths)))
        while left:
            lost = _measure_side_by_side(left, n_workers, work, job, done)
            left = [i for i in left if i not in outcomes]
            # A worker was ended from outside: which photograph it held is found by trying each alone.
            for i in lost or left[:1]:
                if _measure_side_by_side([i], 1, work, job, done):
                    what = "Measuring it was stopped from outside, perhaps for want of memory."
                    done(i, Outcome(path=paths[i], what=what, hint="Give a smaller photograph.", exit_code=1))
            left = [i for i in left if i not in outcomes]
    return [outcomes[i] for i in range(len(paths))]


def _measure_side_by_side(
    wanted: Sequence[int],
    n_workers: int,
    work: Callable[[Path, MeasureRequest, Path | None, bool], Outcome],
    job: Callable[[int], tuple[Path, MeasureRequest, Path | None, bool]],
    done: Callable[[int, Outcome], None],
) -> list[int]:
    """Measure until all are done or a worker is lost; returns those that were under way then, else nothing."""
    waiting: dict[Future[Outcome], int] = {}
    left = iter(wanted)
    with ProcessPoolExecutor(n_workers, mp_context=multiprocessing.get_context("spawn"), initializer=_one_core) as pool:
        try:
            while True:
                # No more than two photographs a worker are under way, so that a thousand names cost nothing.
                for i in left:
                    with _interrupts_held():
                        waiting[pool.submit(work, *job(i))] = i
                    if len(waiting) >= 2 * n_workers:
                        break
                if not waiting:
                    return []
                for finished in wait(waiting, return_when=FIRST_COMPLETED).done:
                    outcome = finished.result()
                    done(waiting.pop(finished), outcome)
        except BrokenProcessPool:
            return sorted(waiting.values())
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            for worker in multiprocessing.active_children():  # Nobody waits for photographs half measured.
                worker.terminate()
            raise


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Hold back Ctrl-C for a moment: workers started now never get it, it is for the parent alone."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _one_core() -> None:
    """Each worker keeps to one core."""
    import cv2

    cv2.setNumThreads(1)


def measure_one(path: Path, request: MeasureRequest, marked: Path | None, force: bool) -> Outcome:
    """Measure one photograph in a worker; a trouble is an outcome, not an error."""
    from holecount.cli.measure import measure_file

    try:
        return Outcome(path=path, measurement=measure_file(path, request, marked, force=force))
    except Trouble as t:
        return Outcome(path=path, what=t.what, hint=t.hint, exit_code=t.exit_code)
    except Exception as e:  # A fault of ours on one photograph should not cost the others.
        what, hint = fault_words(e)
    return Outcome(path=path, what=what, hint=hint, exit_code=1)


def _summary(outcomes: Sequence[Outcome], form: str) -> str:
    if form == "table":
        from holecount.report import summary_table

        return summary_table([(str(o.path), o.measurement, f"{o.what} {o.hint}".strip()) for o in outcomes])
    from holecount import tally

    if form == "json":
        lines = []
        for o in outcomes:
            if o.measurement is not None:
                fields = {"photo": str(o.path), **tally.to_dict(o.measurement)}
            else:
                trouble = {"what": o.what, "hint": o.hint, "exit_status": o.exit_code}
                fields = {"photo": str(o.path), "schema": tally.SCHEMA, "trouble": trouble}
            lines.append(json.dumps(fields, allow_nan=False, ensure_ascii=False) + "\n")
        return "".join(lines)
    return _joined_csv([(str(o.path), o.measurement) for o in outcomes if o.measurement is not None])


def _joined_csv(measured: Sequence[tuple[str, Measurement]]) -> str:
    """One CSV of all holes with the photograph in the first column."""
    import csv
    import io

    from holecount import tally

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    heading_done = False
    for name, m in measured:
        rows = list(csv.reader(io.StringIO(tally.to_csv(m))))
        if not heading_done and rows:
            writer.writerow(["photo", *rows[0]])
            heading_done = True
        writer.writerows([name, *row] for row in rows[1:])
    return out.getvalue()
