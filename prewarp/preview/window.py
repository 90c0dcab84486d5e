"""The window: glfw and an OpenGL context around a `Show`. Everything of glfw is here."""

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from prewarp.errors import RenderError
from prewarp.preview.controls import BY_KEY, SAVE, YES, key_name
from prewarp.preview.show import Show

if TYPE_CHECKING:
    import moderngl

# Newest first: the first that the driver gives is taken. 4.3 runs compute shaders.
_VERSIONS = ((4, 3), (3, 3))
_INSTALL = (
    "Install moderngl and glfw (pip), and a display with OpenGL 3.3 (on Debian: libgl1, libgl1-mesa-dri and "
    "an X or Wayland session). Without a display use --offscreen or 'prewarp film'."
)
# Waiting time where nothing changes, and where the window is hidden or not in use, seconds.
_IDLE_SECONDS, _HIDDEN_SECONDS = 0.05, 0.25
# Frames between two looks for OpenGL errors.
_ERROR_FRAMES = 30


def run_window(
    title: str,
    size: tuple[int, int],
    make_show: Callable[["moderngl.Context", tuple[int, int], float], Show],
    /,
) -> None:
    """Open a window and run a show in it until it is closed.

    Parameters
    ----------
    title : str
        Of the window.
    size : (int, int)
        Its size in its own units; pixels may be finer.
    make_show : callable
        Context, frame size in px, and px per unit to the `Show`.

    Raises
    ------
    RenderError
        glfw, a display or OpenGL 3.3 is missing; says what to install.
    """
    glfw = _started()
    try:
        window = _opened(glfw, title, size)
        _Loop(glfw, window, make_show).run()
    finally:
        glfw.terminate()


def _started() -> Any:
    try:
        import glfw
    except ImportError as cause:
        raise RenderError(f"no window: glfw is missing ({cause}). {_INSTALL}") from cause
    # The stub infers text from its default, "warn".
    glfw.ERROR_REPORTING = False  # type: ignore[assignment]
    if not glfw.init():
        raise RenderError(f"no window: {_last_error(glfw) or 'no display was found'}. {_INSTALL}")
    return glfw


def _opened(glfw: Any, title: str, size: tuple[int, int]) -> Any:
    for major, minor in _VERSIONS:
        glfw.default_window_hints()
        glfw.window_hint(glfw.CONTEXT_VERSION_MAJOR, major)
        glfw.window_hint(glfw.CONTEXT_VERSION_MINOR, minor)
        glfw.window_hint(glfw.OPENGL_PROFILE, glfw.OPENGL_CORE_PROFILE)
        glfw.window_hint(glfw.OPENGL_FORWARD_COMPAT, True)
        glfw.window_hint(glfw.SCALE_TO_MONITOR, True)
        window = glfw.create_window(*size, title, None, None)
        if window:
            glfw.make_context_current(window)
            return window
    raise RenderError(f"no OpenGL 3.3 in a window: {_last_error(glfw) or 'the driver has none'}. {_INSTALL}")


def _last_error(glfw: Any) -> str:
    code, text = glfw.get_error()
    if not code:
        return ""
    return (text.decode("utf-8", "replace") if isinstance(text, bytes) else str(text)).rstrip(". ")


