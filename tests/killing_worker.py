"""A worker for tests of measuring several photographs: it dies over some, as one does that runs out of memory."""

import os
from pathlib import Path

from holecount.cli.several import Outcome
from holecount.measure import MeasureRequest


def measure(path: Path, request: MeasureRequest, marked: Path | None, force: bool) -> Outcome:
    """Die over a photograph named ``deadly``; else nothing comes of it."""
    if "deadly" in path.name:
        os._exit(9)
    return Outcome(path=path, what="not measured", exit_code=3)
