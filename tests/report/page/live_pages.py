"""Pages with a live picture of small closed-form displays: nothing is fitted, no package is written."""

from dataclasses import replace
from functools import lru_cache
from unittest.mock import patch

from prewarp.report.live.eye_data import eye_data
from prewarp.report.live.part import live_part
from prewarp.report.page.html import report_html
from prewarp.report.page.tree import DisplayReport
from tests.export.device_builds import chebyshev_lookup, small_build

HOSTILE = "</script><script>alert('1')</script> & \"x\" <!--"
# Both with a power law and 10 bits: gains, and a white match that mixes; late rotation.
KINDS = {"matched": {"matched": True}, "late": {"late": True}}
# Along a side of a panel's mesh: so few that straight triangles are seen to differ from the map.
CELLS = 16
# Of the view: a software renderer draws it often.
WIDTH = 192


@lru_cache(maxsize=1)
def small_eyes():
    """Return by kind: the build, its lookup, what the page draws it from."""
    made = {}
    for kind, options in KINDS.items():
        build = small_build(**options)
        lookup = chebyshev_lookup(matched=True)
        # Without gains it is the other's lookup.
        lookup = lookup if "matched" in options else replace(lookup, gains=())
        with patch("prewarp.report.live.eye_data.FEWEST_CELLS", CELLS):
            data = eye_data(build, lookup)
        made[kind] = build, lookup, {**data, "name": HOSTILE if made else "plain"}
    return made


@lru_cache(maxsize=1)
def small_page():
    """Return a page of all kinds."""
    eyes = [eye for _, _, eye in small_eyes().values()]
    return report_html(
        [DisplayReport(HOSTILE, ())], live=live_part(eyes, ("left eye: no package",), view_px=WIDTH)
    )
