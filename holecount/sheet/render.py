"""Words, rows and pictures laid out as one HTML file that needs nothing else."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from holecount.measurement import Measurement
from holecount.sheet.content import SheetContent
from holecount.sheet.pictures import data_address, svg_address
from holecount.sheet.plots import round_the_seat, seat_outline, side_by_side
from holecount.sheet.seats import SetContent

if TYPE_CHECKING:
    from jinja2 import Environment


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A drawing for the pages after the sheet, such as a step of the strand plan.

    Attributes
    ----------
    title, svg : str
    words : tuple of str
        Short pieces, set below the drawing one after another.
    notes : tuple of str
        Sentences, a line each, set above it.
    """

    title: str
    svg: str
    words: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@cache
def templates_of(package: str) -> "Environment":
    """The templates of a package; everything put into them is escaped, and nothing may be left out."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader(package), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip


def render_sheet(
    content: SheetContent,
    m: Measurement,
    *,
    marked_jpeg: bytes | None = None,
    old_seat_jpeg: bytes | None = None,
    drawings: Sequence[Drawing] = (),
    explain: bool = False,
) -> str:
    """The job sheet.

    Parameters
    ----------
    marked_jpeg : the marked photograph; without it the holes are drawn to scale instead.
    old_seat_jpeg : a photograph of the old seat, for the record.
    drawings : more pages.
    explain : print the reasoning with its sources on a page of its own (on the screen it is always there).
    """
    lines = _lines(content, MOST, old_seat=old_seat_jpeg is not None)
    most = MOST if lines <= FEWER_LINES else FEWER
    return (
        templates_of("holecount.sheet")
        .get_template("sheet.html.j2")
        .render(
            c=content,
            marked=data_address(marked_jpeg, "image/jpeg") if marked_jpeg else None,
            outline=None if marked_jpeg or not m.holes else svg_address(seat_outline(m)),
            old_seat=data_address(old_seat_jpeg, "image/jpeg") if old_seat_jpeg else None,
            plot=svg_address(round_the_seat(m)) if m.holes else None,
            drawings=[
                {"title": d.title, "words": d.words, "notes": d.notes, "address": svg_address(d.svg)} for d in drawings
            ],
            explain=explain,
            picture_shape=_picture_shape(marked_jpeg, m),
            print_size=_print_size(lines),
            most=most,
            printed_notes=_shortened(content.job.notes, most["notes"]),
        )
    )


MOST: dict[str, int] = {"reasons": 3, "again": 5, "remarks": 6, "tape": 7, "notes": 560}
FEWER: dict[str, int] = {"reasons": 2, "again": 3, "remarks": 4, "tape": 5, "notes": 280}
"""How many entries of each list, and characters of the notes, are printed; all are on the screen, and the paper says
how many are left. Own choice; what makes it fit one page is below."""

ROOMY_LINES = 9.5
DENSE_LINES = 19
FEWER_LINES = 30
"""Lines below the picture (see `_lines`) up to which the sheet is printed in larger letters, from which in smaller
ones, and from which fewer entries are printed, so that it fits one page of A4 and of Letter. Measured in a browser,
2026-11 (tests/page/test_print.py)."""


def _print_size(lines: float) -> str:
    """Class of the page by how much stands on it."""
    if lines < ROOMY_LINES:
        return "roomy"
    if lines <= DENSE_LINES:
        return "usual"
    return "dense" if lines <= FEWER_LINES else "dense least"


def _shortened(notes: str, most: int) -> str:
    """Notes as they are printed: at most nine lines and ``most`` characters."""
    lines = notes.splitlines()
    text = "\n".join(lines[:9])
    if len(lines) > 9 or len(text) > most:
        return text[:most].rsplit(" ", 1)[0] + " … (more on the screen)"
    return notes


def _lines(c: SheetContent, most: dict[str, int], *, old_seat: bool, per_line: int = 62) -> float:
    """About how many lines each of the two printed columns below the picture takes, and what else varies."""

    def lines(texts: Sequence[str], n: int) -> float:
        return sum(1 + len(t) // per_line for t in texts[:n])

    tape = c.tape[: most["tape"]]
    notes = lines(_shortened(c.job.notes, most["notes"]).splitlines(), 99)
    parts = [
        lines(c.look_again, most["again"]),
        lines(c.size.remarks, most["remarks"]),
        sum(max(1 + (len(t.expected) + len(t.slips)) // 30, 1 + len(t.what) // 12) for t in tape) + len(c.tape_figures),
        max(notes, 7 if old_seat else 0),
    ]
    headings = 1.6 * sum(p > 0 for p in parts)
    rails = 1.2 * len(c.rails) + lines(c.verdict_reasons, most["reasons"])
    return (sum(parts) + headings) / 2 + rails


def _picture_shape(marked_jpeg: bytes | None, m: Measurement) -> str:
    """``wide`` or ``tall``: how the marked photograph is best placed."""
    if marked_jpeg is None:
        return "wide"
    xs, ys = [h.x_px for h in m.holes], [h.y_px for h in m.holes]
    if not xs:
        return "wide" if m.width_px >= m.height_px else "tall"
    return "wide" if max(xs) - min(xs) >= 0.85 * (max(ys) - min(ys)) else "tall"


def render_set(content: SetContent) -> str:
    """The sheet of a set of seats."""
    height_mm = 22.0 + 7.0 * len(content.spreads)
    plot = side_by_side(content.spreads, height_mm=height_mm) if content.spreads else None
    return (
        templates_of("holecount.sheet")
        .get_template("set.html.j2")
        .render(c=content, plot=svg_address(plot) if plot else None)
    )
