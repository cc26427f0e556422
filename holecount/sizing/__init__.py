"""Which cane: one set of rules for figures from a photograph, from a tape, or both."""

from holecount.sizing.binder import Binder, BinderSettings
from holecount.sizing.chart import (
    Chart,
    Row,
    built_in_charts,
    chart_named,
    names_table,
    parse_chart,
    read_chart,
    width_name,
)
from holecount.sizing.choice import Candidate, ChartSays, Fit, Reason, SizeChoice, SizeRemark
from holecount.sizing.figures import SHAPES, Figures, Stretch, figures_from, joined
from holecount.sizing.ladder import RuleSettings
from holecount.sizing.packing import StrandSettings, bore_needed_mm
from holecount.sizing.rules import choose
from holecount.sizing.told import lines, to_dict

__all__ = [
    "SHAPES",
    "Binder",
    "BinderSettings",
    "Candidate",
    "Chart",
    "ChartSays",
    "Figures",
    "Fit",
    "Reason",
    "Row",
    "RuleSettings",
    "SizeChoice",
    "SizeRemark",
    "StrandSettings",
    "Stretch",
    "bore_needed_mm",
    "built_in_charts",
    "chart_named",
    "choose",
    "figures_from",
    "joined",
    "lines",
    "names_table",
    "parse_chart",
    "read_chart",
    "to_dict",
    "width_name",
]
