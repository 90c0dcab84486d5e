"""The photographs of a plan, one by one: what the panels show, through which optics, with which faults."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path

import numpy as np

from prewarp.capture.camera import Camera, camera_named, pose_rotation
from prewarp.capture.marks import Marks
from prewarp.capture.panel_png import read_panel_png
from prewarp.capture.paths import path_inside
from prewarp.capture.patterns import planes_of
from prewarp.capture.photograph.bench import Bench
from prewarp.capture.photograph.images import CameraPose, View
from prewarp.capture.photograph.optics import OpticsOf
from prewarp.capture.photograph.pictures import PanelMap, add_picture, panel_map
from prewarp.capture.photograph.scene import (
    DotTruth,
    MarkLight,
    Scene,
    dots_of_marks,
    light_of_marks,
    separate_spots,
)
from prewarp.capture.photograph.sensor import Values, values_of_light
from prewarp.capture.plan import Photograph, Plan
from prewarp.checks import BoolArray, FloatArray
from prewarp.errors import CaptureError, PrewarpError
from prewarp.files import MEBIBYTE
from prewarp.frames import MM_PER_M
from prewarp.module import DisplayModule

# Marks reach this much further than their radius: the soft rim of a disc.
_RIM_PX = 2.0
# Share of full scale that the white panel gives at a plan's shortest exposure where a bench does not say.
_USUAL_LIGHT = 0.7
_FOCUS_STEP_MM = 0.5
_ARCMIN_PER_DEG = 60.0
# Code frames and whole ones come again at every pose: what they show about the marks is kept, up to this.
_KEPT_BYTES = 256 * MEBIBYTE
_OF_MARKS = ("whole", "code", "one")
KEPT_PLANES = 4
# Kinds whose pictures change slowly from pixel to pixel, but for the panel's edge.
_SMOOTH = ("sine", "flat", "ramp")


@dataclass(frozen=True)
class Truth:
    """What is true of a photograph: where the camera was, and of each lit mark `DotTruth`'s rows.

    `mark` (n,) numbers; `turn_deg` yaw, pitch, roll; `drift_px` of the picture.
    """

    mark: np.ndarray
    dots: DotTruth | None
    place_mm: FloatArray
    turn_deg: FloatArray
    drift_px: FloatArray


@dataclass(frozen=True)
class Taking:
    """A plan's photographs as a simulated bench takes them.

    Parameters
    ----------
    plan, marks : Plan, Marks
        What is to be taken.
    folder : Path
        Where the plan's pictures lie.
    module : DisplayModule
        Panels and colours.
    optics : callable
        Optics by channel and colour (`OpticsOfDesign`, `OpticsOfFit`).
    cameras : mapping
        By the plan's names (`camera_named`).
    bench : Bench
        The faults.
    """

    plan: Plan
    marks: Marks
    folder: Path
    module: DisplayModule
    optics: OpticsOf
    cameras: Mapping[str, Camera]
    bench: Bench

    def require(self) -> None:
        """Raise `CaptureError` for cameras, channels, colours or pictures of the plan that are not there."""
        for row, one in zip(self.plan.row, self.plan.photographs, strict=True):
            try:
                camera_named(self.cameras, one.camera)
                if one.kind == "dark":
                    continue
                self.module.channel(one.channel)
                self.module.colour(one.colour)
                self.optics(one.channel, one.colour)
                self.marks.of(one.channel)
            except PrewarpError as cause:
                raise CaptureError(
                    f"{self.plan.source}, row {row}: {cause}", path=self.plan.source, row=row
                ) from cause
            if not path_inside(self.folder, one.picture).is_file():
                raise CaptureError(
                    f"{self.plan.source}, row {row}: picture {one.picture} is not in {self.folder}. Write "
                    "the targets again, or name the folder's own plan.",
                    path=self.plan.source,
                    row=row,
                )

    def take(self, index: int, /) -> tuple[Values, Truth]:
        """Return the file's values and the truth of one photograph of the plan."""
        one = self.plan.photographs[index]
        camera = camera_named(self.cameras, one.camera)
        pose, turn = self.true_pose(one)
        drift = self._drift(index)
        light = np.zeros((camera.height_px, camera.width_px))
        exposure = self.white_per_ms * one.exposure_ms
        mark, dots = self._show(light, one, one, pose, exposure, drift)
        if self.bench.afterglow > 0.0 and index > 0:
            before = self.plan.photographs[index - 1]
            self._show(light, before, one, pose, exposure * self.bench.afterglow, drift)
        values = values_of_light(
            light,
            camera,
            self.bench,
            exposure_ms=one.exposure_ms,
            random=self.bench.random("noise", one.order),
            name=one.camera,
        )
        return values, Truth(mark, dots, pose.place_mm, turn, drift)

    @cached_property
    def white_per_ms(self) -> float:
        """Share of full scale that the white panel gives in a millisecond."""
        if self.bench.white_per_ms is not None:
            return self.bench.white_per_ms
        lit = [one.exposure_ms for one in self.plan.photographs if one.kind != "dark"]
        return _USUAL_LIGHT / min(lit) if lit else 0.0

    @cached_property
    def focus_dioptres(self) -> float:
        """Distance for which cameras are focused whose file does not say it: the bench's, or the mean of the
        panels' middles.
        """
        if self.bench.focus_dioptres is not None:
            return self.bench.focus_dioptres
        shown = dict.fromkeys((one.channel, one.colour) for one in self.plan.photographs if one.channel)
        found = []
        for name, colour in shown:
            middle = np.array(self.module.channel(name).panel.size_px) / 2.0
            pupils = _FOCUS_STEP_MM * np.array([[1.0, 0, 0], [-1.0, 0, 0], [0, 1.0, 0], [0, -1.0, 0]])
            seen = self.optics(name, colour).direction(middle, pupils)
            slope = (seen[0, 0] - seen[1, 0] + seen[2, 1] - seen[3, 1]) / (4.0 * _FOCUS_STEP_MM)
            found.append(-MM_PER_M * slope)
        known = [value for value in found if np.isfinite(value)]
        return float(np.mean(known)) if known else 0.0

    def true_pose(self, one: Photograph, /) -> tuple[CameraPose, FloatArray]:
        """Return where the camera truly is for a photograph, and its turn in degrees."""
        lot = self.bench.random("pose", one.pose)
        off, turned = lot.normal(size=3), lot.normal(size=3)
        place = self.bench.stage_scale * one.pupil_mm + self.bench.stage_mm * off
        turn = np.array(one.turn_deg) + self.bench.turn_arcmin / _ARCMIN_PER_DEG * turned
        return CameraPose(place, pose_rotation(*turn)), turn

    def _drift(self, index: int) -> FloatArray:
        """Return how far the picture has moved since the first photograph of the pose, (2,) px."""
        if not any(self.bench.drift_px):
            return np.zeros(2)
        rows = self._rows_of_pose[self.plan.photographs[index].pose]
        share = (index - rows[0]) / max(rows[1] - rows[0], 1)
        return share * np.array(self.bench.drift_px)

    @cached_property
    def _rows_of_pose(self) -> dict[str, tuple[int, int]]:
        found: dict[str, tuple[int, int]] = {}
        for index, one in enumerate(self.plan.photographs):
            found[one.pose] = (found.get(one.pose, (index, index))[0], index)
        return found

    def _show(
        self,
        light: FloatArray,
        shown: Photograph,
        seen_by: Photograph,
        pose: CameraPose,
        exposure: float,
        drift: FloatArray,
    ) -> tuple[np.ndarray, DotTruth | None]:
        """Add what a row of the plan shows to a photograph, in place; return marks' numbers and truth."""
        nothing = np.empty(0, dtype=np.int64)
        if shown.kind == "dark":
            return nothing, None
        gain = self._line_gain(shown, seen_by)
        own = self.marks.of(shown.channel)
        if shown.kind in _OF_MARKS:
            lit = self._light_of_marks(shown)
            if lit is None:
                panel = self._panel_light(shown) * gain[:, None]
                self._add_picture(light, shown, seen_by, pose, panel, exposure, drift, samples=2)
                return nothing, None
            scene = self._scene(shown, seen_by, pose, own.panel_px, self._reach(shown.channel))
            numbers, dots = own.mark, dots_of_marks(scene, lit if np.all(gain == 1.0) else lit.gained(gain))
        else:
            panel = self._panel_light(shown) * gain[:, None]
            if shown.kind in _SMOOTH:
                self._add_picture(light, shown, seen_by, pose, panel, exposure, drift, samples=1)
                return nothing, None
            places, reach = separate_spots(panel) or (own.panel_px[:1], 0.0)
            lit = light_of_marks(places, reach, panel)
            if lit is None:
                self._add_picture(light, shown, seen_by, pose, panel, exposure, drift, samples=2)
                return nothing, None
            scene = self._scene(shown, seen_by, pose, places, reach)
            numbers, dots = np.arange(len(places)), dots_of_marks(scene, lit)
        truth = scene.draw(light, dots, exposure, drift_px=drift)
        known = np.any(dots.light > 0.0, axis=1) & np.isfinite(truth.pixel[:, 0])
        return numbers[known], truth.rows(np.flatnonzero(known))

    def _panel_light(self, shown: Photograph) -> FloatArray:
        """Return the light of each pixel of a panel, relative to white, (rows, columns)."""
        panel = self.module.channel(shown.channel).panel
        codes = _read_plane(
            path_inside(self.folder, shown.picture),
            panel.size_px,
            panel.bit_depth,
            planes_of(self.module.colour_names)[shown.colour][0],
        )
        levels: FloatArray = panel.transfer.linear_of_codes(panel.bit_depth)
        return levels.take(codes, mode="clip")

    def _reach(self, channel: str) -> float:
        return float(self.marks.of(channel).radius_px.max()) + _RIM_PX

    def _light_of_marks(self, shown: Photograph) -> MarkLight | None:
        """Return what a picture shows about the marks; None where it shows something else."""
        kept = self._lit_marks
        if shown.picture not in kept:
            if sum(one.light.nbytes for one in kept.values() if one is not None) > _KEPT_BYTES:
                kept.clear()
            places = self.marks.of(shown.channel).panel_px
            kept[shown.picture] = light_of_marks(places, self._reach(shown.channel), self._panel_light(shown))
        return kept[shown.picture]

    @cached_property
    def _lit_marks(self) -> dict[str, MarkLight | None]:
        return {}

    def _line_gain(self, shown: Photograph, seen_by: Photograph) -> FloatArray:
        """Return how much light each line of the panel gives, (rows,), 1 for a whole number of frames.

        Lines are lit one after the other over a frame, each for `persistence_frames`.
        """
        rows = self.module.channel(shown.channel).panel.height_px
        frames = seen_by.panel_frames
        if float(frames).is_integer():
            return np.ones(rows)
        start = float(self.bench.random("phase", seen_by.order).uniform())
        after = start - (np.arange(rows) + 0.5) / rows

        def given(time: FloatArray) -> FloatArray:
            whole = np.floor(time)
            return np.asarray(whole + np.minimum((time - whole) / self.bench.persistence_frames, 1.0))

        return (given(after + frames) - given(after)) / frames

    def _uncovered(self, channel: str, panel: FloatArray) -> FloatArray:
        """Return a panel's light (rows, columns) without what is hidden."""
        if channel not in self._free_of:
            self._free_of[channel] = self.bench.free(channel, self.module.channel(channel).panel.size_px)
        free = self._free_of[channel]
        return panel if free is None else panel * free

    @cached_property
    def _free_of(self) -> dict[str, BoolArray | None]:
        return {}

    def _view(self, shown: Photograph, seen_by: Photograph, pose: CameraPose) -> View:
        camera = camera_named(self.cameras, seen_by.camera)
        stated = camera.focus_dioptres if self.bench.focus_dioptres is None else None
        return View(
            camera,
            pose,
            self.focus_dioptres if stated is None else stated,
            self.bench.magnification(shown.colour),
            self.bench.vignetting,
        )

    @cached_property
    def _kept(self) -> dict[tuple[object, ...], object]:
        """Scenes and maps of the pose at hand."""
        return {}

    def _of_pose(self, key: tuple[object, ...], pose: str, make: Callable[[], object]) -> object:
        if any(other[0] != pose for other in self._kept):
            self._kept.clear()
        whole = (pose, *key)
        if whole not in self._kept:
            self._kept[whole] = make()
        return self._kept[whole]

    def _scene(
        self, shown: Photograph, seen_by: Photograph, pose: CameraPose, places: FloatArray, reach: float
    ) -> Scene:
        def make() -> Scene:
            return Scene(
                self.optics(shown.channel, shown.colour),
                self._view(shown, seen_by, pose),
                self.bench,
                shown.channel,
                self.module.channel(shown.channel).panel.size_px,
                places,
                reach,
            )

        step = shown.step if shown.kind == "seam" else -1
        found = self._of_pose(
            ("scene", seen_by.camera, shown.channel, shown.colour, step), seen_by.pose, make
        )
        assert isinstance(found, Scene)
        return found

    def _add_picture(
        self,
        light: FloatArray,
        shown: Photograph,
        seen_by: Photograph,
        pose: CameraPose,
        panel: FloatArray,
        exposure: float,
        drift: FloatArray,
        *,
        samples: int,
    ) -> None:
        view = self._view(shown, seen_by, pose)
        mapped = self._of_pose(
            ("map", seen_by.camera, shown.channel, shown.colour),
            seen_by.pose,
            lambda: panel_map(self.optics(shown.channel, shown.colour), view),
        )
        if isinstance(mapped, PanelMap):
            add_picture(
                light,
                mapped,
                view,
                self.bench,
                self._uncovered(shown.channel, panel),
                exposure,
                channel=shown.channel,
                drift_px=drift,
                samples=samples,
            )


@lru_cache(maxsize=KEPT_PLANES)
def _read_plane(path: Path, size_px: tuple[int, int], bit_depth: int, plane: int) -> np.ndarray:
    codes = np.ascontiguousarray(read_panel_png(path, size_px, bit_depth)[..., plane])
    codes.flags.writeable = False
    return codes
