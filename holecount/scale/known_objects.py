"""Things of known size that may lie on the frame: read from ``known_objects.toml``, or made from two lengths."""

import sys
from dataclasses import dataclass
from functools import cache
from importlib import resources

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownObject:
    """A flat rectangle of known size.

    Attributes
    ----------
    key : str
        Short name: ``card``, ``a4``, ``letter`` or ``rectangle``.
    words : str
        What it is, for people.
    kind : str
        ``card``, ``sheet`` or ``rectangle``, as in `Reference.kind`.
    long_mm, short_mm : float
        Sides, long one first.
    thickness_mm, u_thickness_mm : float
        Height of its face above what it lies on.
    corner_radius_mm : float or None
        0 for sharp corners, None when not known.
    u_size_rel : float
        One standard relative uncertainty of both sides together.
    source : str
        Where the figures come from.
    """

    key: str
    words: str
    kind: str
    long_mm: float
    short_mm: float
    thickness_mm: float
    u_thickness_mm: float
    corner_radius_mm: float | None
    u_size_rel: float
    source: str


@cache
def known_objects() -> dict[str, KnownObject]:
    """Every object of ``known_objects.toml`` by its key."""
    text = resources.files("holecount.scale").joinpath("known_objects.toml").read_text(encoding="utf-8")
    return {
        key: KnownObject(
            key=key,
            words=str(row["words"]),
            kind=str(row["kind"]),
            long_mm=float(row["long_mm"]),
            short_mm=float(row["short_mm"]),
            thickness_mm=float(row["thickness_mm"]),
            u_thickness_mm=float(row["u_thickness_mm"]),
            corner_radius_mm=float(row["corner_radius_mm"]) if "corner_radius_mm" in row else None,
            u_size_rel=float(row["u_size_rel"]),
            source=" ".join(str(row["source"]).split()),
        )
        for key, row in tomllib.loads(text).items()
    }


def rectangle(width_mm: float, height_mm: float, *, u_size_mm: float = 0.25, thickness_mm: float = 0.76) -> KnownObject:
    """Make an object of the two lengths a user gives (``--card WxH``).

    Parameters
    ----------
    u_size_mm : float
        One standard uncertainty of a side as measured at the bench: half a division of a
        millimetre rule, taken as an even spread (derived), rounded down.
    thickness_mm : float
        Unless told otherwise as thick as a bank card, give or take as much.

    Raises
    ------
    ValueError
        When a side is not a length above zero.
    """
    if not (0 < width_mm < float("inf") and 0 < height_mm < float("inf")):
        raise ValueError(f"a rectangle needs two lengths above zero, not {width_mm:g} x {height_mm:g} mm")
    long_mm, short_mm = max(width_mm, height_mm), min(width_mm, height_mm)
    return KnownObject(
        key="rectangle",
        words=f"rectangle {long_mm:g} x {short_mm:g} mm",
        kind="rectangle",
        long_mm=long_mm,
        short_mm=short_mm,
        thickness_mm=thickness_mm,
        u_thickness_mm=max(thickness_mm, 0.1),
        corner_radius_mm=None,
        u_size_rel=u_size_mm / short_mm,
        source="lengths given by the user",
    )
