"""The same frames by the CPU renderer, without OpenGL and for tests: slower, exact inverses, no tables."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from prewarp.checks import FloatArray
from prewarp.content import ContentProjection
from prewarp.encoding import linear_from_srgb
from prewarp.frames import arcmin_between
from prewarp.head import TurningField, require_scan
from prewarp.mesh import PanelMesh, panel_mesh, view_mesh
from prewarp.preview.legend import SEAM_ERROR_ALPHA, false_colour, tint
from prewarp.preview.stage import DIMMED, Page
from prewarp.preview.state import GHOSTS, State
from prewarp.preview.subject import Subject
from prewarp.preview.views import Box, centre_of_seam, outlook_of, regions_of, shrink_for
from prewarp.render.cpu import content_planes, panel_meshes, panel_picture, perceived_light, view_maps
from prewarp.render.live.outlook import Ghost, Outlook
from prewarp.render.live.panel import MOST_BITS, shrunk_picture, shrunk_size
from prewarp.render.pictures import PanelPicture, encode_view, field_colours
from prewarp.render.sampling import SamplingPlane

THREADS = 2
_TO_LIGHT = linear_from_srgb(np.arange(256) / 255.0).astype(np.float32)


@dataclass(frozen=True)
class Sight:
    """A `prewarp.mesh.View` of any projection: px = middle + plane * scale."""

    projection: ContentProjection
    size_px: tuple[int, int]
    middle_px: tuple[float, float]
    scale_px: tuple[float, float]

    def tangent_from_pixel(self, pixel: FloatArray, /) -> FloatArray:
        """Return directions (..., 2) of view px (..., 2)."""
        plane = (np.asarray(pixel) - self.middle_px) / self.scale_px
        content = self.projection
        focal = np.array([content.focal_px, -content.focal_px])
        return content.tangent_from_pixel(np.array(content.size_px) / 2.0 + plane * focal)


class ReferencePainter:
    """Draws frames of a subject with the CPU renderer; takes what `Stage` takes, returns pictures."""

    def __init__(
        self,
        subject: Subject,
        size_px: tuple[int, int],
        /,
        *,
        picture_of: Callable[[str, tuple[int, int]], NDArray[np.uint8]],
    ) -> None:
        self.subject = subject
        self.size_px = size_px
        self._picture_of = picture_of
        self._centre = centre_of_seam(subject)
        self._colours = field_colours(subject.eye.fields.colours)
        self._planes: tuple[tuple[str, int], Sequence[SamplingPlane]] | None = None

    def paint(
        self, state: State, pupil_mm: FloatArray, tracked_mm: FloatArray, pages: list[Page], /
    ) -> NDArray[np.uint8]:
        """Return one frame, (height, width, 3) 8-bit sRGB, with pages laid over it."""
        width, height = self.size_px
        boxes = regions_of(state.view, self.size_px, self.subject)
        outlook = outlook_of(state, self.subject, boxes.view, self._centre)
        shrink = shrink_for(self.subject, outlook)
        after = self._panels(state, tracked_mm, shrink, warped=True)
        before = self._panels(state, np.zeros(3), shrink, warped=False) if state.wipe is not None else after
        light = np.zeros((height, width, 3), dtype=np.float32)
        if boxes.view is not None:
            _part(light, boxes.view)[:] = self._view(state, outlook, after, before, pupil_mm, tracked_mm)
        for box, name in zip(boxes.panels, self.subject.eye.channels, strict=False):
            edge = 0 if state.wipe is None else round(state.wipe * box.width)
            for panels, columns in ((before, slice(0, edge)), (after, slice(edge, None))):
                _part(light, box)[:, columns] = _scaled(panels[name].linear(), box)[:, columns]
        for page in pages:
            lay_over(light, page)
        return encode_view(light)

    def _panels(
        self, state: State, tracked: FloatArray, shrink: int, *, warped: bool
    ) -> dict[str, PanelPicture]:
        subject, scene = self.subject, state.scene
        match = subject.light.match if subject.light is not None and state.light == "matched" else None
        content = subject.eye.content
        if self._planes is None or self._planes[0] != (scene, shrink):
            image = self._picture_of(scene, content.size_px)
            self._planes = (
                (scene, shrink),
                content_planes(shrunk_picture(image, shrink) if shrink > 1 else image),
            )
        panels = {}
        for name in subject.eye.channels:
            meshes = panel_meshes(
                subject.eye.fields,
                name,
                content,
                tracked_pupil_mm=tracked,
                seam=subject.eye.seam if warped else None,
                match=match if warped else None,
                warped=warped,
                scan=subject.eye.scans[name],
                head=subject.eye.head_turn(state.head) if warped and state.late else None,
            )
            panels[name] = panel_picture(
                self._planes[1],
                [_shrunk(mesh, shrink) for mesh in meshes],
                transfer=subject.eye.transfers[name],
                bit_depth=min(subject.eye.bit_depths[name], MOST_BITS),
                threads=THREADS,
            )
        return panels

    def _view(
        self,
        state: State,
        outlook: Outlook,
        after: dict[str, PanelPicture],
        before: dict[str, PanelPicture],
        pupil: FloatArray,
        tracked: FloatArray,
    ) -> NDArray[np.float32]:
        if state.view == "blend weight":
            return self._weights(state, outlook, pupil, tracked)
        light = self._perceived(state, outlook, after, pupil)
        if state.wipe is not None:
            edge = round(state.wipe * outlook.size_px[0])
            light[:, :edge] = self._perceived(state, outlook, before, pupil)[:, :edge]
        if state.view == "seam error":
            colour, shared = self._seam_error(state, outlook, pupil, tracked)
            alpha = SEAM_ERROR_ALPHA * shared[..., None]
            light = ((1.0 - alpha) * DIMMED * light + alpha * colour).astype(np.float32)
        return light

    def _perceived(
        self, state: State, outlook: Outlook, panels: dict[str, PanelPicture], pupil: FloatArray
    ) -> NDArray[np.float32]:
        scale = (outlook.scale_px, -outlook.scale_px)
        light = self._seen(
            state, panels, Sight(self.subject.eye.content, outlook.size_px, outlook.middle_px, scale), pupil
        )
        if state.view == "seam error":
            return light
        ghost: Ghost = GHOSTS[state.ghost][1]
        if ghost.strength > 0.0:
            sight = Sight(self.subject.eye.content, outlook.size_px, *ghost.moved(outlook))
            light += ghost.strength * self._seen(state, panels, sight, pupil)
        if state.transmittance > 0.0:
            light += state.transmittance * self._world(outlook)
        return light

    def _seen(
        self, state: State, panels: dict[str, PanelPicture], sight: Sight, pupil: FloatArray
    ) -> NDArray[np.float32]:
        subject = self.subject
        fields = subject.eye.fields
        luminance = subject.light.shares if subject.light is not None and state.light != "even" else None
        maps = {}
        for name, picture in panels.items():
            factor = picture.codes.shape[1] / fields.field(name, self._colours[1]).panel_size_px[0]
            # Panel px of a smaller panel; luminance, where it is the third component, stays.
            scale = np.array([factor, factor, 1.0])
            maps[name] = tuple(
                replace(spline, coefficients=spline.coefficients * scale[: spline.coefficients.shape[-1]])
                for spline in view_maps(
                    fields,
                    name,
                    sight,
                    pupil_mm=pupil,
                    luminance=luminance,
                    scan=subject.eye.scans[name],
                    head=state.head,
                )
            )
        return perceived_light(panels, maps, sight, threads=THREADS)

    def _world(self, outlook: Outlook) -> NDArray[np.float32]:
        content = self.subject.eye.content
        image = Image.fromarray(self._picture_of("quay_by_day", content.size_px))
        factor = content.focal_px / outlook.scale_px
        corner = np.array(content.size_px) / 2.0 - np.array(outlook.middle_px) * factor
        matrix = (factor, 0.0, corner[0], 0.0, factor, corner[1])
        moved = image.transform(outlook.size_px, Image.Transform.AFFINE, matrix, Image.Resampling.BILINEAR)
        return _TO_LIGHT.take(np.asarray(moved))

    def _meant(
        self, state: State, outlook: Outlook, pupil: FloatArray, tracked: FloatArray
    ) -> dict[str, tuple[FloatArray, FloatArray]]:
        """Return, by channel, what its panel shows at view pixels in the middle colour.

        The direction that the content was meant for (height, width, 2), NaN off the panel and where it is
        not lit, and the blend weight (height, width), 0 there.
        """
        scale = (outlook.scale_px, -outlook.scale_px)
        sight = Sight(self.subject.eye.content, outlook.size_px, outlook.middle_px, scale)
        x, y = (np.arange(length, dtype=float) + 0.5 for length in outlook.size_px)
        meant = {}
        for name in self.subject.eye.channels:
            field = self.subject.eye.fields.field(name, self._colours[1])
            scan, head = self.subject.eye.scans[name], self.subject.eye.head_turn(state.head)
            looked = field if head.is_still else TurningField(field, require_scan(scan, name), head)
            pixel = view_mesh(looked, sight, pupil_mm=pupil).on_lattice(x, y)
            seen = np.all((pixel >= 0.0) & (pixel <= field.panel_size_px), axis=-1)
            mesh = panel_mesh(
                field,
                self.subject.eye.content,
                tracked_pupil_mm=tracked,
                seam=self.subject.eye.seam,
                scan=scan,
                head=head if state.late else None,
            )
            shown = np.full((*seen.shape, 3), np.nan)
            shown[seen] = mesh.spline().at(pixel[seen])
            shown[seen, 2] = mesh.weight_at(pixel[seen])
            if mesh.light is not None:
                depth = mesh.light_spline().at(pixel[seen])[:, mesh.light.claims.shape[-1] + mesh.light.own]
                shown[seen] = np.where(depth[:, None] > 0.0, shown[seen], np.nan)
            meant[name] = (
                self.subject.eye.content.tangent_from_pixel(shown[..., :2]),
                np.clip(np.nan_to_num(shown[..., 2]), 0.0, 1.0),
            )
        return meant

    def _weights(
        self, state: State, outlook: Outlook, pupil: FloatArray, tracked: FloatArray
    ) -> NDArray[np.float32]:
        light = np.zeros((outlook.size_px[1], outlook.size_px[0], 3), dtype=np.float32)
        for place, (_, weight) in enumerate(self._meant(state, outlook, pupil, tracked).values()):
            light += (weight[..., None] * np.array(tint(place))).astype(np.float32)
        return light

    def _seam_error(
        self, state: State, outlook: Outlook, pupil: FloatArray, tracked: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return false colours (height, width, 3) and where two channels are seen (height, width), 0 or 1."""
        meant = [tangent for tangent, _ in self._meant(state, outlook, pupil, tracked).values()]
        worst = np.full(meant[0].shape[:-1], np.nan)
        for place, one in enumerate(meant):
            for other in meant[place + 1 :]:
                worst = np.fmax(worst, arcmin_between(one, other))
        return false_colour(np.nan_to_num(worst) / state.error_end_arcmin), np.isfinite(worst).astype(float)


