"""The plan drawn: one picture a step, and all steps together as they lie woven. Plain SVG, no other package.

Holes carry the numbers of the marked photograph; the front of the seat is at the bottom. Drawings are grey and
black, told apart by shade, width and dashes, so that they print on any printer.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from holecount.strands.order import Strand
from holecount.strands.plan import STEPS, StrandPlan

WIDTH = 900.0
"""Width of every drawing in its own units; about the pixels it is made for. Own choice."""

OVER: Mapping[int, tuple[int, ...]] = {4: (1,), 5: (2, 4), 6: (1, 3)}
"""Earlier steps that a step passes under; it lies over all others (Perry for step 4; see STEPS for 5 and 6)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawingSettings:
    """Sizes of a drawing, in pitches unless named otherwise.

    ``strand`` width of a strand (0.12 to 0.22); ``pair`` half the distance between the two strands of a pair
    (0.09 to 0.16); ``edge`` width of a strand's outline (0.015 to 0.04); ``label_px`` greatest height of the
    hole numbers in drawing units (10 to 16). Looked at on the sample set, 2026-11.
    """

    strand: float = 0.18
    pair: float = 0.125
    edge: float = 0.025
    label_px: float = 14.0


DARK, LIGHT = ("#000", "#4a4a4a"), ("#9a9a9a", "#f1f1f1")
"""Outline and face of the strands of the step shown, and of those before it."""

TOGETHER: Mapping[int, tuple[str, str]] = {
    1: ("#333", "#fff"),
    2: ("#333", "#fff"),
    3: ("#333", "#fff"),
    4: ("#333", "#fff"),
    5: ("#333", "#c4c4c4"),
    6: ("#333", "#8c8c8c"),
}
"""The same by step in the drawing of all."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sheet:
    """From the frame's positions to drawing units, y downwards."""

    scale: float
    left: float
    top: float
    width: float
    height: float
    pitch: float
    label: float

    def __call__(self, xy_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        xy = np.atleast_2d(xy_mm)
        return np.column_stack([(xy[:, 0] - self.left) * self.scale, (self.top - xy[:, 1]) * self.scale])


HEAD, FOOT = 46.0, 40.0
"""Room above and below the seat, in drawing units, for words and arrows. Own choice."""


def _sheet(plan: StrandPlan, given: DrawingSettings) -> _Sheet:
    xy, pitch = plan.frame.xy_mm, plan.frame.pitch_mm
    span = float(np.ptp(xy[:, 0]))
    digits = len(str(max(plan.frame.numbers)))
    edge = 0.8 * pitch  # Wood outside the holes.
    scale = (WIDTH - 2 * (digits * 0.6 + 0.6) * given.label_px) / (span + 2 * edge)
    label = min(given.label_px, 0.85 * pitch * scale)
    side = edge + (digits * 0.6 + 0.6) * given.label_px / scale
    over = edge + 2.6 * label / scale
    left, top = float(xy[:, 0].min()) - side, float(xy[:, 1].max()) + over + HEAD / scale
    height = (top - float(xy[:, 1].min()) + over) * scale + FOOT
    return _Sheet(scale=scale, left=left, top=top, width=WIDTH, height=height, pitch=pitch * scale, label=label)


def step_svg(plan: StrandPlan, step: int, settings: DrawingSettings | None = None) -> str:
    """One step, the steps before it in light grey beneath. ``step`` is 1 to 6."""
    given = settings or DrawingSettings()
    sheet = _sheet(plan, given)
    looks = {s: DARK if s == step else LIGHT for s in range(1, step + 1)}
    lines = {s: _lines(plan, s, sheet, given) for s in looks}
    strands = plan.step(step)
    body = [
        _rail(plan, sheet),
        _weave(lines, looks, sheet, given),
        _links(plan, strands, sheet),
        _starts(plan, strands, sheet),
        _arrows(lines[step], sheet),
        _holes(plan, sheet),
    ]
    if step == 1:
        body.append(_centre_marks(plan, sheet))
    pegs = sum(s.link_to is None for s in strands)
    pieces = f"{pegs} piece{'s' if pegs != 1 else ''}"
    note = f"{len(strands)} strands in {pieces}, begun at the black dots; dashes: links underneath"
    return _svg(sheet, f"Step {step}: {STEPS[step]}", note, body)


def all_steps_svg(plan: StrandPlan, settings: DrawingSettings | None = None) -> str:
    """Steps 1 to 6 together, as they lie over and under each other."""
    given = settings or DrawingSettings()
    sheet = _sheet(plan, given)
    lines = {s: _lines(plan, s, sheet, given) for s in STEPS}
    body = [_rail(plan, sheet), _weave(lines, TOGETHER, sheet, given), _holes(plan, sheet)]
    return _svg(sheet, "Steps 1 to 6 together", f"{plan.runs} strands over {plan.frame.n} holes", body)


def drawings(plan: StrandPlan, settings: DrawingSettings | None = None) -> dict[str, str]:
    """Every drawing by file stem: ``step-1`` to ``step-6`` and ``all-steps``."""
    made = {f"step-{step}": step_svg(plan, step, settings) for step in STEPS}
    made["all-steps"] = all_steps_svg(plan, settings)
    return made


def _svg(sheet: _Sheet, words: str, note: str, body: Sequence[str]) -> str:
    w, h = sheet.width, sheet.height
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w:.0f} {h:.0f}" role="img" '
        f'font-family="sans-serif" aria-label="{escape(words)}">\n'
        f'<rect width="{w:.0f}" height="{h:.0f}" fill="#fff"/>\n'
        f'<text x="{w / 2:.0f}" y="20" font-size="18" font-weight="bold" text-anchor="middle">{escape(words)}</text>\n'
        f'<text x="{w / 2:.0f}" y="38" font-size="13" text-anchor="middle" fill="#444">{escape(note)}</text>\n'
        + "\n".join(b for b in body if b)
        + f'\n<text x="{w / 2:.0f}" y="{h - 12:.0f}" font-size="14" text-anchor="middle" fill="#444">front</text>'
        + "\n</svg>\n"
    )


