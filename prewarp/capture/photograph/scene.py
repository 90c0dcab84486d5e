"""One channel and colour seen from one pose: dots of marks drawn with their ghosts, and the truth of them."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.ndimage import center_of_mass, find_objects, label

from prewarp.capture.photograph.bench import Bench, Ghost
from prewarp.capture.photograph.dots import Patch, add_patches, dot_patches, spot_groups
from prewarp.capture.photograph.images import PointImages, View, aperture_rule, images_of_points
from prewarp.capture.photograph.optics import Optics
from prewarp.checks import BoolArray, FloatArray, IntArray

# Points of a disc lie this far apart at most, in standard deviations of the blur.
_DISC_SPACING = 0.9
_MOST_SUBPIXELS = 6
_MOST_SPOTS = 20_000
_SAME_LIGHT = 1e-9


@dataclass(frozen=True)
class DotLight:
    """Light on the panel, dot by dot.

    Parameters
    ----------
    step_px : (n, q, 2) float array
        Points of each dot, panel px from its mark.
    light : (n, q) float array
        Light of each, relative to white, times the area in panel px that the point stands for.
    square_px : float
        Side of the square that each point stands for; 0 where points are those of a rule.
    """

    step_px: FloatArray
    light: FloatArray
    square_px: float


@dataclass(frozen=True)
class DotTruth:
    """What is true of n dots in a photograph.

    Parameters
    ----------
    pixel : (n, 2) float array
        Where the mark's own panel point is seen, mean over the aperture, px; NaN where it is not.
    centroid : (n, 2) float array
        Centroid of the dot's light: a disc's differs from its middle's place by the bend of the map, and by
        what is covered.
    covered : (n,) float array
        Share of the dot's light that is hidden or falls beside the sensor.
    light : (n,) float array
        What arrives on the sensor, summed over pixels, in full scales; ghosts apart.
    """

    pixel: FloatArray
    centroid: FloatArray
    covered: FloatArray
    light: FloatArray

    def rows(self, rows: IntArray, /) -> "DotTruth":
        """Return those of some dots."""
        return DotTruth(self.pixel[rows], self.centroid[rows], self.covered[rows], self.light[rows])


@dataclass(frozen=True)
class Scene:
    """Marks of one channel and colour as one camera sees them from one pose.

    Parameters
    ----------
    optics : Optics
        The channel in that colour.
    view : View
        The camera.
    bench : Bench
        Blur, ghosts, dust and the like.
    channel : str
        The channel's name, for what lies on its panel alone.
    panel_size_px : (int, int)
        Its panel.
    marks_px : (n, 2) float array
        Places of the marks on the panel, px.
    reach_px : float
        How far the light of a mark goes from its place, panel px.
    """

    optics: Optics
    view: View
    bench: Bench
    channel: str
    panel_size_px: tuple[int, int]
    marks_px: FloatArray
    reach_px: float

    @cached_property
    def images(self) -> PointImages:
        """How the marks are seen."""
        return self._images_at(self.marks_px, 1.0)

    @cached_property
    def ghost_images(self) -> tuple[tuple[Ghost, PointImages], ...]:
        """Every ghost, and how the marks are seen in it."""
        return tuple(
            (one, self._images_at(one.moved(self.marks_px, self.panel_size_px), abs(one.scale)))
            for one in self.bench.ghosts_of(self.channel)
        )

    def _images_at(self, place: FloatArray, scale: float) -> PointImages:
        reach = np.full(len(place), max(self.reach_px * scale, 2.0))
        return images_of_points(self.optics, self.view, place, reach_px=reach)

    @cached_property
    def _drawn(self) -> dict[int, "_Drawn"]:
        """What was drawn without drift, by ghost (-1: none): code frames show the same dots again."""
        return {}

    def draw(
        self, picture: FloatArray, dots: DotLight, exposure: float, /, *, drift_px: FloatArray
    ) -> DotTruth:
        """Add dots and their ghosts to a picture (height, width), in place, and return what is true of them.

        `exposure`: full scales that the white panel gives a pixel, through an open aperture.
        """
        shines = self._shines(dots)
        truth = self._add(picture, self.images, dots, shines, exposure, drift_px)
        for number, (ghost, images) in enumerate(self.ghost_images):
            self._add(
                picture, images, dots, shines, exposure * ghost.strength, drift_px, number=number, ghost=ghost
            )
        return truth

    def _shines(self, dots: DotLight) -> BoolArray:
        if self._free is None:
            return np.ones(dots.light.shape, dtype=bool)
        place = np.floor(self.marks_px[:, None] + dots.step_px).astype(np.intp)
        column, row = np.moveaxis(np.clip(place, 0, np.array(self.panel_size_px) - 1), -1, 0)
        shines: BoolArray = self._free[row, column]
        return shines

    @cached_property
    def _free(self) -> BoolArray | None:
        return self.bench.free(self.channel, self.panel_size_px)

    def _add(
        self,
        picture: FloatArray,
        images: PointImages,
        dots: DotLight,
        shines: BoolArray,
        exposure: float,
        drift_px: FloatArray,
        *,
        number: int = -1,
        ghost: Ghost | None = None,
    ) -> DotTruth:
        scale, blur = (1.0, 0.0) if ghost is None else (ghost.scale, ghost.blur_px)
        seen = np.flatnonzero(np.isfinite(images.pixel[:, 0]) & np.any(dots.light > 0.0, axis=1))
        few = images.rows(seen)
        position, area, relative = few.placed(scale * dots.step_px[seen])
        whole = dots.light[seen] * relative * area * scale * scale * self.view.kept(position)
        position = position + drift_px
        light = whole * shines[seen]

        def patches(some: IntArray) -> list[Patch | None]:
            """Return the patches of some of the dots, those of like spots together."""
            made: list[Patch | None] = [None] * len(some)
            own = few.rows(some)
            for group in spot_groups(
                own, self.view, self.bench, square_px=dots.square_px, extra_blur_px=blur
            ):
                dot = some[group.rows]
                for k, patch in zip(
                    group.rows.tolist(), dot_patches(position[dot], light[dot], group.spots), strict=True
                ):
                    made[k] = patch
            return made

        if np.any(drift_px):
            add_patches(picture, patches(np.arange(len(seen))), exposure)
        else:
            drawn = self._drawn.setdefault(number, _Drawn(len(images.pixel)))
            add_patches(picture, drawn.patches(seen, position, light, patches), exposure)
        return self._truth(
            len(images.pixel), seen, few.pixel + drift_px, position, exposure * whole, exposure * light
        )

    def _truth(
        self,
        count: int,
        seen: IntArray,
        pixel: FloatArray,
        position: FloatArray,
        whole: FloatArray,
        light: FloatArray,
    ) -> DotTruth:
        arriving = np.where(self.view.camera.inside(position), light, 0.0)
        total, full = arriving.sum(axis=1), whole.sum(axis=1)
        share = arriving / np.where(total > 0.0, total, np.nan)[:, None]
        found = DotTruth(
            np.full((count, 2), np.nan), np.full((count, 2), np.nan), np.zeros(count), np.zeros(count)
        )
        found.pixel[seen] = pixel
        found.centroid[seen] = np.einsum("nq,nqi->ni", share, position)
        found.covered[seen] = np.where(full > 0.0, 1.0 - total / np.where(full > 0.0, full, 1.0), 0.0)
        found.light[seen] = total
        return found


class _Drawn:
    """Patches of dots that were drawn, to be used again where a dot has the same light in the same place."""

    def __init__(self, count: int) -> None:
        self._light = np.empty(0)
        self._position = np.empty(0)
        self._patches: list[Patch | None] = [None] * count

    def patches(
        self,
        rows: IntArray,
        position: FloatArray,
        light: FloatArray,
        draw: Callable[[IntArray], list[Patch | None]],
    ) -> list[Patch | None]:
        """Return the patches of some dots; `draw` draws those that are new."""
        if self._light.shape[1:] != light.shape[1:]:
            self._light = np.full((len(self._patches), *light.shape[1:]), np.nan)
            self._position = np.full((len(self._patches), *position.shape[1:]), np.nan)
        same = np.all(self._light[rows] == light, axis=1)
        same &= np.all(self._position[rows] == position, axis=(1, 2))
        new = np.flatnonzero(~same)
        for dot, patch in zip(rows[new].tolist(), draw(new), strict=True):
            self._patches[dot] = patch
        self._light[rows[new]], self._position[rows[new]] = light[new], position[new]
        return [self._patches[dot] for dot in rows.tolist()]


def discs(scene: Scene, radius_px: FloatArray, lit: FloatArray, /) -> DotLight:
    """Return even discs about the marks of a scene.

    Parameters
    ----------
    scene : Scene
        How large they look decides how many points stand for each.
    radius_px : (n,) float array
        Their radii, panel px.
    lit : (n,) float or bool array
        Their light, relative to white.
    """
    slopes = np.sqrt(np.nanmax(np.sum(scene.images.slopes**2, axis=(1, 2)), initial=0.0) / 2.0)
    widest = float(np.max(radius_px)) * slopes
    fineness = int(np.ceil(widest / (_DISC_SPACING * scene.bench.blur_px))) + 2
    place, share = aperture_rule(min(fineness, 40))
    step = radius_px[:, None, None] * place
    light = (np.asarray(lit, dtype=float) * np.pi * radius_px**2)[:, None] * share
    return DotLight(step, light, 0.0)


@dataclass(frozen=True)
class MarkLight:
    """What of a panel picture lies about marks: `corner` (n, 2) first column and row of a square about each,
    `light` (n, side, side) its pixels, relative to white; 0 beside the panel.
    """

    corner: IntArray
    light: FloatArray

    def gained(self, line_gain: FloatArray, /) -> "MarkLight":
        """Return the same with each line of the panel times its gain (height,)."""
        row = self.corner[:, 1, None] + np.arange(self.light.shape[1])
        return MarkLight(self.corner, self.light * line_gain[row.clip(0, len(line_gain) - 1)][..., None])


def light_of_marks(marks_px: FloatArray, reach_px: float, picture: FloatArray, /) -> MarkLight | None:
    """Return what of a panel picture (height, width), relative to white, lies about marks (n, 2), px.

    None where it holds light that is no mark's, or a pixel that is two marks': then it is no picture of dots.
    """
    side = 2 * int(np.ceil(reach_px)) + 1
    corner = np.floor(marks_px).astype(np.int64) - side // 2
    inner = np.arange(side)
    row, column = corner[:, 1, None, None] + inner[:, None], corner[:, 0, None, None] + inner
    height, width = picture.shape
    inside = (row >= 0) & (row < height) & (column >= 0) & (column < width)
    light = np.where(inside, picture[row.clip(0, height - 1), column.clip(0, width - 1)], 0.0)
    total = float(picture.sum())
    if abs(float(light.sum()) - total) > _SAME_LIGHT * max(total, 1.0):
        return None
    return MarkLight(corner, light)


def dots_of_marks(scene: Scene, marks: MarkLight, /) -> DotLight:
    """Return the light about the marks of a scene, dot by dot; points without light are left out where all
    dots have some.
    """
    count, side, _ = marks.light.shape
    inner = np.arange(side) + 0.5
    place = np.stack(np.broadcast_arrays(inner, inner[:, None]), axis=-1) + marks.corner[:, None, None]
    step = (place - scene.marks_px[:, None, None]).reshape(count, -1, 2)
    light = marks.light.reshape(count, -1)
    shining = light > 0.0
    most = int(shining.sum(axis=1).max(initial=1))
    first = np.argsort(~shining, axis=1, kind="stable")[:, :most]
    step = np.take_along_axis(step, first[..., None], axis=1)
    light = np.take_along_axis(light, first, axis=1)
    slopes = np.sqrt(np.nanmax(np.sum(scene.images.slopes**2, axis=(1, 2)), initial=0.0) / 2.0)
    parts = int(np.clip(np.ceil(slopes / scene.bench.blur_px), 1, _MOST_SUBPIXELS))
    if parts > 1:
        middle = (np.arange(parts) + 0.5) / parts - 0.5
        within = np.stack(np.meshgrid(middle, middle), axis=-1).reshape(-1, 2)
        step = (step[:, :, None] + within).reshape(count, -1, 2)
        light = np.repeat(light / parts**2, parts**2, axis=1)
    return DotLight(step, light, 1.0 / parts)


def dots_of_picture(scene: Scene, picture: FloatArray, /) -> DotLight | None:
    """Return the light of a panel picture (height, width), relative to white, dot by dot; None as
    `light_of_marks`.
    """
    marks = light_of_marks(scene.marks_px, scene.reach_px, picture)
    return None if marks is None else dots_of_marks(scene, marks)


def separate_spots(picture: FloatArray, /) -> tuple[FloatArray, float] | None:
    """Return places (n, 2) of the separate spots of a panel picture, in reading order, and their reach, px.

    None where it is no picture of small spots.
    """
    labels, count = label(picture > 0.0, structure=np.ones((3, 3)))
    if not 0 < count <= _MOST_SPOTS:
        return None
    boxes = find_objects(labels)
    reach = max(max(one.stop - one.start for one in box) for box in boxes) / 2.0 + 1.0
    if count * (2.0 * reach + 1.0) ** 2 > picture.size:
        return None
    middle = center_of_mass(picture, labels, np.arange(1, count + 1))
    return np.array(middle)[:, ::-1] + 0.5, reach
