"""Luminance across a seam before and after the match: panels of an even content are drawn and looked at."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, require_range
from prewarp.content import ContentProjection
from prewarp.encoding import srgb_from_linear
from prewarp.errors import SeamError
from prewarp.eye import Eye
from prewarp.frames import degrees_from_tangent
from prewarp.mesh import PanelMesh
from prewarp.mesh_window import MeshWindow, window_around
from prewarp.photometry import LightMatch, SeamProfile, seam_profile, with_map_error
from prewarp.photometry.panel import panel_light
from prewarp.render.cpu import content_planes, panel_meshes, panel_picture, perceived_light, view_maps
from prewarp.render.pictures import PLANES, field_colours
from prewarp.seam.directions import direction_lattice, plane_deg_from_tangent

if TYPE_CHECKING:
    from prewarp.field import FieldSet
    from prewarp.seam import Seam

# Most pixels of the view per degree: several in the window of a profile. Coarser panels get a coarser view.
MOST_PX_PER_DEG = 40.0
_MARGIN_DEG = 3.0
_CONTENT = ContentProjection("equidistant", (64, 64), 340.0)
WHITE = "white"


@dataclass(frozen=True)
class SeamLight:
    """Profiles across a seam by colour, and of their sum, "white"; luminance is a share of the target.

    Steps have the error of the luminance maps in them (`prewarp.photometry.with_map_error`).

    With a white match only the sum is given: channels reach one white by other amounts of each.
    """

    before: Mapping[str, SeamProfile]
    after: Mapping[str, SeamProfile]

    @property
    def worst(self) -> str:
        """The colour with the largest step and ripple after the match."""
        return max(
            self.after,
            key=lambda name: self.after[name].expected_step_percent + self.after[name].ripple_percent.max(),
        )

    def as_dict(self) -> dict[str, dict[str, Any]]:
        """Return the worst figures by colour for machines."""
        return {
            name: {"before": self.before[name].as_dict(), "after": self.after[name].as_dict()}
            for name in self.after
        }


def seam_light(
    eye: Eye,
    /,
    *,
    pupil_mm: ArrayLike,
    bits: int | None = None,
    dither: str = "blue",
    level: float = 1.0,
) -> SeamLight:
    """Look at an even content across the first seam of an eye, with and without the match.

    Parameters
    ----------
    eye : Eye
        One whose luminance is known.
    pupil_mm : (3,) float array
        Pupil position, mm; the tracker knows it.
    bits : int, optional
        Bits per code, in place of the panels' own.
    dither : str
        "none", "bayer" or "blue", with the match; without it codes are rounded.
    level : float
        Linear light of the content, 0.001 to 1.

    Raises
    ------
    ModuleError
        No luminance is known.
    SeamError
        The two channels share no direction.
    """
    require_range(level, "level", 0.001, 1.0)
    fields, seam, match = eye.fields, eye.seam, eye.require_match()
    view = _seam_view(fields, seam, seam.channels[:2])
    code = int(np.rint(255.0 * float(srgb_from_linear(level))))
    planes = content_planes(np.full((64, 64, 3), code, dtype=np.uint8))
    shares = match.white.shares
    colours = dict(zip(PLANES, field_colours(fields.colours), strict=True))
    seen = {}
    for name in seam.channels:
        factors = {
            (name, colour): float(shares[name][place]) for place, colour in enumerate(colours.values())
        }
        light = match.maps.scaled(factors)
        seen[name] = view_maps(fields, name, view, pupil_mm=pupil_mm, luminance=light)
    target = _target(match, view, list(colours.values())) * level
    profiles = []
    for used, pattern in ((None, "none"), (match, dither)):
        panels, moved = {}, {}
        for name in seam.channels:
            meshes = panel_meshes(fields, name, _CONTENT, tracked_pupil_mm=pupil_mm, seam=seam, match=used)
            window = _part_seen(meshes, view)
            panels[name] = panel_picture(
                planes,
                [window.cut(mesh) for mesh in meshes],
                transfer=eye.panels[name].transfer,
                bit_depth=bits or eye.panels[name].bit_depth,
                light=panel_light(used, name, dither=pattern),
                threads=1,
            )
            moved[name] = window.moved(seen[name])
        shown = perceived_light(panels, moved, view, threads=1) / target
        pictures = {WHITE: shown.sum(axis=-1)}
        if match.white.kind == "none":
            pictures |= {
                plane: shown[..., place] for place, plane in enumerate(PLANES) if plane in fields.colours
            }
        profiles.append({name: seam_profile(picture, view, seam) for name, picture in pictures.items()})
    weights = _weights(match, seam, colours)
    return SeamLight(
        *(
            with_map_error(one, {name: weights[name] for name in one}, fields, match, seam, pupil_mm=pupil_mm)
            for one in profiles
        )
    )


def _weights(
    match: LightMatch, seam: "Seam", colours: Mapping[str, str]
) -> dict[str, dict[str, dict[str, float]]]:
    """Return what share of each profile's light a colour is, by profile, channel and colour."""
    white: dict[str, dict[str, float]] = {}
    for name in seam.channels:
        share = np.asarray(match.white.shares[name], dtype=float) / np.sum(match.white.shares[name])
        white[name] = dict.fromkeys(colours.values(), 0.0)
        for place, colour in enumerate(colours.values()):
            white[name][colour] += float(share[place])
    own = {plane: {name: {colour: 1.0} for name in seam.channels} for plane, colour in colours.items()}
    return {WHITE: white, **own}