def _weave(
    lines: Mapping[int, Sequence[NDArray[np.float64]]],
    looks: Mapping[int, tuple[str, str]],
    sheet: _Sheet,
    given: DrawingSettings,
) -> str:
    """Strands step upon step; where one passes under an earlier one, that one is drawn once more over it."""
    wide, edge = given.strand * sheet.pitch, given.edge * sheet.pitch
    body = []
    for step, laid in lines.items():
        body.append(_ribbons("".join(_path(line) for line in laid), looks[step], wide, edge))
        for earlier in OVER.get(step, ()):
            patches = "".join(_patches(line, laid, wide / 2 + edge) for line in lines[earlier])
            body.append(_ribbons(patches, looks[earlier], wide, edge))
    return "\n".join(body)


def _ribbons(paths: str, look: tuple[str, str], wide: float, edge: float) -> str:
    """Bands of cane: a dark line with a lighter, narrower one on it."""
    if not paths:
        return ""
    join = 'fill="none" stroke-linejoin="round"'
    return (
        f'<path d="{paths}" {join} stroke="{look[0]}" stroke-width="{wide:.2f}"/>'
        f'<path d="{paths}" {join} stroke="{look[1]}" stroke-width="{wide - 2 * edge:.2f}"/>'
    )


def _path(points: NDArray[np.float64]) -> str:
    return "M" + "L".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _lines(plan: StrandPlan, step: int, sheet: _Sheet, given: DrawingSettings) -> list[NDArray[np.float64]]:
    """Each strand of a step as a line of points, the two strands of a pair side by side."""
    lines = []
    for s in plan.step(step):
        way = sheet(s.way_mm)
        if step <= 4:
            a, b = way
            run = (b - a) / np.hypot(*(b - a))
            low, high = (a, b) if (a[1] > b[1] if step in (1, 3) else a[0] < b[0]) else (b, a)
            along = (high - low) / np.hypot(*(high - low))
            left = np.array([along[1], -along[0]])  # To the left of front-to-back, to the back of left-to-right.
            shift = left * given.pair * sheet.pitch * (1 if step in (1, 4) else -1)
            bend = min(0.5 * sheet.pitch, 0.3 * float(np.hypot(*(b - a))))
            way = np.array([a, a + run * bend + shift, b - run * bend + shift, b])
        lines.append(way)
    return lines


