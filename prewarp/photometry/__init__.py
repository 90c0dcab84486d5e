"""Light: luminance maps, gains and white match of channels, dither, and what is seen across a seam.

Quantities are relative and linear unless a name says `encoded`. A luminance is that of a colour at full
drive.
"""

from prewarp.photometry.border import lit_border, lit_fields, narrowed_fields
from prewarp.photometry.dither import Ditherer, dither_tile
from prewarp.photometry.expected import with_map_error
from prewarp.photometry.fit import fit_luminance
from prewarp.photometry.luminance import LuminanceMap, LuminanceMaps
from prewarp.photometry.match import LightCost, LightMatch, match_light
from prewarp.photometry.panel import PanelLight, panel_light
from prewarp.photometry.profile import SeamProfile, seam_profile
from prewarp.photometry.white import WhiteMatch, white_match, xyz_from_rgb

__all__ = [
    "Ditherer",
    "LightCost",
    "LightMatch",
    "LuminanceMap",
    "LuminanceMaps",
    "PanelLight",
    "SeamProfile",
    "WhiteMatch",
    "dither_tile",
    "fit_luminance",
    "lit_border",
    "lit_fields",
    "match_light",
    "narrowed_fields",
    "panel_light",
    "seam_profile",
    "white_match",
    "with_map_error",
    "xyz_from_rgb",
]
