"""A small exact sequential ray trace: an optical design to distortion grids.

Rays run backwards, from a pupil position along a viewing direction to the panel. Reading order: `glass`
(dispersion), `surfaces` (shape of one surface), `design` (the design file), `rays` (the kernel), `channel`
(pupil to panel pixel), `samples` (a whole grid).
"""

from prewarp.trace.channel import TraceResult, trace_channel
from prewarp.trace.design import Design, DesignChannel, read_design
from prewarp.trace.samples import TracedSamples, reach_lattice, trace_grid, trace_samples

__all__ = [
    "Design",
    "DesignChannel",
    "TraceResult",
    "TracedSamples",
    "reach_lattice",
    "read_design",
    "trace_channel",
    "trace_grid",
    "trace_samples",
]