def _patches(line: NDArray[np.float64], under: Sequence[NDArray[np.float64]], half_wide: float) -> str:
    """The pieces of a line where it lies over the lines ``under``."""
    a, b = line[:-1], line[1:]
    run = b - a
    length = np.hypot(*run.T)
    begin = np.concatenate([[0.0], np.cumsum(length)])
    p = np.concatenate([o[:-1] for o in under])
    s = np.concatenate([o[1:] - o[:-1] for o in under])
    den = run[:, None, 0] * s[None, :, 1] - run[:, None, 1] * s[None, :, 0]
    to = p[None] - a[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (to[..., 0] * s[None, :, 1] - to[..., 1] * s[None, :, 0]) / den
        u = (to[..., 0] * run[:, None, 1] - to[..., 1] * run[:, None, 0]) / den
        sine = np.abs(den) / (length[:, None] * np.hypot(*s.T)[None])
    pieces = []
    for k, m in zip(*np.nonzero((t >= 0) & (t <= 1) & (u >= 0) & (u <= 1) & (sine > 0.2)), strict=True):
        at, half = begin[k] + t[k, m] * length[k], half_wide * (1 + 1 / sine[k, m]) / 2
        if half < at < begin[-1] - half:
            pieces.append(_path(_part(line, begin, at - half, at + half)))
    return "".join(pieces)


def _part(line: NDArray[np.float64], begin: NDArray[np.float64], low: float, high: float) -> NDArray[np.float64]:
    stops = np.concatenate([[low], begin[(begin > low) & (begin < high)], [high]])
    return np.column_stack([np.interp(stops, begin, line[:, 0]), np.interp(stops, begin, line[:, 1])])


def _rail(plan: StrandPlan, sheet: _Sheet) -> str:
    ring = _path(sheet(plan.frame.xy_mm))
    look = f'fill="none" stroke="#efe9df" stroke-width="{1.5 * sheet.pitch:.1f}" stroke-linejoin="round"'
    return f'<path d="{ring}Z" {look}/>'


def _outward(plan: StrandPlan) -> NDArray[np.float64]:
    """Unit vectors (n, 2) away from the seat at each hole, in drawing direction (y down)."""
    xy = plan.frame.xy_mm
    run = np.roll(xy, -1, axis=0) - np.roll(xy, 1, axis=0)
    run = run / np.hypot(*run.T)[:, None]
    return np.column_stack([run[:, 1], run[:, 0]])


def _holes(plan: StrandPlan, sheet: _Sheet) -> str:
    """Holes with their numbers outside: blocked ones crossed, hidden ones dashed."""
    frame = plan.frame
    at, away = sheet(frame.xy_mm), _outward(plan)
    r = min(0.2 * sheet.pitch, 6.0)
    second = _second_row(frame.numbers, at, away, sheet.label)
    out = []
    for k, number in enumerate(frame.numbers):
        x, y = at[k]
        dashed = ' stroke-dasharray="2,1.6"' if frame.status[k] == "hidden" else ""
        out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}" fill="#fff" stroke="#111"{dashed}/>')
        if frame.status[k] == "blocked":
            d = r * 0.7
            cross = f"M{x - d:.1f},{y - d:.1f}l{2 * d:.1f},{2 * d:.1f}m{-2 * d:.1f},0l{2 * d:.1f},{-2 * d:.1f}"
            out.append(f'<path d="{cross}" stroke="#111" stroke-width="1.6"/>')
        wide = LABEL_WIDTH * sheet.label * len(str(number))
        off = r + 0.35 * sheet.label + abs(away[k, 0]) * wide / 2 + abs(away[k, 1]) * 0.5 * sheet.label
        tx, ty = at[k] + away[k] * (off + 1.05 * sheet.label * second[k])
        out.append(f'<text stroke="none" x="{tx:.1f}" y="{ty + 0.36 * sheet.label:.1f}">{number}</text>')
    body = "".join(out)
    return f'<g font-size="{sheet.label:.1f}" text-anchor="middle" stroke-width="1">{body}</g>'


