"""What a weaver should know before the first strand is laid, with the remedy, in plain words."""

from collections.abc import Mapping, Sequence

from holecount.strands.frame import Frame
from holecount.strands.layout import StraightLayout, sides
from holecount.strands.order import Strand

MOST_STRANDS = 8
"""Most strands that can pass through one hole (common practice, no source)."""


def number_list(numbers: Sequence[int]) -> str:
    """``3, 7 and 12``; runs of three or more neighbours as ``3 to 6``."""
    parts: list[str] = []
    k = 0
    ordered = sorted(set(numbers))
    while k < len(ordered):
        stop = k
        while stop + 1 < len(ordered) and ordered[stop + 1] == ordered[stop] + 1:
            stop += 1
        if stop - k >= 2:
            parts.append(f"{ordered[k]} to {ordered[stop]}")
        else:
            parts += [str(v) for v in ordered[k : stop + 1]]
        k = stop + 1
    return " and ".join([", ".join(parts[:-1]), parts[-1]]) if len(parts) > 1 else "".join(parts)


def _holes(numbers: Sequence[int]) -> str:
    return f"hole{'s' if len(set(numbers)) > 1 else ''} {number_list(numbers)}"


def _are(numbers: Sequence[int], one: str, many: str) -> str:
    return one if len(set(numbers)) == 1 else many


def cautions(
    frame: Frame,
    layout: StraightLayout,
    strands: Sequence[Strand],
    per_hole: Mapping[int, int],
    no_horizontal: Sequence[int],
) -> list[str]:
    """All cautions of a plan, the gravest first.

    ``per_hole`` counts the strands by hole number; ``no_horizontal`` are side holes without a horizontal.
    """
    return [
        *_hidden(frame, strands),
        *_blocked(frame),
        *_parity(frame, layout, strands[0]),
        *_unequal(frame, layout, no_horizontal),
        *_crowded(per_hole),
        *_left_out(per_hole),
    ]


def _hidden(frame: Frame, strands: Sequence[Strand]) -> list[str]:
    hidden = [n for n, s in zip(frame.numbers, frame.status, strict=True) if s == "hidden"]
    if not hidden:
        return []
    touched = [s.number for s in strands if s.start in hidden or s.end in hidden]
    return [
        f"{_holes(hidden).capitalize()} {_are(hidden, 'was', 'were')} not seen, only inferred: strands "
        f"{number_list(touched)} run through {_are(hidden, 'it', 'them')}. Look at the frame and count again "
        "before you lay a strand."
    ]


def _blocked(frame: Frame) -> list[str]:
    blocked = [n for n, s in zip(frame.numbers, frame.status, strict=True) if s == "blocked"]
    if not blocked:
        return []
    return [f"{_holes(blocked).capitalize()} {_are(blocked, 'is', 'are')} packed with old cane: clear before step 1."]


def _parity(frame: Frame, layout: StraightLayout, first: Strand) -> list[str]:
    front, _, back, _ = sides(frame, layout.corners)
    if len(front) % 2 == len(back) % 2:
        return []
    lean = layout.objective.off_square_deg
    slant = f", half a hole out of square ({lean:.1f} degrees)" if lean >= 0.3 else ""
    words = (
        f"The ring has an odd number of holes ({frame.n})"
        if frame.corners is None
        else f"Front {len(front)} and back {len(back)} holes between the corners: one odd, one even"
    )
    return [
        f"{words}, so no hole faces the middle one. Remedy: lay the first strand from hole {first.start} to hole "
        f"{first.end}{slant}, and keep all others parallel to it; "
        "the odd hole is taken up at one side."
    ]


def _unequal(frame: Frame, layout: StraightLayout, skipped: Sequence[int]) -> list[str]:
    _, right, _, left = sides(frame, layout.corners)
    if len(left) == len(right):
        if frame.corners is not None and frame.reflection is None:
            return [
                "Left and right have as many holes but are not mirror images of each other: the plan follows the "
                "holes as they are."
            ]
        return []
    more, count = ("left", len(left) - len(right)) if len(left) > len(right) else ("right", len(right) - len(left))
    remedy = (
        f"{_holes(skipped)} {_are(skipped, 'takes', 'take')} no horizontal, where that shows least"
        if skipped
        else "the odd ones are taken up at the front or back rail"
    )
    return [
        f"Left {len(left)} and right {len(right)} holes between the corners: {count} more on the {more}. "
        f"Count again; if it is so, {remedy}."
    ]


def _crowded(per_hole: Mapping[int, int]) -> list[str]:
    over = [n for n, count in per_hole.items() if count > MOST_STRANDS]
    if not over:
        return []
    return [
        f"{_holes(over).capitalize()} {_are(over, 'takes', 'take')} more than {MOST_STRANDS} strands, more than a hole "
        "will hold: use thinner cane, or tie some off in the next hole."
    ]


def _left_out(per_hole: Mapping[int, int]) -> list[str]:
    empty = [n for n, count in per_hole.items() if count == 0]
    if not empty:
        return []
    stay, them = _are(empty, "stays", "stay"), _are(empty, "it", "them")
    return [f"{_holes(empty).capitalize()} {stay} empty; the binder covers {them}."]
