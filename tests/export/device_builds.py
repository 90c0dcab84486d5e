"""Closed-form builds and the small lookup that goes with them, made once: nothing is fitted."""

from dataclasses import replace
from functools import lru_cache
from types import SimpleNamespace

import numpy as np

from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.export.build import DeviceBuild
from prewarp.export.gpu_nodes import NODES_SHARE
from prewarp.export.judgement import Request
from prewarp.export.lookup_files import with_light
from prewarp.export.package import FORMATS, PackageOptions, export_package
from prewarp.lookup import Optimiser
from prewarp.module import EyeBox
from prewarp.scan import PanelScan
from tests.closed_form import PlaneChannel, plane_set
from tests.eyes import closed_form_eye

SIZE = (320, 240)
CONTENT = ContentProjection("flat", (400, 250), 80.0)
BOX_MM = np.array([[-3.0, -2.0, -1.0], [3.0, 2.0, 1.0]])
PUPILS = np.array([[0.0, 0.0, 0.0], [2.0, -1.5, 1.0]])
LIMIT_PX = 0.1
# A pixel of these small panels is ten times as wide as one of a visor, and so is what an error of place may
# show in the light.
ASKED = Request(LIMIT_PX, max_light_percent=1.0)


@lru_cache(maxsize=1)
def small_fields():
    """Two channels side by side in three colours."""
    left = PlaneChannel(
        "left", panel_size_px=SIZE, centre=(-0.28, 0.01), half_width=0.36, turn_deg=1.5, division=0.03
    )
    right = PlaneChannel(
        "right",
        panel_size_px=SIZE,
        centre=(0.28, -0.01),
        half_width=0.36,
        turn_deg=-2.0,
        keystone=(-0.04, 0.03),
    )
    return plane_set(left, right)


class SmallMatch:
    """Gains that fall off over the panel, a white match that mixes: what shaders need of a `LightMatch`."""

    mixing = np.array([[0.9, 0.05, 0.0], [0.02, 0.95, 0.03], [0.0, 0.1, 0.85]])
    white = SimpleNamespace(mixing={"left": np.eye(3), "right": mixing})
    maps = SimpleNamespace(
        map=lambda channel, colour: SimpleNamespace(
            panel=SimpleNamespace(degree=2),
            pupil_degree=0,
            frame=SimpleNamespace(centre_mm=(0.0, 0.0), half_mm=(4.0, 3.0)),
        )
    )

    def gain(self, channel, colour, pixel, tangent, /, *, pupil_mm):
        share = np.asarray(pixel)[..., 0] / SIZE[0]
        return 0.7 + 0.2 * share if colour == "G" else 0.9 - 0.1 * share**2

    def as_dict(self):
        return {"kind": "closed form"}


# Lit against each other, downward and to the left.
SCANS = {"left": PanelScan("down", 0.5, 30.0, 2.0), "right": PanelScan("left", 2.0, 20.0, 1.0)}


@lru_cache(maxsize=6)
def small_build(dither="none", *, matched=False, projection="flat", late=False):
    """A build with a seam, a pure power law on the right panel, 10 bits on the left; late: with `SCANS`."""
    eye = closed_form_eye(
        small_fields(),
        content=replace(CONTENT, projection=projection),
        box=EyeBox(*BOX_MM[1]),
        match=SmallMatch() if matched else None,
        transfers={"right": TransferFunction("power", gamma=2.2)},
        bits={"left": 10},
        scans=SCANS if late else None,
    )
    return DeviceBuild(eye, PUPILS, dither, step_px=10.0, late=late)


@lru_cache(maxsize=4)
def chebyshev_lookup(*, matched=False):
    """The smallest Chebyshev lookup of `small_build`, with its blend weights, within `LIMIT_PX` less what
    triangles may add to it.
    """
    optimiser = Optimiser(
        small_fields(), pupil_box_mm=BOX_MM, content=CONTENT, panel_points=21, pupil_counts=(3, 3, 3)
    )
    lookup = optimiser.search((1.0 - NODES_SHARE) * LIMIT_PX, "chebyshev")[0]
    return with_light(lookup, small_build(matched=matched))


def write_small(folder, *, build=None, **options):
    """Export `small_build`, or another one, with the small lookup."""
    given = {
        "lookup": chebyshev_lookup(),
        "formats": FORMATS,
        "request": ASKED,
        "eye": "right",
        "provenance": {"input": "none"},
    }
    build, given = build or small_build(), {**given, **options}
    if given["lookup"] is not None:
        # The small lookup says what it was made for; a package must say what its shaders draw.
        given["lookup"] = replace(given["lookup"], content=build.content)
    return export_package(folder, build, PackageOptions(**given))
