"""The map of the house in DEVELOPERS.md is that of the imports as they are."""

import importlib.util
from pathlib import Path

ROOT = Path(__file__).parents[2]
spec = importlib.util.spec_from_file_location("house", ROOT / "docs" / "pictures" / "house.py")
assert spec is not None
assert spec.loader is not None
house = importlib.util.module_from_spec(spec)
spec.loader.exec_module(house)


def test_drawn_map_is_up_to_date():
    again = "drawn anew by: python docs/pictures/house.py"
    assert house.DRAWN.read_text(encoding="utf-8") == house.draw(), again


def test_every_room_has_its_storey_and_its_line_in_the_table():
    rooms = {room for storey in house.storeys() for room in storey}
    assert rooms == set(house.imports())
    table = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for room in sorted(rooms):
        name = f"`{room}/`" if (ROOT / "holecount" / room).is_dir() else f"`{room}.py`"
        assert name in table, f"{name} is missing in DEVELOPERS.md's table of rooms"


def test_arrows_run_downwards_and_leave_nothing_out():
    storey = {room: k for k, rooms in enumerate(house.storeys()) for room in rooms}
    used = house.imports()
    drawn: dict[str, set[str]] = {}
    for room, other in house.drawn_arrows(used):
        assert storey[room] < storey[other]
        drawn.setdefault(room, set()).add(other)

    def reached(room):
        return set().union(*({other} | reached(other) for other in drawn.get(room, ())))

    for room, others in used.items():
        assert others <= reached(room)
