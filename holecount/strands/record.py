"""The plan as plain dicts and lists, ready for JSON (documented in docs/strand-plan.md)."""

import dataclasses
from typing import Any

from holecount import __version__
from holecount.strands.cane import CaneNeed, CaneSettings
from holecount.strands.charge import Charge
from holecount.strands.layout import StraightLayout, sides
from holecount.strands.plan import StrandPlan

SCHEMA = 1
"""Grows when a field changes its meaning or goes; new fields alone do not change it."""


def plan_record(
    plan: StrandPlan,
    need: CaneNeed | None,
    settings: CaneSettings,
    *,
    warnings: tuple[str, ...] = (),
) -> dict[str, Any]:
    """One seat: plan and cane; lengths are None without millimetres. ``warnings`` are added to the plan's own."""
    frame = plan.frame
    in_mm = frame.in_mm
    names = ("front", "right", "back", "left")
    corner_names = ("front_left", "front_right", "back_right", "back_left")
    held = zip(names, sides(frame, plan.layout.corners), strict=True)
    record: dict[str, Any] = {
        "schema": SCHEMA,
        "made_by": f"holecount {__version__}",
        "shape": frame.shape,
        "n_holes": frame.n,
        "between_corners": {name: len(side) for name, side in held},
        "corner_holes": dict(zip(corner_names, plan.corner_holes, strict=True)),
        "centre": {"front": list(plan.centre_front), "back": list(plan.centre_back)},
        "mirrored": plan.layout.mirrored,
        "runs": plan.runs,
        "runs_by_step": {str(step): len(plan.step(step)) for step in range(1, 7)},
        "strands": [
            {
                "number": s.number,
                "step": s.step,
                "from": s.start,
                "to": s.end,
                "span_mm": _mm(s.span_mm) if in_mm else None,
                "link_to": s.link_to,
                "link_mm": _mm(s.link_mm) if in_mm else None,
            }
            for s in plan.strands
        ],
        "short": list(plan.short),
        "per_hole": {str(number): count for number, count in plan.per_hole.items()},
        "fullest": _fullest(plan),
        "doubled": {family: list(v) for family, v in plan.doubled.items()},
        "skipped": {family: list(v) for family, v in plan.skipped.items()},
        "n_crossings": plan.n_crossings,
        "layouts": [_layout(layout) for layout in plan.tried],
        "net_m": None,
        "buy_m": None,
        "buy_interval_m": None,
        "cane": None,
        "warnings": [*plan.warnings, *warnings],
    }
    if need is not None:
        record |= cane_record(need)
        record["cane"] = _assumed(settings)
    return record


def cane_record(need: CaneNeed) -> dict[str, Any]:
    """Lengths in metres, of one seat or several together."""
    return {
        "n_seats": need.n_seats,
        "net_m": _m(need.net_mm),
        "net_by_step_m": {str(s.step): _m(s.net_mm) for s in need.steps},
        "parts_m": {
            "spans": _m(sum(s.spans_mm for s in need.steps)),
            "links": _m(sum(s.links_mm for s in need.steps)),
            "passages": _m(sum(s.passages_mm for s in need.steps)),
            "tails": _m(sum(s.tails_mm for s in need.steps)),
        },
        "couching_m": _m(need.couching_mm),
        "buy_m": _m(need.buy_mm),
        "buy_interval_m": [_m(need.low_mm), _m(need.high_mm)],
        "n_lengths": need.n_lengths,
        "offcuts_m": _m(need.offcuts_mm),
        "hanks": round(need.hanks, 3),
        "coils": round(need.coils, 3),
        "binder_m": _m(need.binder_mm),
    }


def charge_record(charge: Charge) -> dict[str, Any]:
    """A reckoning; amounts as text, exact to the hundredth."""
    return {
        "currency": charge.currency,
        "lines": [{"words": line.words, "amount": str(line.amount)} for line in charge.lines],
        "total": str(charge.total),
        "notes": list(charge.notes),
    }


def _m(length_mm: float) -> float:
    return round(length_mm / 1000, 3)


def _mm(length_mm: float) -> float:
    return round(length_mm, 2)


def _fullest(plan: StrandPlan) -> dict[str, Any]:
    most = max(plan.per_hole.values())
    return {"n_strands": most, "holes": [number for number, count in plan.per_hole.items() if count == most]}


def _layout(layout: StraightLayout) -> dict[str, Any]:
    terms = dataclasses.asdict(layout.objective)
    return {
        "words": layout.words,
        "total": round(layout.objective.total, 4),
        "terms": {name: round(float(value), 4) for name, value in terms.items()},
    }


def _assumed(settings: CaneSettings) -> dict[str, float]:
    return {name: round(value, 3) for name, value in dataclasses.asdict(settings).items()}