def lay_over(light: NDArray[np.float32], page: Page, /) -> None:
    """Blend a page over linear light (height, width, 3), in place; what stands out is cut off."""
    height = min(page.pixels.shape[0], light.shape[0] - page.top)
    width = min(page.pixels.shape[1], light.shape[1] - page.left)
    skip = max(-page.left, 0)
    if height <= 0 or width - skip <= 0:
        return
    pixels = page.pixels[:height, skip:width]
    part = light[page.top : page.top + height, page.left + skip : page.left + width]
    alpha = pixels[..., 3:].astype(np.float32) / 255.0
    part *= 1.0 - alpha
    part += alpha * _TO_LIGHT.take(pixels[..., :3])


def _part(light: NDArray[np.float32], box: Box) -> NDArray[np.float32]:
    return light[box.top : box.top + box.height, box.left : box.left + box.width]


def _shrunk(mesh: PanelMesh, factor: int) -> PanelMesh:
    if factor == 1:
        return mesh
    return replace(
        mesh, panel_size_px=shrunk_size(mesh.panel_size_px, factor), content_px=mesh.content_px / factor
    )


def _scaled(light: NDArray[np.float32], box: Box) -> NDArray[np.float32]:
    """Return a picture of light sampled bilinearly to the size of a box, as a GPU's filter does it."""
    return np.stack(
        [
            np.asarray(
                Image.fromarray(light[..., plane], mode="F").transform(
                    (box.width, box.height),
                    Image.Transform.AFFINE,
                    (light.shape[1] / box.width, 0.0, 0.0, 0.0, light.shape[0] / box.height, 0.0),
                    Image.Resampling.BILINEAR,
                )
            )
            for plane in range(3)
        ],
        axis=-1,
    )
