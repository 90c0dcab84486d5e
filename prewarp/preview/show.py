"""What a preview does from frame to frame, whatever the window is: state, eye, pages, reloading."""

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from prewarp.errors import PrewarpError, ShaderError
from prewarp.files import write_bytes
from prewarp.preview.controls import SAVE, YES, Pacer, Situation, pressed
from prewarp.preview.dressing import Dressing
from prewarp.preview.eyedriver import EyeDriver
from prewarp.preview.gauges import FrameClock
from prewarp.preview.scenery import Scenery
from prewarp.preview.slider import rate_at, slider_box
from prewarp.preview.stage import Stage, faster_path
from prewarp.preview.state import STEP_MM, State
from prewarp.preview.subject import Subject
from prewarp.preview.views import COARSE, FINE
from prewarp.preview.watch import Watch, shader_folder
from prewarp.render.drawing import is_software
from prewarp.render.pictures import png_bytes

if TYPE_CHECKING:
    import moderngl

# How near the wipe's line the mouse must be to take it, units of the window.
_GRIP = 14.0
# A frame that took longer than this (a window dragged, a machine asleep) does not make the motion jump.
_LONGEST_STEP_SECONDS = 0.1


class Show:
    """Runs a preview in an OpenGL context.

    Parameters
    ----------
    context : moderngl.Context
        Of the window.
    subject : Subject
        What is looked at first.
    state, driver, scenery
        How.
    reload : callable
        Makes the subject again after its files changed; runs in a thread of its own.
    pictures : Path, optional
        Folder for pictures saved with P; without one none are saved.
    scale : float
        Pixels per unit of the window, for the size of text.
    path : str
        Of `stage.PATHS`, or "auto": the one that is faster here (`faster_path`).
    """

    def __init__(
        self,
        context: "moderngl.Context",
        subject: Subject,
        state: State,
        driver: EyeDriver,
        scenery: Scenery,
        size_px: tuple[int, int],
        /,
        *,
        reload: Callable[[], Subject],
        pictures: Path | None = None,
        scale: float = 1.0,
        path: str = "auto",
    ) -> None:
        self.state = state
        self.scale = scale
        self.clock = FrameClock()
        self._context = context
        self._driver = driver
        self._scenery = scenery
        self._reload = reload
        self._pictures = pictures
        self._saved = 0
        self._pacer = Pacer()
        self._drag: str | None = None
        self._last_s: float | None = None
        self._drawn: tuple[object, ...] | None = None
        self._saving = False
        self._worker = ThreadPoolExecutor(1)
        self._loading: Future[Subject] | None = None
        self._shaders = Watch([shader_folder()])
        self._size_px = size_px
        self._finesse = COARSE if is_software(context.info["GL_RENDERER"]) else FINE
        self.path = faster_path(context, subject, size_px, scenery.picture) if path == "auto" else path
        self._take(subject)

    @property
    def is_moving(self) -> bool:
        """Whether the picture changes by itself."""
        s = self.state
        return (s.motion != "hand" and not s.paused) or s.tracking == "noisy" or self._loading is not None

    @property
    def _text_scale(self) -> float:
        return self.scale * self.state.text_size

    def close(self) -> None:
        """Stop what runs beside."""
        self._worker.shutdown(wait=False, cancel_futures=True)

    def resize(self, size_px: tuple[int, int], scale: float, /) -> None:
        """Draw frames of another size, for a window of so many pixels per unit."""
        self.scale = scale
        if size_px != self._size_px:
            self._size_px = size_px
            self.stage.resize(size_px)
            self._drawn = None

    def key(self, name: str, now_s: float, /, *, shift: bool = False, again: bool = False) -> bool:
        """Take a key; False asks the window to close."""
        if self.state.asks and name in YES and not again:
            return False
        if self.state.asks or name == "ESCAPE":
            if name and not again and self._pacer.allows(now_s):
                opened = self.state.asks or self.state.help or self.state.caution
                self.state = replace(self.state, help=False, caution=False, asks=not opened)
        elif name == SAVE and not again and not self.state.caution:
            self._saving = True
        else:
            self.state = pressed(
                self.state, name, self._situation, now_s=now_s, pacer=self._pacer, shift=shift, again=again
            )
        return True

    def press(self, x: float, width: float, y: float | None = None) -> None:
        """Take a press of the mouse at x (and y) in a window `width` wide, in its units."""
        if self.state.caution:
            self.state = replace(self.state, caution=False)
            return
        if self.state.asks:
            self.state = replace(self.state, asks=False)
            return
        per_unit = self._size_px[0] / max(width, 1.0)
        box = slider_box(self._size_px, scale=self._text_scale)
        slides = self._situation.has_scans and self.state.numbers and not self.state.help
        if slides and y is not None and box.holds(x * per_unit, y * per_unit):
            self._drag = "slider"
            self._slide(x, width)
            return
        on_line = self.state.wipe is not None and abs(x - self.state.wipe * width) <= _GRIP
        self._drag = "line" if on_line else "pupil"

    def release(self) -> None:
        """The mouse was let go, or the window lost the keyboard."""
        self._drag = None

    def move(self, x: float, dx: float, dy: float, size: tuple[float, float]) -> None:
        """Take a movement of the mouse to x by (dx, dy), right and down, in units of a window's `size`."""
        if self._drag == "line":
            self.state = self.state.wiped(x / max(size[0], 1.0))
        elif self._drag == "slider":
            self._slide(x, size[0])
        elif self._drag == "pupil":
            half = self._subject.eye.eye_box.half_mm
            step = (2.0 * half[0] * dx / max(size[0], 1.0), -2.0 * half[1] * dy / max(size[1], 1.0), 0.0)
            self.state = self.state.moved(step, half)

    def _slide(self, x: float, width: float) -> None:
        """Take the head rate of a place x on the slider, in a window `width` wide."""
        per_unit = self._size_px[0] / max(width, 1.0)
        self.state = self.state.turned(rate_at(x * per_unit, self._size_px, scale=self._text_scale))

    def wheel(self, steps: float, now_s: float, /, *, zooms: bool = False) -> None:
        """Take the wheel: pupil depth, or nearer and further."""
        if self.state.caution:
            return
        if zooms:
            self.key("EQUAL" if steps > 0 else "MINUS", now_s)
        else:
            self.state = self.state.moved((0.0, 0.0, STEP_MM * steps), self._subject.eye.eye_box.half_mm)

    def say(self, text: str, now_s: float, /) -> None:
        """Show a message."""
        self._dressing.say(text, now_s)

    def frame(self, now_s: float, /) -> bool:
        """Draw the frame of this moment into the stage; False when it would be the one drawn last."""
        step = 0.0 if self._last_s is None else min(now_s - self._last_s, _LONGEST_STEP_SECONDS)
        self._last_s = now_s
        if not self.state.caution:
            self.state = self.state.later(step)
        self._follow_files(now_s)
        self.state = replace(self.state, error_end_arcmin=self._dressing.error_end_arcmin(self.state))
        pupil, tracked = self._driver.eye(self.state, now_s)
        pages = self._dressing.pages(
            self.state,
            pupil,
            tracked,
            now_s,
            self._size_px,
            scale=self._text_scale,
            frame_ms=self.clock.frame_ms,
        )
        shown = (
            replace(self.state, time_s=0.0),
            tuple(pupil),
            tuple(tracked),
            tuple(id(page) for page in pages.values()),
        )
        if shown == self._drawn and not self._saving:
            return False
        for name, page in pages.items():
            self.stage.set_page(name, page)
        if self._saving:
            # Without the message that may be there.
            self.stage.set_page("message", None)
        self.stage.draw(self.state, pupil, tracked)
        self._drawn = shown
        if self._saving:
            self._save(now_s)
        return True

    def _take(self, subject: Subject) -> None:
        stage = Stage(
            self._context,
            subject,
            self._size_px,
            picture_of=self._scenery.picture,
            finesse=self._finesse,
            path=self.path,
        )
        self._subject, self.stage = subject, stage
        self._dressing = Dressing(subject)
        self._situation = Situation(
            self._scenery.names,
            self._driver.names,
            subject.eye.eye_box.half_mm,
            subject.lights,
            all(scan is not None for scan in subject.eye.scans.values()),
        )
        if not self._situation.has_scans:
            self.state = replace(self.state, head_deg_per_s=(0.0, 0.0, 0.0))
        self._files = Watch(subject.files)
        self._drawn = None
        self._context.gc()

    def _follow_files(self, now_s: float) -> None:
        if self._shaders.changed(now_s):
            self._drawn = None
            try:
                self.stage.reload()
                self._dressing.say("Shaders compiled again.", now_s)
            except ShaderError as cause:
                self._dressing.say(f"The last good shaders stay in use.\n{cause}", now_s, stays=True)
        if self._loading is None and self._files.changed(now_s):
            self._loading = self._worker.submit(self._reload)
            self._dressing.say("Files changed: reading them again ...", now_s, stays=True)
        if self._loading is not None and self._loading.done():
            future, self._loading = self._loading, None
            error = future.exception()
            if error is None:
                try:
                    self._take(future.result())
                except PrewarpError as cause:
                    error = cause
            text = (
                f"The files could not be read; the earlier ones stay in use.\n{error}"
                if error
                else "Read again."
            )
            self._dressing.say(text, now_s, stays=error is not None)

    def _save(self, now_s: float) -> None:
        self._saving, self._drawn = False, None
        if self._pictures is None:
            self._dressing.say("No folder for pictures: start with --pictures FOLDER.", now_s)
            return
        while (path := self._pictures / f"picture_{self._saved:04d}.png").exists():
            self._saved += 1
        try:
            write_bytes(path, png_bytes(self.stage.read()))
            self._dressing.say(f"{path.name} written.", now_s)
        except OSError as cause:
            self._dressing.say(f"{path}: not written ({cause.strerror or cause}).", now_s)