LABEL_WIDTH = 0.6
"""Width of a digit over its height, a little over that of the usual sans-serif fonts (0.56)."""


def _second_row(
    numbers: Sequence[int], at: NDArray[np.float64], away: NDArray[np.float64], label: float
) -> NDArray[np.bool_]:
    """Which numbers stand in a second row, because numbers along the front or back would touch otherwise."""
    n = len(numbers)
    wide = np.array([LABEL_WIDTH * label * len(str(v)) for v in numbers])
    gap = np.abs(np.roll(at[:, 0], -1) - at[:, 0]) - (wide + np.roll(wide, -1)) / 2
    second = np.zeros(n, bool)
    for upwards in (True, False):
        side = (away[:, 1] < -0.7) if upwards else (away[:, 1] > 0.7)
        both = side & np.roll(side, -1)
        if both.any() and gap[both].min() < 0.25 * label:
            second |= side & (np.arange(n) % 2 == 1)
    return second


def _place(plan: StrandPlan) -> dict[int, int]:
    return {number: k for k, number in enumerate(plan.frame.numbers)}


def _links(plan: StrandPlan, strands: Sequence[Strand], sheet: _Sheet) -> str:
    """Where the cane runs underneath, drawn as dashed bows outside the holes."""
    at, away, place = sheet(plan.frame.xy_mm), _outward(plan), _place(plan)
    bows = []
    for s in strands:
        if s.link_to is None or s.link_to == s.end:
            continue
        p, q = place[s.end], place[s.link_to]
        mid = (at[p] + at[q]) / 2 + (away[p] + away[q]) / 2 * 0.75 * sheet.pitch
        bows.append(f"M{at[p][0]:.1f},{at[p][1]:.1f}Q{mid[0]:.1f},{mid[1]:.1f} {at[q][0]:.1f},{at[q][1]:.1f}")
    if not bows:
        return ""
    return f'<path d="{"".join(bows)}" fill="none" stroke="#111" stroke-width="1.4" stroke-dasharray="3,2.4"/>'


def _arrows(lines: Sequence[NDArray[np.float64]], sheet: _Sheet) -> str:
    """A head on each strand, a little before it goes down."""
    size = 0.26 * sheet.pitch
    heads = []
    for line in lines:
        begin = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
        tip = float(max(begin[-1] * 0.6, begin[-1] - 1.1 * sheet.pitch))
        back, point = _part(line, begin, max(0.0, tip - 1.6 * size), tip)[[0, -1]]
        run = (point - back) / max(float(np.hypot(*(point - back))), 1e-9)
        side = np.array([-run[1], run[0]]) * size * 0.6
        foot = point - run * 1.5 * size
        heads.append(_path(np.array([point, foot + side, foot - side])) + "Z")
    return f'<path d="{"".join(heads)}" fill="#fff" stroke="#000" stroke-width="1.2"/>'


def _starts(plan: StrandPlan, strands: Sequence[Strand], sheet: _Sheet) -> str:
    """A dot where a piece is pegged and begun, with the number of its first strand."""
    at, away, place = sheet(plan.frame.xy_mm), _outward(plan), _place(plan)
    out = []
    fresh = True
    for s in strands:
        if fresh:
            k = place[s.start]
            x, y = at[k] - away[k] * 0.45 * sheet.pitch
            out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{0.24 * sheet.pitch:.1f}" fill="#111"/>')
        fresh = s.link_to is None
    return "".join(out)


def _centre_marks(plan: StrandPlan, sheet: _Sheet) -> str:
    """Small arrowheads outside the middle holes of front and back."""
    at, away, place = sheet(plan.frame.xy_mm), _outward(plan), _place(plan)
    out = []
    for holes in (plan.centre_front, plan.centre_back):
        ks = [place[h] for h in holes]
        point, way = at[ks].mean(axis=0), away[ks].mean(axis=0)
        side = np.array([-way[1], way[0]]) * 6
        tip = point + way * (0.2 * sheet.pitch + 2.7 * sheet.label)
        out.append(_path(np.array([tip, tip + way * 12 + side, tip + way * 12 - side])) + "Z")
    return f'<path d="{"".join(out)}" fill="#111"/>'
