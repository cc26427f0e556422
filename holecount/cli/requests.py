"""The scale options as typed, turned into a request to measure."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from holecount.cli.options import values_of

if TYPE_CHECKING:
    from holecount.measure import MeasureRequest


def request_of(
    cards: tuple[str, ...],
    sheets: tuple[str, ...],
    ruler: str | None,
    between: tuple[str, ...],
    corners: tuple[str, ...],
    *,
    pixels: bool,
    fix: Path | None,
) -> MeasureRequest:
    """Turn what was typed into what `measure_photo` takes.

    Raises
    ------
    click.BadParameter
        When an option's text cannot be read.
    BadInput
        When the fix file cannot be read.
    """
    from holecount import fixes
    from holecount.measure import MeasureRequest
    from holecount.scale import by_hand

    objects = values_of("--card", (*cards, *sheets), by_hand.parse_object)
    return MeasureRequest(
        cards=objects or None,
        ruler="mm" if ruler == "mm" else "inch" if ruler == "inch" else None,
        by_hand=(
            *values_of("--between", between, by_hand.parse_between),
            *values_of("--corners", corners, by_hand.parse_corners),
        ),
        fixes=fixes.read(fix) if fix is not None else None,
        in_pixels=pixels,
    )
