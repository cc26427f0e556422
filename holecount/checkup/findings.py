"""The checkup itself: packages, data files, HEIC, the bench page, a measurement of a drawn seat."""

from __future__ import annotations

import base64
import hashlib
import importlib
import importlib.metadata
import importlib.util
import platform
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from holecount.troubles import Trouble, one_line

if TYPE_CHECKING:
    from holecount.stats import Spread

State = Literal["ok", "missing", "broken"]
"""``missing``: something optional is not installed. ``broken``: something needed does not work."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing looked at; ``advice`` says what to do and is empty when all is well."""

    name: str
    state: State
    words: str
    advice: str = ""


NEEDED = {
    "numpy": "numpy",
    "cv2": "opencv-python-headless",
    "click": "click",
    "jinja2": "jinja2",
    "matplotlib": "matplotlib",
    "PIL": "pillow",
}
"""Packages that have to be there: name to import, name to install."""

FOR_THE_PAGE = ("flask", "segno", "waitress")


def findings() -> Iterator[Finding]:
    """Look at one thing after the other."""
    words = (
        f"{platform.python_version()} ({platform.python_implementation()}), {platform.system()} {platform.machine()}"
    )
    yield Finding(name="Python", state="ok", words=words)
    for module, package in NEEDED.items():
        yield _tried(package, partial(_version, module, package), f"pip install {package}")
    yield _tried("files", _files, "Install holecount again: pip install --force-reinstall holecount")
    yield _tried("packaged data", _data, "Install holecount again: pip install --force-reinstall holecount")
    yield _heic()
    yield _page()
    yield _tried("measuring", _measuring, "Update the packages above: pip install --upgrade holecount; else report it.")


def _tried(name: str, look: Callable[[], str], advice: str) -> Finding:
    """What ``look`` says, or why it fails: nothing found here may end the checkup."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # What one package thinks of another's future is no concern here.
            return Finding(name=name, state="ok", words=look())
    except Exception as e:
        words = str(e) if isinstance(e, Trouble) else f"{type(e).__name__}: {e}"
        return Finding(name=name, state="broken", words=one_line(words), advice=advice)


def _version(module: str, package: str) -> str:
    found = importlib.import_module(module)
    said = getattr(found, "__version__", None) if module in ("numpy", "cv2", "PIL", "matplotlib") else None
    if said:
        return str(said)
    try:
        return importlib.metadata.version(package)
    except importlib.metadata.PackageNotFoundError:
        return "version unknown"


def _files() -> str:
    """Compare the files with the hashes they were installed with (the RECORD of a wheel), where there are any."""
    try:
        recorded = importlib.metadata.files("holecount") or []
    except importlib.metadata.PackageNotFoundError:
        return "run from a folder, not installed: nothing to compare with"
    checked, wrong = 0, []
    for file in recorded:
        if file.parts[0] != "holecount" or file.suffix == ".pyc" or file.hash is None:
            continue
        checked += 1
        try:
            digest = hashlib.new(file.hash.mode, Path(str(file.locate())).read_bytes()).digest()
        except OSError:
            wrong.append(f"{file} is missing")
            continue
        if base64.urlsafe_b64encode(digest).rstrip(b"=").decode() != file.hash.value:
            wrong.append(f"{file} was changed")
    if wrong:
        more = f" and {len(wrong) - 3} more" if len(wrong) > 3 else ""
        raise Trouble(f"{'; '.join(wrong[:3])}{more}.")
    return f"{checked} files as installed" if checked else "installed in place: nothing to compare with"


def _data() -> str:
    """Read every data file that comes along, as the program reads it."""
    import numpy as np

    from holecount.scale.known_objects import known_objects
    from holecount.sheet.render import templates_of
    from holecount.sizing import built_in_charts, names_table
    from holecount.sizing.packing import bore_needed_mm, most_tabled

    n_charts = len(built_in_charts())
    names_table()
    n_objects = len(known_objects())
    if not 1 < bore_needed_mm(most_tabled(), 2.5, 1.0) < 20:
        raise Trouble("The table of strands that fit a hole is damaged.")
    with np.load(str(resources.files("holecount.holes").joinpath("rim_model.npz"))) as model:
        values = model["values"]
        if not np.isfinite(values).all() or len(values) != model["shapes"].prod(axis=1).sum():
            raise Trouble("The rim model is damaged.")
    templates = templates_of("holecount.sheet")
    for name in templates.list_templates():
        if name.endswith(".j2"):
            templates.get_template(name)
    return f"{n_charts} charts, {n_objects} things of known size, rim model of {len(values)} numbers, sheet templates"


def _heic() -> Finding:
    """Read a tiny HEIC photograph that comes along: red grows to the right, blue downwards."""
    name = "HEIC photographs"
    try:
        version = _version("pillow_heif", "pillow-heif")
    except ImportError:
        return Finding(
            name=name, state="missing", words="pillow-heif is not installed", advice="pip install pillow-heif"
        )

    def look() -> str:
        from holecount.photo import photo_from_bytes

        data = resources.files("holecount.checkup").joinpath("tiny.heic").read_bytes()
        photo = photo_from_bytes(data, Path("tiny.heic"))
        corner, opposite = photo.bgr[4, 4], photo.bgr[-5, -5]
        if not (corner[2] < 80 < 180 < opposite[2] and corner[0] < 80 < 180 < opposite[0]):
            raise Trouble("A tiny HEIC photograph was read with wrong colours.")
        return f"read, by pillow-heif {version}"

    return _tried(name, look, "pip install --upgrade pillow-heif, or photograph as JPEG")


def _page() -> Finding:
    """Start the bench page without a network and ask it for its first page."""
    name = "bench page"
    absent = [p for p in FOR_THE_PAGE if importlib.util.find_spec(p) is None]
    if absent:
        words = f"{', '.join(absent)} not installed"
        return Finding(name=name, state="missing", words=words, advice='pip install "holecount[page]"')

    def look() -> str:
        from holecount.page.app import create_app
        from holecount.page.bench import Bench
        from holecount.page.guard import Guard

        with tempfile.TemporaryDirectory() as folder:
            bench = Bench(Path(folder))
            try:
                app = create_app(bench, Guard(hosts={"localhost"}))
                answer = app.test_client().get("/")
            finally:
                bench.close()
        if answer.status_code != 200 or b"holecount" not in answer.data.lower():
            raise Trouble(f"The bench page answers with status {answer.status_code}.")
        return "answers, by " + ", ".join(f"{p} {importlib.metadata.version(p)}" for p in FOR_THE_PAGE)

    return _tried(name, look, 'pip install --upgrade "holecount[page]"')


def _measuring() -> str:
    from holecount.checkup.drawn import DrawnSeat, measure

    seat = DrawnSeat()
    begin = time.perf_counter()
    m = measure(seat)
    seconds = time.perf_counter() - begin
    pitch, bore = m.seat.pitch, m.seat.diameter
    found = f"{m.seat.n_holes} holes, pitch {_mm(pitch)}, bore {_mm(bore)}"
    drawn = f"{seat.n_holes}, {seat.pitch_mm:.2f} and {seat.bore_mm:.2f}"
    if not seat.is_right(m):
        raise Trouble(f"A drawn seat was measured wrong: {found}, drawn {drawn}.")
    return f"a drawn seat has {found} (drawn {drawn}), in {seconds:.1f} s"


def _mm(spread: Spread | None) -> str:
    return "unknown" if spread is None else f"{spread.mean_mm:.2f} mm"


def where() -> str:
    """The folder this program runs from, and the interpreter."""
    return f"{Path(__file__).parents[1]}, {sys.executable}"
