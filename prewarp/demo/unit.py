"""A unit as a factory builds it: the design with every surface a little off, from a fixed seed."""

from dataclasses import replace

import numpy as np

from prewarp.trace import Design
from prewarp.trace.design import DesignChannel

# 1-sigma of each surface per axis: sizes of careful assembly, common practice.
DECENTRE_MM, TILT_DEG, GAP_MM = 0.05, 0.03, 0.03


def built_unit(design: Design, seed: int, /) -> Design:
    """Return a design whose surfaces are off by tolerances of assembly, drawn by lot."""
    random = np.random.default_rng(seed)

    def built(channel: DesignChannel) -> DesignChannel:
        surfaces = []
        for one in channel.surfaces:
            decentre = np.array(one.decentre_mm) + DECENTRE_MM * random.normal(size=2)
            tilt = np.array(one.tilt_deg) + TILT_DEG * random.normal(size=3)
            surfaces.append(
                replace(
                    one,
                    decentre_mm=(float(decentre[0]), float(decentre[1])),
                    tilt_deg=(float(tilt[0]), float(tilt[1]), float(tilt[2])),
                    gap_mm=float(one.gap_mm + GAP_MM * random.normal()),
                )
            )
        return replace(channel, surfaces=tuple(surfaces))

    return replace(design, channels=tuple(built(one) for one in design.channels))
