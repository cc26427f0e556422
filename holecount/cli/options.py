"""Options that several verbs share, each defined once so that one name means one thing everywhere; their values."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])
T = TypeVar("T")

file_path = click.Path(path_type=Path)
"""A path as given: whether it can be read is said by the reader, in its own words and exit status."""


def as_option(*forms: str) -> Callable[[F], F]:
    """``--as``: the form of the result, the first being the default."""
    return click.option(
        "--as", "form", type=click.Choice(forms), default=forms[0], show_default=True, help="Form of the result."
    )


def output_options(command: F) -> F:
    """``-o FILE`` and ``--force``."""
    command = click.option("--force", is_flag=True, help="Write over files that are there already.")(command)
    return click.option(
        "-o", "--output", type=file_path, metavar="FILE", help="Write the result to FILE instead of the terminal."
    )(command)


def marked_option(command: F) -> F:
    """``--marked FILE``."""
    return click.option(
        "--marked",
        type=file_path,
        metavar="FILE",
        help="Write the photograph with every hole ringed and numbered (.jpg or .png); with several "
        "photographs, the name of a folder for them.",
    )(command)


def scale_options(command: F) -> F:
    """What lies on the frame: ``--card``, ``--sheet``, ``--ruler``, ``--between``, ``--corners``, ``--pixels``."""
    for option in reversed(
        (
            click.option(
                "--card",
                "cards",
                multiple=True,
                metavar="WxH|NAME",
                help="A rectangle of this size in mm lies on the frame (such as 85.6x53.98), or a known one by "
                "name. Without it a bank card is looked for. May be repeated.",
            ),
            click.option(
                "--sheet",
                "sheets",
                multiple=True,
                type=click.Choice(["a4", "letter"]),
                help="A sheet of paper lies on or under the frame. May be repeated.",
            ),
            click.option(
                "--ruler",
                type=click.Choice(["mm", "inch"]),
                help="Divisions of the ruler, when the picture leaves it open.",
            ),
            click.option(
                "--between",
                multiple=True,
                metavar="X1,Y1,X2,Y2=LENGTH",
                help="Two points of the upright picture, in pixels, and the length between them (100mm, 4in). "
                "May be repeated.",
            ),
            click.option(
                "--corners",
                multiple=True,
                metavar="X1,Y1,...,X4,Y4=WxH",
                help="Four corners of a rectangle of known size, in pixels, in order round it; the first two are "
                "W apart (85.6x53.98mm, 4x2in). May be repeated.",
            ),
            click.option("--pixels", is_flag=True, help="Go on without a scale; lengths are then pixels."),
        )
    ):
        command = option(command)
    return command


def fix_option(command: F) -> F:
    """``--fix FILE``."""
    return click.option(
        "--fix",
        type=file_path,
        metavar="FILE",
        help="Hand corrections: the scale placed by hand, holes added, struck out, marked blocked.",
    )(command)


def value_of(option: str, text: str | None, parse: Callable[[str], T]) -> T | None:
    """What an option's text means, or a complaint that names the option; None when it was not given.

    Raises
    ------
    click.BadParameter
        When ``parse`` raises `ValueError`.
    """
    if text is None:
        return None
    try:
        return parse(text)
    except ValueError as e:
        raise click.BadParameter(f"{e}.", param_hint=option) from e


def values_of(option: str, texts: Sequence[str], parse: Callable[[str], T]) -> tuple[T, ...]:
    """The same of an option that may be repeated."""
    return tuple(value for text in texts if (value := value_of(option, text, parse)) is not None)
