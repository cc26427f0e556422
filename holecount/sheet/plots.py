"""Pictures of figures as SVG: pitch and diameter round the seat, the seat's outline, several seats side by side.

Made to be printed without colour: kinds are told apart by shape, dash and hatching, never by hue.
"""

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from holecount.holes.hole import Hole
from holecount.lengths import MM_PER_INCH, inches_32
from holecount.measurement import Measurement
from holecount.stats import Spread

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#111111"
GREY = "#5a5a5a"
PALE = "#cfcfcf"

_STYLE: Any = {
    "svg.fonttype": "none",  # Letters stay letters: small, sharp, and read out by a screen reader.
    "svg.hashsalt": "holecount",  # The same figures give the same file.
    "font.family": "sans-serif",
    "font.sans-serif": ["Arial", "Helvetica", "Liberation Sans", "DejaVu Sans", "sans-serif"],
    "font.size": 7.0,
    "axes.linewidth": 0.6,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "hatch.linewidth": 0.5,
}


@contextmanager
def _figure(width_mm: float, height_mm: float) -> "Iterator[Figure]":
    """A figure in the sheet's style. No pyplot: it would keep global state and look for a screen."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(_STYLE):
        yield Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH))


def _svg(figure: "Figure") -> str:
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None}, transparent=True)
    text = out.getvalue()
    return text[text.index("<svg") :]


def round_the_seat(m: Measurement, *, width_mm: float = 186.0, height_mm: float = 42.0) -> str:
    """Pitch (above) and diameter (below) from hole to hole along the hole line, doubtful stretches shaded.

    Returns
    -------
    str
        An SVG element. A gap stands between its two holes; gaps to hidden holes are left out.
    """
    with _figure(width_mm, height_mm) as figure:
        upper, lower = figure.subplots(2, 1, sharex=True)
        figure.subplots_adjust(
            left=14.5 / width_mm,
            right=1 - 13.4 / width_mm,
            top=1 - 4.2 / height_mm,
            bottom=8.4 / height_mm,
            hspace=0.14,
        )
        n = len(m.holes)
        for axes in (upper, lower):
            _shade_doubtful(axes, m)
            _rail_borders(axes, m.holes)
            axes.set_xlim(0.25, n + 0.75)
        unit = "mm" if m.scale is not None else "px"
        _draw_gaps(upper, m)
        _draw_diameters(lower, m)
        upper.set_ylabel(f"pitch, {unit}")
        lower.set_ylabel(f"hole, {unit}")
        lower.set_xticks(_hole_ticks(n, most=round(width_mm / 5.8)))
        lower.set_xlabel("hole number on the marked photograph", labelpad=1.5)
        upper.tick_params(axis="x", length=0)
        if m.scale is not None:
            for axes in (upper, lower):
                _inch_scale(axes)
        _rail_names(upper, m.holes)
        return _svg(figure)


def _hole_ticks(n: int, most: int = 32) -> list[int]:
    step = next((s for s in (1, 2, 5, 10, 20) if n / s <= most), 50)
    return [1, *range(step if step > 1 else 2, n + 1, step)]


def _doubtful(m: Measurement) -> set[int]:
    """Numbers of the holes in stretches of low confidence; a stretch may run over the last hole to the first."""
    n, out = len(m.holes), set[int]()
    for low in m.low_confidence:
        last = low.last_hole if low.last_hole >= low.first_hole else low.last_hole + n
        out |= {(k - 1) % n + 1 for k in range(low.first_hole, last + 1)}
    return out


def _shade_doubtful(axes: "Axes", m: Measurement) -> None:
    """Hatched bands over the stretches of low confidence."""
    doubtful = _doubtful(m) | {h.number for h in m.holes if h.status == "hidden"}
    for first, last in _runs(sorted(doubtful)):
        axes.axvspan(
            first - 0.5, last + 0.5, facecolor="#ececec", edgecolor="#9a9a9a", hatch="////", linewidth=0.0, zorder=0
        )


def _runs(numbers: Sequence[int]) -> list[tuple[int, int]]:
    """First and last of every unbroken run of growing numbers."""
    runs: list[tuple[int, int]] = []
    for k in numbers:
        if runs and k == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], k)
        else:
            runs.append((k, k))
    return runs


def _rail_runs(holes: Sequence[Hole]) -> list[tuple[str, int, int]]:
    """Rail, first and last hole of each run of holes of one rail."""
    out: list[tuple[str, int, int]] = []
    for h in holes:
        if out and out[-1][0] == h.rail:
            out[-1] = (h.rail, out[-1][1], h.number)
        else:
            out.append((h.rail, h.number, h.number))
    return out


def _rail_borders(axes: "Axes", holes: Sequence[Hole]) -> None:
    for _, first, _ in _rail_runs(holes)[1:]:
        axes.axvline(first - 0.5, color=GREY, linewidth=0.6, linestyle=(0, (1, 2)))


def _rail_names(axes: "Axes", holes: Sequence[Hole]) -> None:
    runs = _rail_runs(holes)
    if len(runs) < 2:
        return
    for rail, first, last in runs:
        axes.annotate(
            rail, ((first + last) / 2, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 2),
            textcoords="offset points", ha="center", va="bottom", fontsize=7, fontweight="bold",
        )  # fmt: skip


def _draw_gaps(axes: "Axes", m: Measurement) -> None:
    closed = m.shape != "rows"
    holes = [*m.holes, m.holes[0]] if closed and len(m.holes) > 2 else list(m.holes)
    at, gap = [], []
    for k, (a, b) in enumerate(pairwise(holes)):
        seen = "hidden" not in (a.status, b.status)
        same_row = closed or a.rail == b.rail
        at.append(k + 1.5)
        gap.append(float(np.hypot(b.x_mm - a.x_mm, b.y_mm - a.y_mm)) if seen and same_row else np.nan)
    axes.plot(at, gap, color=INK, linewidth=0.7, marker="o", markersize=2.0, markeredgewidth=0)
    _mean_line(axes, m.seat.pitch, 0.0)


def _draw_diameters(axes: "Axes", m: Measurement) -> None:
    gauged = [h for h in m.holes if h.diameter_mm is not None]
    numbers, bars = [h.number for h in gauged], [2 * (h.u_own_diameter_mm or 0.0) for h in gauged]
    axes.errorbar(
        numbers, [h.diameter_mm or 0.0 for h in gauged], yerr=bars,
        color=INK, linestyle="none", marker="o", markersize=2.0, markeredgewidth=0, elinewidth=0.6, ecolor=GREY,
    )  # fmt: skip
    _mean_line(axes, m.seat.diameter, max(bars, default=0.0))
    for status, marker in (("blocked", "x"), ("hidden", "$?$")):
        at = [h.number for h in m.holes if h.status == status]
        axes.plot(
            at, [0.09] * len(at), transform=axes.get_xaxis_transform(), color=INK, linestyle="none",
            marker=marker, markersize=3.6, markeredgewidth=0.8 if marker == "x" else 0.2,
        )  # fmt: skip


def _mean_line(axes: "Axes", spread: Spread | None, bars_mm: float) -> None:
    """The mean as a dashed line, and room for the values and their error bars of up to ``bars_mm``."""
    if spread is None:
        return
    axes.axhline(spread.mean_mm, color=GREY, linewidth=0.7, linestyle=(0, (5, 2)))
    room = max(0.12 * (spread.max_mm - spread.min_mm), 0.02 * spread.mean_mm)
    axes.set_ylim(spread.min_mm - bars_mm - 2.2 * room, spread.max_mm + bars_mm + room)


def _inch_scale(axes: "Axes") -> None:
    """Inches to 1/32 on the right, at most six of them."""
    low, high = axes.get_ylim()
    step = next((s for s in (1, 2, 4, 8, 16, 32) if (high - low) / MM_PER_INCH * 32 / s <= 5), 64)
    first = int(np.ceil(low / MM_PER_INCH * 32 / step)) * step
    ticks = [k * MM_PER_INCH / 32 for k in range(first, int(high / MM_PER_INCH * 32) + 1, step)]
    right = axes.twinx()
    right.set_ylim(low, high)
    right.set_yticks(ticks, [inches_32(t).removesuffix(" in") for t in ticks])
    right.set_ylabel("inches", labelpad=2)


def seat_outline(m: Measurement, *, width_mm: float = 92.0, height_mm: float = 76.0) -> str:
    """The holes drawn to scale with their numbers, for when the photograph is not at hand; an SVG element."""
    xy = np.array([[h.x_mm, h.y_mm] for h in m.holes])
    with _figure(width_mm, height_mm) as figure:
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_axis_off()
        axes.set_aspect("equal")
        usual = m.seat.diameter.mean_mm if m.seat.diameter else 0.35 * _median_step(xy)
        from matplotlib.patches import Circle

        doubtful = _doubtful(m)
        for h in m.holes:
            hidden = h.status == "hidden"
            axes.add_patch(
                Circle(
                    (h.x_mm, h.y_mm), (h.diameter_mm or usual) / 2, facecolor="none", edgecolor=INK, linewidth=0.6,
                    linestyle=(0, (2, 1.5)) if hidden else "solid", hatch="/////" if h.number in doubtful else None,
                )
            )  # fmt: skip
            if h.status == "blocked":
                axes.plot(h.x_mm, h.y_mm, marker="x", color=INK, markersize=3, markeredgewidth=0.8)
        middle = (xy.min(axis=0) + xy.max(axis=0)) / 2
        for k in _hole_ticks(len(m.holes)):
            inward = middle - xy[k - 1]
            at = xy[k - 1] + inward / max(float(np.hypot(*inward)), 1e-9) * 1.15 * _median_step(xy)
            axes.text(at[0], at[1], str(k), ha="center", va="center", fontsize=6)
        for rail, first, last in _rail_runs(m.holes):
            if rail == "ring":
                continue
            here = xy[first - 1 : last].mean(axis=0)
            inward = middle - here
            at = here + inward / max(float(np.hypot(*inward)), 1e-9) * 3.2 * _median_step(xy)
            axes.text(at[0], at[1], rail, ha="center", va="center", fontsize=7, fontweight="bold")
        axes.margins(0.06)
        return _svg(figure)


def _median_step(xy: NDArray[np.float64]) -> float:
    return float(np.median(np.hypot(*np.diff(xy, axis=0).T))) if len(xy) > 1 else 1.0


def side_by_side(
    seats: Sequence[tuple[str, Spread | None, Spread | None]], *, width_mm: float = 186.0, height_mm: float = 60.0
) -> str:
    """Mean pitch and mean diameter of several seats with two standard uncertainties, and least and greatest.

    Parameters
    ----------
    seats : name, pitch, diameter of each.
    """
    with _figure(width_mm, height_mm) as figure:
        pair = figure.subplots(1, 2, sharey=True)
        figure.subplots_adjust(left=0.17, right=0.985, top=1 - 1.5 / height_mm, bottom=9.0 / height_mm, wspace=0.06)
        at = np.arange(len(seats))
        for axes, which, label in ((pair[0], 1, "pitch, mm"), (pair[1], 2, "hole, mm")):
            for k, seat in enumerate(seats):
                spread = seat[which]
                if not isinstance(spread, Spread):
                    continue
                axes.plot([spread.p05_mm, spread.p95_mm], [k, k], color=PALE, linewidth=4.0, solid_capstyle="butt")
                axes.errorbar(
                    spread.mean_mm, k, xerr=2 * spread.u_mean_mm, color=INK, marker="o", markersize=3.2,
                    markeredgewidth=0, elinewidth=0.9, capsize=2.0, capthick=0.9,
                )  # fmt: skip
            axes.set_xlabel(label, labelpad=1.5)
            axes.grid(axis="x", color=PALE, linewidth=0.4)
            axes.set_axisbelow(True)
        pair[0].set_yticks(at, [_short(seat[0]) for seat in seats])
        pair[0].set_ylim(len(seats) - 0.5, -0.5)
        return _svg(figure)


def _short(name: str, most: int = 21) -> str:
    return name if len(name) <= most else name[: most - 1] + "…"
