"""From holes to the weave: the strand plan, what to buy, what to charge.

`plan_of_measurement` or `make_plan` lay out steps 1 to 6, `strands_per_hole` counts what each hole takes,
`cane_need` and `together` reckon the cane, `reckon` the charge; `drawings` and `step_svg` draw.
"""

from holecount.strands.cane import CaneNeed, CaneSettings, cane_need, together
from holecount.strands.charge import Charge, reckon
from holecount.strands.drawing import all_steps_svg, drawings, step_svg
from holecount.strands.frame import Frame, from_counts, from_measurement, from_ring
from holecount.strands.order import Strand
from holecount.strands.plan import STEPS, StrandPlan, make_plan, plan_of_measurement, strands_per_hole

__all__ = [
    "STEPS",
    "CaneNeed",
    "CaneSettings",
    "Charge",
    "Frame",
    "Strand",
    "StrandPlan",
    "all_steps_svg",
    "cane_need",
    "drawings",
    "from_counts",
    "from_measurement",
    "from_ring",
    "make_plan",
    "plan_of_measurement",
    "reckon",
    "step_svg",
    "strands_per_hole",
    "together",
]