def _part_seen(meshes: Sequence[PanelMesh], view: ContentProjection) -> MeshWindow:
    """Return the part of a panel that a view sees: of these panels most is off it."""
    size = np.array(view.size_px)
    points = []
    for mesh in meshes:
        place = view.pixel_from_tangent(mesh.tangent)
        inside = np.all((place >= 0.0) & (place <= size), axis=-1)
        points.append(np.stack(np.meshgrid(*mesh.node_px), axis=-1)[inside])
    return window_around(np.concatenate(points), meshes[0])


def _target(match: LightMatch, view: ContentProjection, colours: list[str]) -> FloatArray:
    """Return the target of each plane over the view, (height, width, 3)."""
    x, y = (np.arange(size) + 0.5 for size in view.size_px)
    tangent = view.tangent_from_pixel(np.stack(np.meshgrid(x, y), axis=-1))
    place = plane_deg_from_tangent(tangent)
    made = {colour: match.targets[colour].on_plane(place) for colour in dict.fromkeys(colours)}
    return np.stack([made[colour] for colour in colours], axis=-1)


def _seam_view(fields: "FieldSet", seam: "Seam", pair: tuple[str, ...]) -> ContentProjection:
    """Return a flat view about straight ahead that holds the overlap of two channels and a margin."""
    reaches = [seam.reaches[seam.index(name)] for name in pair]
    _, tangent = direction_lattice([reach.outline for reach in reaches], step_deg=0.5, margin_deg=0.0)
    both = np.all([reach.contains(tangent) for reach in reaches], axis=0)
    if not both.any():
        raise SeamError(f"channels {', '.join(pair)} share no direction; there is no seam to look at.")
    half_deg = np.abs(degrees_from_tangent(tangent[both])).max(axis=0) + _MARGIN_DEG
    half = np.tan(np.radians(np.minimum(half_deg, 75.0)))
    fineness = max(
        fields.field(reach.channel, fields.colours[0]).panel_size_px[0]
        / np.ptp(degrees_from_tangent(reach.outline[:, 0]))
        for reach in reaches
    )
    focal = np.degrees(min(MOST_PX_PER_DEG, fineness))
    width, height = (int(value) for value in np.ceil(2.0 * half * focal))
    return ContentProjection("flat", (width, height), float(np.degrees(2.0 * np.arctan(width / 2.0 / focal))))
