"""Everything that can go wrong, in plain words, with what to do about it.

A photograph (or another input) that cannot be used raises a `Trouble`;
a single hole or figure that cannot be trusted carries a `Doubt`.
"""

from dataclasses import dataclass

MOST_CHARACTERS = 480
"""Of a sentence, whatever a file or option holds that it quotes: six lines of a terminal. Own choice."""


def one_line(text: str) -> str:
    """The text on one line that can be read: signs without a shape as a space, a long middle left out."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    if len(plain) <= MOST_CHARACTERS:
        return plain
    return f"{plain[: MOST_CHARACTERS // 2 - 2]} ... {plain[3 - MOST_CHARACTERS // 2 :]}"


class Trouble(Exception):
    """What happened, what to do about it, and the exit status it ends the command with."""

    exit_code = 1

    def __init__(self, what: str, hint: str = "") -> None:
        self.what = one_line(what)
        self.hint = one_line(hint)
        super().__init__(self.what)

    def __str__(self) -> str:
        return f"{self.what} {self.hint}".strip()


class BadInput(Trouble):
    """A file, option value or correction that cannot be read as what it should be (exit 4)."""

    exit_code = 4


class UnfitPhoto(Trouble):
    """The photograph was read but cannot be measured (exit 3)."""

    exit_code = 3


class NoScale(UnfitPhoto):
    """Nothing of known size was found on the frame (exit 3)."""


class NoHoles(UnfitPhoto):
    """No row of holes was found (exit 3)."""


class CannotSave(Trouble):
    """A result cannot be written where it should go, or something stands there already (exit 5)."""

    exit_code = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """One reason not to trust a hole, a stretch or the whole seat, with the remedy."""

    flag: str
    words: str
    advice: str


DOUBTS: dict[str, Doubt] = {
    d.flag: d
    for d in (
        Doubt(flag="blocked", words="packed with old cane", advice="clear the hole, then gauge it with a drill bit"),
        Doubt(
            flag="part-hidden", words="part of the rim is covered", advice="move what covers it and photograph again"
        ),
        Doubt(flag="edge-on", words="seen at a steep angle", advice="photograph again from straight above"),
        Doubt(
            flag="glare", words="washed out by glare", advice="turn the frame or shade the lamp, then photograph again"
        ),
        Doubt(flag="small", words="too few pixels across", advice="photograph that rail again from nearer"),
        Doubt(
            flag="blurred",
            words="out of focus or shaken",
            advice="photograph again, holding still, nearer and in more light",
        ),
        Doubt(
            flag="worn-rim",
            words="the rim is rounded or worn, so the bore is hard to see",
            advice="gauge it with a drill bit",
        ),
        Doubt(
            flag="far-from-scale",
            words="far from the card or ruler",
            advice="lay a second card or a ruler near it and photograph again",
        ),
        Doubt(
            flag="filled-in",
            words="found only because its neighbours say a hole should be there",
            advice="look at the frame: is there a hole?",
        ),
        Doubt(
            flag="odd-size",
            words="size differs from its neighbours",
            advice="gauge it with a drill bit: worn, or not a hole",
        ),
        Doubt(
            flag="odd-place",
            words="off the line or pitch of its neighbours",
            advice="look at the frame: is it a hole of this row?",
        ),
    )
}
"""Every doubt flag there is, by name."""
