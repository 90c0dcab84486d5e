"""A small exact sequential ray trace: an optical design to distortion grids.

Rays run backwards, from a pupil position along a viewing direction to the panel. Reading order: `glass`
(dispersion), `surfaces` and `figure` (shape of one surface), `tolerance`, `design` (the design file), `rays`
(the kernel), `channel` (pupil to panel pixel), `samples` (a whole grid), `built` (units off by tolerances).
"""

from prewarp.trace.built import FIGURE_TERMS, Departure, built_design, departures, drawn_design
from prewarp.trace.channel import TraceResult, trace_channel
from prewarp.trace.design import Design, DesignChannel, design_entries, design_from_entries, read_design
from prewarp.trace.samples import TracedSamples, reach_lattice, trace_grid, trace_samples

__all__ = [
    "FIGURE_TERMS",
    "Departure",
    "Design",
    "DesignChannel",
    "TraceResult",
    "TracedSamples",
    "built_design",
    "departures",
    "design_entries",
    "design_from_entries",
    "drawn_design",
    "reach_lattice",
    "read_design",
    "trace_channel",
    "trace_grid",
    "trace_samples",
]
