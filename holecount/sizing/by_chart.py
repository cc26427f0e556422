"""What each chart says by itself."""

from holecount.sizing.chart import Chart, width_name
from holecount.sizing.choice import ChartSays
from holecount.sizing.figures import Figures
from holecount.sizing.ladder import Rung, highest


def says(chart: Chart, rungs: tuple[Rung, ...], figures: Figures) -> ChartSays:
    """What a chart says by itself, figures taken as exact."""
    pitch = figures.pitch.mean_mm + 1e-9 if figures.pitch else None
    hole = figures.small_hole_mm + 1e-9 if figures.small_hole_mm else None
    by_spacing = by_hole = both = None
    if pitch and any(r.spacing_row for r in rungs):
        by_spacing = highest(rungs, lambda r: r.spacing_mm <= pitch)
    if hole and any(r.hole_row for r in rungs):
        by_hole = highest(rungs, lambda r: r.hole_chart_mm <= hole)
    if by_spacing or by_hole:
        both = highest(
            rungs, lambda r: (pitch is None or r.spacing_mm <= pitch) and (hole is None or r.hole_mm <= hole)
        )
    parts = []
    if by_spacing and by_spacing.spacing_row:
        parts.append(f'by spacing row "{by_spacing.spacing_row.words()}"')
    elif pitch:
        parts.append("it has no spacings")
    if by_hole and by_hole.hole_row:
        parts.append(f'by hole row "{by_hole.hole_row.words()}"')
    elif hole:
        parts.append("it has no holes")
    if both is None and (by_spacing or by_hole):
        parts.append("not even its thinnest goes through the holes")
    return ChartSays(
        chart=chart.name,
        cited=chart.cited,
        source=chart.source,
        width_mm=both.width_mm if both else None,
        up_to_mm=_up_to_mm(rungs, by_spacing, by_hole, both, pitch, hole),
        name=width_name(both.width_mm, chart) if both else "",
        by_spacing_mm=by_spacing.width_mm if by_spacing else None,
        by_hole_mm=by_hole.width_mm if by_hole else None,
        words="; ".join(parts) or "says nothing about this seat",
    )


def _up_to_mm(
    rungs: tuple[Rung, ...],
    by_spacing: Rung | None,
    by_hole: Rung | None,
    both: Rung | None,
    pitch: float | None,
    hole: float | None,
) -> float | None:
    """Up to which width a chart leaves it open: the next row's where spacing and hole lie above what is printed."""
    if both is None:
        return None
    ends = []
    if by_spacing and by_spacing.spacing_row and pitch:
        printed = by_spacing.spacing_row.spacing_mm or 0.0
        next_spaced = [r for r in rungs if r.spacing_mm > pitch]
        wide = _top(rungs, next_spaced[0].spacing_row, "spacing_row") if next_spaced else by_spacing.width_mm
        ends.append(wide if pitch > printed + 0.01 else by_spacing.width_mm)
    if by_hole and by_hole.hole_row and hole:
        printed = by_hole.hole_row.hole_mm or 0.0
        next_hole = [r for r in rungs if r.hole_chart_mm > hole]
        wide = _top(rungs, next_hole[0].hole_row, "hole_row") if next_hole else by_hole.width_mm
        ends.append(wide if hole > printed + 0.01 else by_hole.width_mm)
    return max(both.width_mm, min(ends, default=both.width_mm))


def _top(rungs: tuple[Rung, ...], row: object, field: str) -> float:
    """Widest rung that a row stands for."""
    return max(r.width_mm for r in rungs if getattr(r, field) is row)
