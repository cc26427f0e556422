"""Cautions to print where they matter: what can hurt the worker or ruin the frame on the jobs around caning.

All of them are common practice without a published source. Local rules and licensed practice come first, and every
list of cautions says so.
"""

from collections.abc import Callable
from dataclasses import dataclass

DEFER = "Local rules and licensed practice come first."
"""Said below every list of cautions."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """What is known of a job, as far as cautions hang on it; None where it is not known.

    Attributes
    ----------
    n_blocked : int or None
        Holes still packed with old cane, to be cleared.
    old_finish : bool or None
        There is old paint or varnish on the frame.
    cracks : bool or None
        There are cracks between holes.
    """

    n_blocked: int | None = None
    old_finish: bool | None = None
    cracks: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One caution.

    ``applies`` tells from what is known whether it belongs on the sheet; what is not known counts as possible.
    """

    name: str
    words: str
    applies: Callable[[Work], bool]


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        name="cracks",
        words="Cracks between holes: do not stand or sit on the frame before they are repaired.",
        applies=lambda work: work.cracks is not False,
    ),
    Caution(
        name="cutting",
        words="Cutting out old cane: blade away from you. Clearing holes: awls slip.",
        applies=lambda work: work.n_blocked != 0,
    ),
    Caution(
        name="lead",
        words="Old paint and varnish may hold lead: test before sanding or rasping; no dry sanding; mask; "
        "keep children away.",
        applies=lambda work: work.old_finish is not False,
    ),
    Caution(
        name="dust",
        words="Wood dust when the inner edge is eased or holes are drilled: mask and eye protection.",
        applies=lambda work: True,
    ),
    Caution(
        name="rags",
        words="Oily rags heat up and can catch fire: dry them flat outdoors, or keep them under water in a closed "
        "metal can.",
        applies=lambda work: True,
    ),
)
"""In the order of work: repair, clearing, sanding, sealing. All of it common practice, no source."""


def cautions_for(work: Work) -> tuple[Caution, ...]:
    """The cautions that apply, in the order of work."""
    return tuple(c for c in CAUTIONS if c.applies(work))
