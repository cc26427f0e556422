"""Ways to spoil a file: bytes flipped, cut, doubled, overwritten; JSON with an entry odd, gone or too many."""

import copy
import json
import random
from collections.abc import Iterator
from typing import Any

ODD_VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2, 7, 10**6, 2**31, 2**63, 10**400, -(10**400), 0.0, -0.0, 0.5, -1e-9, 1e-320, 1e308,
    -1e308, "", " ", "good", "front", "\n", "\0", "\u202e", "é" * 300, "x" * 5000, "../../etc", "<script>", "{{7*7}}",
    [], [[]], [None], [1, 2], {}, {"": None}, {"schema": 1},
)  # fmt: skip
"""What may stand where something else should."""


ODD_NUMBERS = (0, -1, 1, 2, 3, 1e-9, 1e-3, 0.5, 0.999, 100, 1e5, 9e5, 1e308, -1e-12, 5e-324)
ODD_WORDS = (
    "", " ", "open", "blocked", "hidden", "front", "ring", "check", "card", "é", "\n", "\0", "\u202e", "x" * 3000,
)  # fmt: skip


def bytes_spoiled(data: bytes, chance: random.Random) -> bytes:
    """One to eight changes: bits, bytes, runs, cuts, doublings, big numbers laid over."""
    out = bytearray(data)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 8))):
        n = len(out)
        if n == 0:
            return bytes(out)
        # Headers are where the lies are: most changes fall into the first kilobyte.
        at = chance.randrange(min(n, 1024)) if chance.random() < 0.7 else chance.randrange(n)
        way = chance.randrange(7)
        if way == 0:
            out[at] ^= 1 << chance.randrange(8)
        elif way == 1:
            out[at] = chance.choice((0, 1, 0x7F, 0x80, 0xFF, chance.randrange(256)))
        elif way == 2:
            out[at : at + 4] = chance.choice((b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x7f\xff\xff\xff", b"\0\0\x4e\x20"))
        elif way == 3:
            del out[at:]
        elif way == 4:
            del out[at : at + chance.randrange(1, 64)]
        elif way == 8:
            out[at:at] = out[at : at + chance.randrange(1, 64)]
        else:
            out[at : at + 2] = chance.randbytes(2)
    return bytes(out)


def cuts(data: bytes, n: int) -> Iterator[bytes]:
    """The file cut off at every byte of its head and then here and there, ``n`` in all."""
    head = min(len(data), n // 2)
    yield from (data[:k] for k in range(head))
    step = max(1, (len(data) - head) // max(1, n - head))
    yield from (data[:k] for k in range(head, len(data), step))


def json_spoiled(value: Any, chance: random.Random) -> Any:
    """A copy with one to three entries replaced, taken away, doubled or put elsewhere."""
    out = copy.deepcopy(value)
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        places = list(_places(out))
        if not places:
            return out
        holder, key = chance.choice(places)
        way, old = chance.randrange(12), holder[key]
        number = isinstance(old, int | float) and not isinstance(old, bool) and abs(old) < 1e300
        if way < 2:
            holder[key] = chance.choice(ODD_VALUES)
        elif way < 7 and number:  # Of the right kind, so that it gets past the first look.
            new = chance.choice((*ODD_NUMBERS, -old, 2 * old, old + 1, old - 1, old * 1e-3, old * (1 + 1e-12)))
            holder[key] = int(new) if isinstance(old, int) and abs(new) < 1e15 else new
        elif way < 7 and isinstance(old, str):
            holder[key] = chance.choice(ODD_WORDS)
        elif way == 7 and isinstance(old, list):
            holder[key] = old[: chance.randrange(len(old) + 1)]
        elif way == 8:
            del holder[key]
        elif way == 9 and isinstance(holder, list):
            holder.insert(chance.randrange(len(holder) + 1), copy.deepcopy(holder[key]))
        else:
            other_holder, other_key = chance.choice(places)
            holder[key] = copy.deepcopy(other_holder[other_key])
    return out


def json_text(value: Any, chance: random.Random) -> str:
    """As text, at times with what strict JSON does not know."""
    text = json.dumps(value, ensure_ascii=chance.random() < 0.5)
    if chance.random() < 0.1:
        text = text.replace("null", chance.choice(("NaN", "Infinity", "-Infinity", "nil", "undefined")))
    return text


def _places(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every holder and key in nested dicts and lists; long lists are sampled at their ends."""
    if isinstance(value, dict):
        keys: list[Any] = list(value)
    elif isinstance(value, list):
        keys = list(range(len(value))) if len(value) <= 6 else [0, 1, 2, len(value) // 2, -2, -1]
    else:
        return
    for key in keys:
        yield value, key
        yield from _places(value[key])
