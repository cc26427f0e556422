"""The job sheet: one self-contained HTML file a job, and one for a set of chairs."""

from holecount.sheet.content import JobNotes, SheetContent, content_of
from holecount.sheet.render import Drawing, render_set, render_sheet
from holecount.sheet.seats import Seat, SetContent, set_of

__all__ = [
    "Drawing",
    "JobNotes",
    "Seat",
    "SetContent",
    "SheetContent",
    "content_of",
    "render_set",
    "render_sheet",
    "set_of",
]
