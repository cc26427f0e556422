"""The decision told: as lines for a terminal and as plain values for JSON."""

import dataclasses
import textwrap
from typing import Any

from holecount.lengths import inches_32, mm_with_u
from holecount.sizing.choice import SizeChoice
from holecount.sizing.words import length, percent, size, width
from holecount.stats import look_again

SCHEMA = 1


def lines(made: SizeChoice, *, explain: bool = False, columns: int = 88) -> list[str]:
    """What a terminal shows; ``explain`` adds the reasoning line by line."""
    out: list[str] = []
    if made.choice is None:
        out.append("No size: even the thinnest cane is not likely to go through the holes.")
    for c in made.candidates:
        mark = "Take" if c is made.choice else "else"
        text = f"{mark}  {size(c.width_mm, c.name)}, {percent(c.chance)}" + (f": {c.why}" if c.why else "")
        out += _wrapped(text, columns, "      ")
    if made.to_decide:
        out += ["", *_wrapped(f"Near even. {made.to_decide[0].upper()}{made.to_decide[1:]}.", columns, "      ")]
    out.append("")
    f = made.figures
    rows: list[tuple[str, str]] = []
    if f.pitch is not None:
        what = f"{mm_with_u(f.pitch.mean_mm, f.pitch.u_mean_mm)} ({inches_32(f.pitch.mean_mm)}) centre to centre"
        rows.append(("pitch", what))
    if f.tightest is not None:
        rows.append(("tightest", f"{length(f.tightest.pitch_mm)}, {f.tightest.words}"))
    if f.hole is not None and f.small_hole_mm is not None:
        what = f"{mm_with_u(f.hole.mean_mm, f.hole.u_mean_mm)} ({inches_32(f.hole.mean_mm)})"
        rows.append(("holes", f"{what}, the small ones {length(f.small_hole_mm)}"))
    shape = made.shape or "not given"
    rows.append(("seat", f"{shape}{', couched' if made.couched else ''}; figures from {_origin(f.origin)}"))
    if made.fits and made.thickness_mm is not None:
        measured = made.thickness_from == "measured"
        said = "as measured" if measured else "an assumption: measure one with a calliper"
        rows.append(("strand", f"{width(made.fits[0].width_mm)} by {made.thickness_mm:.2f} mm thick, {said}"))
    for x in made.fits:
        rows.append((f"{x.n_strands} strands", f"{x.verdict}: {x.where}; need {x.needs_mm:.1f} of {x.hole_mm:.1f} mm"))
    rows += [("binder" if k == 0 else "", w) for k, w in enumerate(made.binder.words)]
    for k, s in enumerate(made.by_chart):
        said = size(s.width_mm, s.name) if s.width_mm is not None else "no size"
        between = s.width_mm is not None and s.up_to_mm is not None and s.up_to_mm > s.width_mm
        if s.up_to_mm is not None and between and s.width_mm != made.by_chart[0].width_mm:
            said += f", next row {width(s.up_to_mm)},"
        rows.append(("charts" if k == 0 else "", f"{said} by {s.cited}{' (decides)' if k == 0 else ''}"))
    wide = max(len(r[0]) for r in rows) + 2
    for name, what in rows:
        out += _wrapped(f"{name:<{wide}}{what}", columns, " " * wide)
    good_to_know = [r for r in made.remarks if r.code != "near-even"]
    if good_to_know:
        out += ["", "Good to know"]
        for r in good_to_know:
            out += _wrapped(f"- {r.words}", columns, "  ")
    if made.low_confidence:
        out += ["", "Look again"]
        for words in look_again(made.low_confidence):
            out += _wrapped(f"- {words}", columns, "  ")
    if explain:
        out += ["", "Why"]
        for k, reason in enumerate(made.reasons, 1):
            out += _wrapped(f"{k:>2}. {reason.words}", columns, "    ")
            out += _wrapped(f"    [{reason.source}]", columns, "     ")
    return out


def to_dict(made: SizeChoice) -> dict[str, Any]:
    """The decision as nested dicts and lists, ready for JSON (no NaN, no infinity)."""
    f = made.figures
    choice = None
    if made.choice is not None:
        c = made.choice
        choice = {
            "width_mm": c.width_mm,
            "name": c.name,
            "chance": round(c.chance, 4),
            "chance_at_least": round(c.chance_at_least, 4),
        }
    return {
        "schema": SCHEMA,
        "choice": choice,
        "candidates": [
            {"width_mm": c.width_mm, "name": c.name, "chance": round(c.chance, 4), "why": c.why}
            for c in made.candidates
        ],
        "chance_none": round(made.chance_none, 4),
        "to_decide": made.to_decide,
        "shape": made.shape,
        "couched": made.couched,
        "deciding_chart": made.deciding,
        "charts": [dataclasses.asdict(s) for s in made.by_chart],
        "strand": {"thickness_mm": made.thickness_mm, "thickness_from": made.thickness_from},
        "fits": [dataclasses.asdict(x) for x in made.fits],
        "binder": {
            "width_mm": made.binder.width_mm,
            "covers": made.binder.covers,
            "couch": made.binder.couch,
            "length_mm": list(made.binder.length_mm) if made.binder.length_mm else None,
            "words": list(made.binder.words),
            "sources": list(made.binder.sources),
        },
        "figures": {
            "origin": f.origin,
            "pitch_mm": f.pitch.mean_mm if f.pitch else None,
            "u_pitch_mm": f.pitch.u_mean_mm if f.pitch else None,
            "hole_mm": f.hole.mean_mm if f.hole else None,
            "u_hole_mm": f.hole.u_mean_mm if f.hole else None,
            "small_hole_mm": f.small_hole_mm,
            "wide_hole_mm": f.wide_hole_mm,
            "tightest": dataclasses.asdict(f.tightest) if f.tightest else None,
        },
        "remarks": [r.words for r in made.remarks],
        "remark_codes": [r.code for r in made.remarks],
        "low_confidence": [dataclasses.asdict(low) for low in made.low_confidence],
        "reasons": [dataclasses.asdict(r) for r in made.reasons],
    }


def _origin(origin: str) -> str:
    return {"typed": "what was typed", "photo": "the photo", "tape": "the tape"}.get(origin, origin)


def _wrapped(text: str, columns: int, indent: str) -> list[str]:
    return textwrap.wrap(text, columns, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False) or [
        ""
    ]
