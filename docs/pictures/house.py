"""Draw the map of the house from the imports as they are: python docs/pictures/house.py, from the top of the tree.

Storeys are those of the import contract in pyproject.toml, top to bottom as there. An arrow runs from a room to one it
imports; what also goes by way of a third room is not drawn. Rooms on one storey do not know one another.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from xml.sax.saxutils import escape

ROOT = Path(__file__).parents[2]
DRAWN = Path(__file__).with_name("house.svg")

ROOM_PX, HIGH_PX, STOREY_PX, MARGIN_PX = 104, 30, 62, 24
COLOURS = ("#1b4965", "#9a3412", "#3f6212", "#6b21a8", "#0f766e", "#854d0e")


def storeys(root: Path = ROOT) -> list[list[str]]:
    """Rooms of every storey, top first, as pyproject.toml has them."""
    text = (root / "pyproject.toml").read_text(encoding="utf-8")
    found = re.search(r"^layers = \[$(.*?)^\]$", text, re.MULTILINE | re.DOTALL)
    assert found is not None
    return [re.findall(r"\w+", line) for line in re.findall(r'"([^"]+)"', found[1])]


def _imported(tree: ast.AST) -> Iterator[str]:
    """Dotted names of the modules that a module imports, wherever in it."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module is not None and node.level == 0:
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def imports(root: Path = ROOT) -> dict[str, set[str]]:
    """For every room the rooms it imports; what a hole is, on paper (holes/hole.py), is ground that all stand on."""
    house = root / "holecount"
    out: dict[str, set[str]] = {}
    for file in sorted(house.rglob("*.py")):
        parts = file.relative_to(house).with_suffix("").parts
        if parts in {("__init__",), ("holes", "hole")}:
            continue
        names = {tuple(n.split(".")) for n in _imported(ast.parse(file.read_text(encoding="utf-8")))}
        used = {n[1] for n in names if n[0] == "holecount" and len(n) > 1 and n[1:3] != ("holes", "hole")}
        out.setdefault(parts[0], set()).update(used - {parts[0]})
    return {room: {other for other in others if other in out} for room, others in out.items()}


def drawn_arrows(used: dict[str, set[str]]) -> list[tuple[str, str]]:
    """Imports that no longer way leads to as well."""
    reach: dict[str, set[str]] = {}

    def below(room: str) -> set[str]:
        if room not in reach:
            reach[room] = set().union(*({other} | below(other) for other in used[room]))
        return reach[room]

    return [
        (room, other)
        for room in sorted(used)
        for other in sorted(used[room])
        if not any(other in below(third) for third in used[room] - {other})
    ]


def draw(root: Path = ROOT) -> str:
    """The map as SVG."""
    rows, used = storeys(root), imports(root)
    width = max(len(row) for row in rows) * (ROOM_PX + 18) + 2 * MARGIN_PX
    height = len(rows) * STOREY_PX + 2 * MARGIN_PX - (STOREY_PX - HIGH_PX)
    at: dict[str, tuple[float, float]] = {}
    for k, row in enumerate(rows):
        for i, room in enumerate(row):
            # Lone rooms stand a little to one side or the other, so that arrows past them can be seen.
            aside = (k % 3 - 1) * 130 if len(row) == 1 else (k % 2) * 24 - 12
            at[room] = (
                width / 2 + (i - (len(row) - 1) / 2) * (ROOM_PX + 18) + aside,
                MARGIN_PX + HIGH_PX / 2 + k * STOREY_PX,
            )
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}"',
        ' font-family="sans-serif" font-size="13">',
        "<title>Map of the house: an arrow runs from a room to one it imports</title>",
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>',
    ]
    for n, (room, other) in enumerate(drawn_arrows(used)):
        (x1, y1), (x2, y2) = at[room], at[other]
        y1, y2 = y1 + HIGH_PX / 2, y2 - HIGH_PX / 2 - 7
        bend = (y2 - y1) / 2
        colour = COLOURS[n % len(COLOURS)]
        out.append(
            f'<path d="M{x1:.0f} {y1:.0f} C{x1:.0f} {y1 + bend:.0f} {x2:.0f} {y2 - bend:.0f} {x2:.0f} {y2:.0f}" '
            f'fill="none" stroke="{colour}" stroke-width="1.3"/>'
            f'<path d="M{x2 - 4:.0f} {y2:.0f} L{x2 + 4:.0f} {y2:.0f} L{x2:.0f} {y2 + 7:.0f} Z" fill="{colour}"/>'
        )
    for room, (x, y) in at.items():
        name = f"{room}/" if (root / "holecount" / room).is_dir() else room
        out.append(
            f'<rect x="{x - ROOM_PX / 2:.0f}" y="{y - HIGH_PX / 2:.0f}" width="{ROOM_PX}" height="{HIGH_PX}" rx="4" '
            f'fill="#f6f1e7" stroke="#57534e"/>'
            f'<text x="{x:.0f}" y="{y + 4.5:.0f}" text-anchor="middle" fill="#1c1917">{escape(name)}</text>'
        )
    return "\n".join([*out, "</svg>", ""])


if __name__ == "__main__":
    DRAWN.write_text(draw(), encoding="utf-8")