class _Loop:
    """Events in, frames out."""

    def __init__(
        self, glfw: Any, window: Any, make_show: Callable[["moderngl.Context", tuple[int, int], float], Show]
    ) -> None:
        self._glfw, self._window = glfw, window
        try:
            import moderngl

            self._context = moderngl.create_context(require=330)
        except Exception as cause:
            raise RenderError(f"no OpenGL 3.3 in a window ({cause}). {_INSTALL}") from cause
        self._context.gc_mode = "context_gc"
        self._screen = self._context.detect_framebuffer(0)
        glfw.swap_interval(1)
        self._names = {
            getattr(glfw, f"KEY_{name.replace(' ', '_')}"): name for name in (*BY_KEY, "ESCAPE", SAVE, *YES)
        } | {glfw.KEY_KP_ADD: "EQUAL", glfw.KEY_KP_SUBTRACT: "MINUS", glfw.KEY_KP_ENTER: "ENTER"}
        self._show = make_show(self._context, self._frame_size(), self._scale())
        self._focused = True
        self._place = glfw.get_cursor_pos(window)
        self._must_present = True
        glfw.set_key_callback(window, self._on_key)
        glfw.set_mouse_button_callback(window, self._on_button)
        glfw.set_cursor_pos_callback(window, self._on_move)
        glfw.set_scroll_callback(window, self._on_wheel)
        glfw.set_window_focus_callback(window, self._on_focus)
        glfw.set_window_refresh_callback(window, self._on_refresh)

    def run(self) -> None:
        """Draw until the window is closed."""
        glfw, frames = self._glfw, 0
        try:
            while not glfw.window_should_close(self._window):
                self._wait()
                if self._hidden():
                    self._show.clock.pause()
                    continue
                self._show.resize(self._frame_size(), self._scale())
                if self._show.frame(self._now()) or self._must_present:
                    self._show.stage.present(self._screen)
                    glfw.swap_buffers(self._window)
                    self._show.clock.tick(self._now())
                    self._must_present = False
                    frames += 1
                    if frames % _ERROR_FRAMES == 1:
                        self._look_for_errors()
                else:
                    self._show.clock.pause()
        finally:
            self._show.close()
            self._context.gc()

    def _wait(self) -> None:
        """Take events; sleep where no frame is due."""
        if self._hidden():
            self._glfw.wait_events_timeout(_HIDDEN_SECONDS)
        elif self._show.is_moving:
            self._glfw.poll_events()
            if not self._focused:
                # Not in use: a quarter of the frames do.
                time.sleep(_IDLE_SECONDS)
        else:
            self._glfw.wait_events_timeout(_IDLE_SECONDS)

    def _hidden(self) -> bool:
        width, height = self._glfw.get_framebuffer_size(self._window)
        return (
            bool(self._glfw.get_window_attrib(self._window, self._glfw.ICONIFIED)) or min(width, height) < 1
        )

    def _look_for_errors(self) -> None:
        error = self._context.error
        if error != "GL_NO_ERROR":
            self._show.say(
                f"OpenGL reports {error}; the picture may be wrong. A newer driver may help.", self._now()
            )

    def _now(self) -> float:
        return float(self._glfw.get_time())

    def _frame_size(self) -> tuple[int, int]:
        width, height = self._glfw.get_framebuffer_size(self._window)
        return max(width, 1), max(height, 1)

    def _scale(self) -> float:
        return max(float(self._glfw.get_window_content_scale(self._window)[0]), 0.5)

    def _size(self) -> tuple[int, int]:
        width, height = self._glfw.get_window_size(self._window)
        return width, height

    def _on_key(self, window: Any, key: int, code: int, action: int, modifiers: int) -> None:
        glfw = self._glfw
        if action == glfw.RELEASE:
            return
        name = key_name(glfw.get_key_name(key, code), self._names.get(key, ""))
        shift = bool(modifiers & glfw.MOD_SHIFT)
        if not self._show.key(name, self._now(), shift=shift, again=action == glfw.REPEAT):
            glfw.set_window_should_close(window, True)

    def _on_button(self, window: Any, button: int, action: int, modifiers: int) -> None:
        if button != self._glfw.MOUSE_BUTTON_LEFT:
            return
        if action == self._glfw.PRESS:
            # Where the mouse was at this event; glfw would say where it is by now.
            self._show.press(self._place[0], self._size()[0], self._place[1])
        else:
            self._show.release()

    def _on_move(self, window: Any, x: float, y: float) -> None:
        dx, dy = x - self._place[0], y - self._place[1]
        self._place = (x, y)
        self._show.move(x, dx, dy, self._size())

    def _on_wheel(self, window: Any, across: float, along: float) -> None:
        held = any(
            self._glfw.get_key(window, key) == self._glfw.PRESS
            for key in (self._glfw.KEY_LEFT_CONTROL, self._glfw.KEY_RIGHT_CONTROL)
        )
        self._show.wheel(along, self._now(), zooms=held)

    def _on_focus(self, window: Any, focused: int) -> None:
        self._focused = bool(focused)
        if not focused:
            self._show.release()

    def _on_refresh(self, window: Any) -> None:
        self._must_present = True
