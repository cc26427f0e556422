"""What the browser is told of a job: places to draw, and words and tables laid out here, not there."""

from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from holecount.decide import Decision
from holecount.fixes import Fixes
from holecount.holes.hole import Hole
from holecount.jobs import Inputs, revision
from holecount.judge import JudgeSettings
from holecount.lengths import MM_PER_INCH, inches_32, mm_with_u
from holecount.measurement import Measurement, ReferenceUse
from holecount.overlay import rims_px
from holecount.page.bench import OpenJob, View
from holecount.page.edits import corrections
from holecount.page.session import Ends
from holecount.page.tiles import TILE_PX
from holecount.photo import Photo
from holecount.report import LEAST_SHARE
from holecount.scale.known_objects import known_objects
from holecount.sheet.content import content_of
from holecount.sheet.of_job import decision_of, notes_of, readings_of
from holecount.sheet.render import templates_of
from holecount.sizing import SHAPES, built_in_charts
from holecount.stats import LowConfidence, look_again
from holecount.troubles import DOUBTS, BadInput, NoScale, Trouble

RING = 1.3
"""Radius of the drawn ring over that of the hole, so that the rim stays in sight. Own choice."""


def render(template: str, **what: Any) -> str:
    """One of the page's templates, filled in."""
    return templates_of("holecount.page").get_template(template).render(**what)


def state_of(opened: OpenJob, view: View) -> dict[str, Any]:
    """Everything the page shows of a job, ready for JSON."""
    key = (
        revision(view.inputs), view.measurement, str(view.trouble), view.doing, view.settled, opened.job.old_seat(),
        opened.session.has_looked,
    )  # fmt: skip
    if opened.told is None or opened.told[0] != key:
        opened.told = (key, _state(opened, view))
    return opened.told[1]


def _state(opened: OpenJob, view: View) -> dict[str, Any]:
    inputs, m = view.inputs, view.measurement
    decision, tape_trouble, size_trouble = decided(m, inputs, view.counted)
    corrected = corrections(inputs.fixes, m)
    out: dict[str, Any] = {
        "name": opened.job.name,
        "revision": revision(inputs),
        "doing": view.doing,
        "settled": view.settled,
        "settings": asdict(inputs.settings),
        "tape": inputs.tape,
        "notes": inputs.notes,
        "old_seat": opened.job.old_seat() is not None,
        "picture": None,
        "holes": [],
        "references": [],
        "corrections": [asdict(c) for c in corrected],
        "trouble": _trouble(view.trouble),
        "said": _said(view, decision),
        "shown": {"corrections": render("corrections.html.j2", corrections=corrected)},
    }
    try:
        out["picture"] = _picture(opened, opened.session.photo())
    except Trouble as t:
        out["trouble"] = _trouble(t)
    if m is not None:
        out["holes"] = _holes(m)
        uses = m.scale.references if m.scale else ()
        out["references"] = [_reference(r, opened.session.ends(r.outline_px), inputs.fixes) for r in uses]
        content = content_of(m, decision, notes_of(inputs))
        out["shown"] |= {
            "answer": render("answer.html.j2", c=content, size_trouble=size_trouble),
            "figures": render("figures.html.j2", c=content, again=again_rows(m)),
            "size": render("size.html.j2", c=content),
            "holes": render("holes.html.j2", holes=[hole_row(h) for h in m.holes], unit="mm" if m.scale else "px"),
            "scale": render(
                "scale.html.j2", m=m, by_hand=bool(inputs.fixes.scale), shown=out["references"],
                most_misfit=JudgeSettings().most_misfit, least_share=LEAST_SHARE,
            ),
            "care": render("care.html.j2", c=content),
        }  # fmt: skip
        out["shown"]["tape"] = render(
            "tape.html.j2", rows=content.tape, figures=content.tape_figures, trouble=tape_trouble
        )
    elif decision.choice is not None or tape_trouble:
        out["shown"]["tape"] = render("tape.html.j2", rows=(), figures=(), trouble=tape_trouble)
    return out


def decided(m: Measurement | None, inputs: Inputs, counted: int | None = None) -> tuple[Decision, str, str]:
    """The decision, and what is wrong with the readings or with the wishes, if anything.

    Readings that cannot be read are left out: what is half typed takes nothing away from what is known.
    """
    tape_trouble = ""
    try:
        readings_of(inputs.tape)
    except BadInput as e:
        tape_trouble = str(e)[:1].upper() + str(e)[1:]
        inputs = replace(inputs, tape="")
    try:
        return decision_of(m, inputs, counted=counted), tape_trouble, ""
    except BadInput as e:
        return Decision(checks=(), tape=None, choice=None, no_choice=str(e)), tape_trouble, str(e)


def _trouble(t: Trouble | None) -> dict[str, str] | None:
    """What is wrong and what to do about it here; the command line's options are no help on the page."""
    if t is None:
        return None
    hint = _NO_SCALE if isinstance(t, NoScale) and "--" in t.hint else t.hint
    return {"what": t.what, "hint": f"On the command line: {hint}" if "--" in hint else hint}


_NO_SCALE = (
    "Lay a bank card or a ruler flat on the frame, clear of the holes, and photograph again. Or open Scale: choose "
    "what to look for, say what a ruler is divided by, or place something of known size on the picture by hand."
)


