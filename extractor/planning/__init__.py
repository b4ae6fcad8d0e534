"""How many runs, in which order: run sheets and sample sizes."""

from extractor.planning.order import PlannedRun, Slot, Timing, mounting_order, plan_runs
from extractor.planning.power import Reach, SampleSize, Spreads, mountings_needed, reach
from extractor.planning.sheet import render_sheet, run_rows, write_plan

__all__ = [
    "PlannedRun",
    "Reach",
    "SampleSize",
    "Slot",
    "Spreads",
    "Timing",
    "mounting_order",
    "mountings_needed",
    "plan_runs",
    "reach",
    "render_sheet",
    "run_rows",
    "write_plan",
]
