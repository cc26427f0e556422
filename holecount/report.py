"""The measurement as a short table for the terminal, in a caner's words."""

import textwrap
from collections.abc import Sequence

from holecount.lengths import inches_32, mm_with_u
from holecount.measurement import Measurement, ScaleUse
from holecount.stats import RailStats, SixInches, Spread, look_again

SHAPE_WORDS: dict[str, str] = {
    "square": "square seat",
    "tapered": "tapered seat",
    "bowed": "seat with a bowed rail",
    "round": "round seat",
    "oval": "oval seat",
    "rows": "in rows that do not close to a seat",
}

LEAST_SHARE = 0.005
"""Less than this share of the scale came from the holes: they are not named. Own choice: half a per cent."""

_LINE_WIDTH = 96
"""Characters a line of words may take before it is broken. Own choice."""


def table(m: Measurement) -> str:
    """Lay out one measurement: count, verdict, a line for each rail, doubtful stretches, scale."""
    pixels = m.scale is None
    parts = [
        f"{m.photo_name}: {count_words(m.seat)}, {SHAPE_WORDS.get(m.shape, m.shape)}",
        *_verdict(m),
        "",
        *_rails(m, pixels=pixels),
        "",
        *_extremes(m.seat, pixels=pixels),
    ]
    if m.remarks:
        parts += ["", "Good to know:", *(_bullet(remark) for remark in m.remarks)]
    if m.low_confidence:
        parts += ["", "Look again:", *(_bullet(words) for words in look_again(m.low_confidence))]
    parts += ["", *_scale(m.scale)]
    return "\n".join(parts) + "\n"


def summary_table(outcomes: Sequence[tuple[str, Measurement | None, str]]) -> str:
    """One line a photograph: name, count, pitch, diameter, verdict; or the trouble it met."""
    if not outcomes:
        return "No photographs.\n"
    rows = [["photograph", "holes", "pitch", "", "diameter", "", "verdict"]]
    for name, m, trouble in outcomes:
        if m is None:
            rows.append([name, "-", "", "", "", "", trouble])
            continue
        pixels = m.scale is None
        rows.append(
            [
                name,
                str(m.seat.n_holes),
                *_length_cells(m.seat.pitch, pixels=pixels),
                *_length_cells(m.seat.diameter, pixels=pixels),
                _short_verdict(m),
            ]
        )
    return "\n".join(_columns(rows, left={0, 3, 5, 6})) + "\n"


def _short_verdict(m: Measurement) -> str:
    if not m.verdict_reasons:
        return m.verdict
    more = len(m.verdict_reasons) - 1
    return f"{m.verdict}: {m.verdict_reasons[0]}" + (f" (and {more} more)" if more else "")


def count_words(s: RailStats) -> str:
    """``78 holes, 2 of them blocked, 3 more hidden (not counted)``."""
    words = [f"{s.n_holes} holes"]
    if s.n_blocked:
        words.append(f"{s.n_blocked} of them blocked")
    if s.n_hidden:
        words.append(f"{s.n_hidden} more hidden (not counted)")
    return ", ".join(words)


def _verdict(m: Measurement) -> list[str]:
    if m.verdict == "good":
        return ["Verdict: good"]
    return ["Verdict: check, look again before you buy cane:", *(_bullet(reason) for reason in m.verdict_reasons)]


def _bullet(words: str) -> str:
    return _wrapped(words, first="  - ", next_lines="    ")


def _wrapped(words: str, *, first: str, next_lines: str) -> str:
    return textwrap.fill(words, _LINE_WIDTH, initial_indent=first, subsequent_indent=next_lines)


def _rails(m: Measurement, *, pixels: bool) -> list[str]:
    inches = [] if pixels else [""]
    heading = ["rail", "holes", "pitch", *inches, "diameter", *inches, "in 6 inches", "by pitch"]
    rows = [heading if not pixels else heading[:-2]]
    each = m.rails if len(m.rails) > 1 else ()
    for s in (*each, m.seat):
        row = [s.name if s is not m.seat else "seat", str(s.n_holes)]
        row += _length_cells(s.pitch, pixels=pixels) + _length_cells(s.diameter, pixels=pixels)
        if pixels:
            row = [cell for i, cell in enumerate(row) if i not in (3, 5)]
        else:
            row += _six_inches(s.six_inches)
        rows.append(row)
    left = {0, 3, 5, 6} if not pixels else {0}
    return _columns(rows, left=left)


def _length_cells(spread: Spread | None, *, pixels: bool) -> list[str]:
    """Mean with its uncertainty, and inches to the nearest 1/32."""
    if spread is None:
        return ["-", ""]
    if pixels:
        return [f"{spread.mean_mm:.2f} px", ""]
    return [mm_with_u(spread.mean_mm, spread.u_mean_mm), inches_32(spread.mean_mm)]


def _six_inches(s: SixInches) -> list[str]:
    """Whole holes counted in six inches, and six inches over the pitch."""
    by_pitch = "-" if s.from_pitch is None else f"{s.from_pitch:.1f}"
    if s.least is None or s.most is None or s.mean is None:
        return ["-", by_pitch]
    return [f"{s.least}" if s.least == s.most else f"{s.least} to {s.most}, mean {s.mean:.1f}", by_pitch]


def _columns(rows: Sequence[Sequence[str]], *, left: set[int]) -> list[str]:
    """Pad cells to columns; those in ``left`` begin flush, the others end flush."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        "  ".join(
            cell.ljust(w) if i in left else cell.rjust(w) for i, (cell, w) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def _extremes(s: RailStats, *, pixels: bool) -> list[str]:
    """Spread, least and greatest with the holes where they occur."""
    out = []
    unit = "px" if pixels else "mm"
    named = (("pitch", s.pitch), ("same side to same side", s.same_side_pitch), ("diameter", s.diameter))
    for what, spread in named:
        if spread is None:
            continue
        out.append(
            f"{what}: {spread.min_mm:.2f} {unit} ({_holes(spread.min_at)}) to {spread.max_mm:.2f} {unit} "
            f"({_holes(spread.max_at)}), spread (sd) {spread.sd_mm:.2f} {unit}"
        )
    return out


def _holes(numbers: Sequence[int]) -> str:
    return ("hole " if len(numbers) == 1 else "holes ") + "-".join(map(str, numbers))


def _scale(scale: ScaleUse | None) -> list[str]:
    if scale is None:
        return ["Scale: none, so lengths are pixels of the upright picture"]
    out = ["Scale:"]
    for r, share in zip(scale.references, scale.shares, strict=True):
        words = f"{r.words} ({100 * share:.0f} % of what is known)"
        out.append(_bullet("; ".join([words, *r.notes])))
    if scale.holes_share >= LEAST_SHARE:
        share = 100 * scale.holes_share
        out.append(_bullet(f"the holes, bored round and with one bit ({share:.0f} % of what is known)"))
    out.append(
        _bullet(
            f"{1 / scale.mm_per_px:.2f} px/mm, camera tilted {scale.tilt_deg:.0f} degrees, about "
            f"{scale.distance_mm / 10:.0f} cm away; scale good to {100 * scale.u_rel:.2g} %, "
            f"{100 * scale.u_local_rel:.2g} % where it is worst"
        )
    )
    return out