def _said(view: View, decision: Decision) -> str:
    """The result in one sentence, for whoever does not see the page."""
    m = view.measurement
    if view.trouble is not None:
        return view.trouble.what
    if m is None:
        return f"Working: {view.doing}." if view.doing else ""
    parts = [f"{m.seat.n_holes} holes"]
    unit = " px" if m.scale is None else ""
    for what, spread in (("pitch", m.seat.pitch), ("diameter", m.seat.diameter)):
        if spread is not None:
            parts.append(
                f"{what} {spread.mean_mm:.1f}{unit}"
                if unit
                else f"{what} {mm_with_u(spread.mean_mm, spread.u_mean_mm)}"
            )
    choice = decision.choice.choice if decision.choice else None
    if choice is not None:
        parts.append(f"take {choice.width_mm:g} mm cane")
    parts.append("good" if m.verdict == "good" else "check: look again")
    return ", ".join(parts) + "."


def _picture(opened: OpenJob, photo: Photo) -> dict[str, Any]:
    return {
        "width": photo.width_px,
        "height": photo.height_px,
        "tile": TILE_PX,
        "levels": opened.pyramid().n_levels,
        "key": photo.sha256[:16],
    }


def _holes(m: Measurement) -> list[dict[str, Any]]:
    """Each hole's ring as an ellipse, and what it is, in words and in marks."""
    out = []
    for h, rim in zip(m.holes, rims_px(m.holes, RING), strict=True):
        wide, narrow, turn = _ellipse(np.asarray(rim, float))
        out.append(
            {
                "n": h.number,
                "x": round(h.x_px, 2),
                "y": round(h.y_px, 2),
                "rx": wide,
                "ry": narrow,
                "turn": turn,
                "status": h.status,
                "doubtful": bool(set(h.doubts) - {"blocked"}) and h.status != "hidden",
                "words": hole_words(h, in_mm=m.scale is not None),
            }
        )
    return out


def _ellipse(points: Any) -> tuple[float, float, float]:
    """Half axes in px and turn in radians of the ellipse that points evenly round it lie on.

    For points at even angles the covariance is half the squared half axes (derived).
    """
    off = points - points.mean(axis=0)
    values, vectors = np.linalg.eigh(off.T @ off / len(points))
    narrow, wide = np.sqrt(2 * np.maximum(values, 0.0))
    return round(float(wide), 2), round(float(narrow), 2), round(float(np.arctan2(vectors[1, 1], vectors[0, 1])), 4)


def hole_words(h: Hole, *, in_mm: bool = True) -> str:
    """``Hole 12, front rail, 4.76 ± 0.08 mm (3/16 in), open; washed out by glare``."""
    rail = "" if h.rail == "ring" else f", {h.rail} rail" if not h.rail.startswith("row") else f", {h.rail}"
    size = ""
    if h.diameter_mm is not None:
        u = float(np.hypot(h.u_own_diameter_mm or 0.0, h.u_shared_diameter_mm or 0.0))
        size = f", {mm_with_u(h.diameter_mm, u)} ({inches_32(h.diameter_mm)})" if in_mm else f", {h.diameter_mm:.1f} px"
    status = "hidden, not counted" if h.status == "hidden" else h.status
    doubts = [DOUBTS[d].words for d in h.doubts if d in DOUBTS and d != "blocked"]
    return f"Hole {h.number}{rail}{size}, {status}" + (f"; {'; '.join(doubts)}" if doubts else "")


def hole_row(h: Hole) -> dict[str, Any]:
    """One hole for the table."""
    return {
        "n": h.number,
        "rail": h.rail,
        "size": "-" if h.diameter_mm is None else f"{h.diameter_mm:.2f}",
        "status": h.status,
        "doubts": "; ".join(DOUBTS[d].words for d in h.doubts if d in DOUBTS),
        "corner": h.corner,
    }


def again_rows(m: Measurement) -> list[dict[str, Any]]:
    """Doubtful stretches, each with the hole to look at first."""
    rows: list[dict[str, Any]] = []
    flags: dict[str, list[LowConfidence]] = {}
    for low in m.low_confidence:
        flags.setdefault(low.flag, []).append(low)
    for same in flags.values():
        rows.append({"words": look_again(same)[0], "holes": sorted({low.first_hole for low in same})})
    return rows


def _reference(r: ReferenceUse, ends: Ends | None, fixes: Fixes) -> dict[str, Any]:
    """A reference: where it is, the points it can be dragged by, and the size that belongs to them."""
    known = next((k for k in known_objects().values() if k.words == r.words), None)
    drag: Sequence[tuple[float, float]] = ()
    size = f"{known.long_mm:g}x{known.short_mm:g}" if known else ""
    if len(fixes.scale) == 1:
        placed = fixes.scale[0]
        drag = placed.points_px
        size = f"{placed.width_mm:g} mm" if placed.depth_mm is None else f"{placed.width_mm:g}x{placed.depth_mm:g}"
    elif not fixes.scale and ends is not None:
        drag = (ends.first_px, ends.last_px)
        size = _in_unit_of(r.words, ends.length_mm)
    elif not fixes.scale and r.kind != "ruler" and len(r.outline_px) == 4:
        drag = r.outline_px
    return {"kind": r.kind, "words": r.words, "outline": _rounded(r.outline_px), "drag": _rounded(drag), "size": size}


def _rounded(points: Sequence[tuple[float, float]]) -> list[list[float]]:
    return [[round(x, 2), round(y, 2)] for x, y in points]


def _in_unit_of(words: str, length_mm: float) -> str:
    """A length in the unit that a ruler is divided by."""
    return f"{round(length_mm / MM_PER_INCH, 3):g} in" if "inch" in words else f"{round(length_mm, 2):g} mm"


def choices() -> dict[str, Any]:
    """What the page's lists offer."""
    return {
        "shapes": SHAPES,
        "charts": [(c.name, c.cited) for c in built_in_charts()],
        "objects": [(key, k.words, f"{k.long_mm:g}x{k.short_mm:g}") for key, k in known_objects().items()],
    }
