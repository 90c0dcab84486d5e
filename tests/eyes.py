"""Eyes of closed-form channels, put together by hand: nothing is fitted, and no module file is read."""

from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.eye import Eye, PanelDrive
from prewarp.module import EyeBox

CONTENT = ContentProjection("flat", (800, 500), 80.0)
BOX = EyeBox(4.0, 3.0, 2.0)


def closed_form_eye(
    fields, /, *, seam=None, match=None, content=CONTENT, box=BOX, transfers=None, bits=None, scans=None
):
    """Return an eye of all channels of `fields`; sRGB panels of 8 bits where nothing else is said."""
    panels = {
        name: PanelDrive(
            tuple(fields.field(name, fields.colours[0]).panel_size_px),
            (transfers or {}).get(name, TransferFunction()),
            (bits or {}).get(name, 8),
            (scans or {}).get(name),
        )
        for name in fields.channels
    }
    return Eye("closed form", "right", fields.channels, fields, panels, box, content, match, seam)
