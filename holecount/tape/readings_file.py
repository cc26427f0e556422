"""A small text file of readings, a line a kind and place; see ``docs/tape.md``."""

from pathlib import Path

from holecount import loading
from holecount.tape.reading import Basis, Quantity, Reading, read_list
from holecount.troubles import BadInput

MOST_BYTES = 100_000
"""Of a file of readings. Own choice."""

_QUANTITIES: dict[str, Quantity] = {
    "pitch": "pitch",
    "spacing": "pitch",
    "hole": "hole",
    "holes": "hole",
    "six inches": "six-inches",
    "six-inches": "six-inches",
    "along": "along",
}
BASES: tuple[Basis, ...] = ("centre", "side", "between")


def read_text(text: str, *, source: str = "the readings", unit: str | None = None) -> list[Reading]:
    """Readings from the text of a file.

    Parameters
    ----------
    text : lines such as ``pitch front: 1/2, 1/2+``; ``#`` starts a remark.
    source : what to call it in complaints.
    unit : unit of bare numbers until the file says otherwise.

    Raises
    ------
    BadInput
        Naming the line.
    """
    basis: Basis = "centre"
    out: list[Reading] = []
    for number, line in enumerate(text.splitlines(), 1):
        line = line.split("#", 1)[0].strip()
        if not line:
            continue
        where = f"{source}, line {number}"
        key, colon, value = line.partition(":")
        key, value = " ".join(key.lower().split()), value.strip()
        if not colon or not value:
            raise BadInput(f"{where} is '{line[:80]}'.", "Write lines like: pitch front: 1/2, 1/2+")
        if key == "unit":
            if value not in ("mm", "in"):
                raise BadInput(f"{where}: the unit is '{value[:20]}'; it must be mm or in.")
            unit = value
        elif key == "pitch is":
            if value not in BASES:
                raise BadInput(f"{where}: pitch is '{value[:20]}'; it must be one of: {', '.join(BASES)}.")
            basis = value
        else:
            quantity, place = _quantity_and_place(key, where)
            try:
                out += read_list(f"{place}: {value}" if place else value, quantity, unit=unit, basis=basis)
            except BadInput as e:
                raise BadInput(f"{where}: {e.what}", e.hint) from e
    if not out:
        raise BadInput(f"There is no reading in {source}.", "Write lines like: pitch front: 1/2, 1/2+")
    return out


def read_file(path: Path, *, unit: str | None = None) -> list[Reading]:
    """Readings from a text file (UTF-8); `BadInput` when it cannot be read."""
    hint = "Give a text file of readings as in docs/tape.md."
    text = loading.read_text(path, most_bytes=MOST_BYTES, what="a file of readings", hint=hint)
    return read_text(text, source=f"'{path}'", unit=unit)


def _quantity_and_place(key: str, where: str) -> tuple[Quantity, str]:
    for word in sorted(_QUANTITIES, key=len, reverse=True):
        if key == word or key.startswith(word + " "):
            return _QUANTITIES[word], key[len(word) :].strip()
    raise BadInput(
        f"{where} starts with '{key[:40]}', which is no kind of reading.",
        "Kinds are: pitch, hole, six inches, along; settings are: unit, pitch is.",
    )
