"""The scale options as typed, turned into a request to measure."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

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
    from holecount.scale.known_objects import KnownObject, known_objects, rectangle

    objects: list[KnownObject] = []
    for text in (*cards, *sheets):
        known = known_objects().get(text.lower())
        if known is None:
            try:
                known = rectangle(*by_hand.parse_size_mm(text, default_unit="mm"))
            except ValueError as e:
                names = ", ".join(known_objects())
                raise click.BadParameter(f"{e}, or one of: {names}.", param_hint="--card") from e
        objects.append(known)
    references = []
    for option, texts, parse in (
        ("--between", between, by_hand.parse_between),
        ("--corners", corners, by_hand.parse_corners),
    ):
        for text in texts:
            try:
                references.append(parse(text))
            except ValueError as e:
                raise click.BadParameter(f"{e}.", param_hint=option) from e
    return MeasureRequest(
        cards=tuple(objects) if objects else None,
        ruler="mm" if ruler == "mm" else "inch" if ruler == "inch" else None,
        by_hand=tuple(references),
        fixes=fixes.read(fix) if fix is not None else None,
        in_pixels=pixels,
    )
