"""Field lost as measured: the part of the field that no channel lights from the captured pupil positions.

A fit of the capture says what is lit, as in a report; gaps are then looked for from the positions that were
captured.
"""

import numpy as np

from prewarp.acceptance.figures import Figure
from prewarp.acceptance.lengths import sigma_of_mean
from prewarp.errors import PrewarpError
from prewarp.eye import assemble_eye
from prewarp.field import fit_grid
from prewarp.grids import Grid
from prewarp.module import DisplayModule
from prewarp.seam.gaps import BORDER_ERRORS, survey_gaps

LOST_KEY = "field_lost_percent"


def lost_figure(grid: Grid, module: DisplayModule, side: str, needs: str, limit: float, /) -> Figure:
    """Return `field_lost_percent` of an eye from the worst of the positions that a grid was captured from.

    `needs`: what the capture lacks of panel and eye box, "" if nothing.
    """
    if needs:
        return Figure(LOST_KEY, "", "%", needs=needs, limit=limit)
    try:
        panels = {one.name: one.panel.size_px for one in module.channels if one.name in grid.channel_names}
        fields = fit_grid(grid, panel_size_px=panels)
        eye = assemble_eye(fields, module, side=side)
    except PrewarpError as cause:
        text = " ".join(str(cause).split())
        return Figure(LOST_KEY, "", "%", needs=f"a capture that can be fitted ({text})", limit=limit)
    gaps = survey_gaps(eye.seam, np.unique(np.round(grid.pupil_mm[grid.finite], 6), axis=0))
    lost = np.array([one.lost_percent for one in gaps])
    worst = int(np.argmax(lost[:, 1]))
    least, value, most = lost[worst]
    parts = {
        "borders": 0.5 * float(max(most - least, 0.0)) / BORDER_ERRORS,
        "positions": sigma_of_mean(lost[:, 1], len(lost)) or 0.0,
    }
    pupil = ", ".join(f"{one:g}" for one in gaps[worst].pupil_mm)
    note = f"worst of {len(gaps)} captured positions, ({pupil}) mm; by a fit of what is lit"
    return Figure(LOST_KEY, "", "%", float(value), parts, None, len(gaps), note=note, limit=limit)
