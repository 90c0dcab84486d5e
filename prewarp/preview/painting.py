"""One face over both ways to make frames without a window: OpenGL, or the CPU where there is none."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray
from prewarp.errors import RenderError
from prewarp.preview.reference import ReferencePainter
from prewarp.preview.stage import Page, Stage
from prewarp.preview.state import State
from prewarp.preview.subject import Subject
from prewarp.render.choices import CHOICES
from prewarp.render.gpu import open_context

PictureOf = Callable[[str, tuple[int, int]], NDArray[np.uint8]]


class Painter(Protocol):
    """Makes frames; `name` says with what, for people."""

    name: str

    def paint(
        self, state: State, pupil_mm: FloatArray, tracked_mm: FloatArray, pages: Mapping[str, Page | None], /
    ) -> NDArray[np.uint8]:
        """Return one frame, (height, width, 3) 8-bit sRGB; row 0 is the top."""


class StagePainter:
    """A `Stage` as a `Painter`."""

    def __init__(self, stage: Stage, name: str, /) -> None:
        self.name = name
        self._stage = stage

    def paint(
        self, state: State, pupil_mm: FloatArray, tracked_mm: FloatArray, pages: Mapping[str, Page | None], /
    ) -> NDArray[np.uint8]:
        """See `Painter.paint`."""
        for name, page in pages.items():
            self._stage.set_page(name, page)
        self._stage.draw(state, pupil_mm, tracked_mm)
        return self._stage.read()


class CpuPainter:
    """The CPU renderer as a `Painter`."""

    def __init__(self, painter: ReferencePainter, name: str, /) -> None:
        self.name = name
        self._painter = painter

    def paint(
        self, state: State, pupil_mm: FloatArray, tracked_mm: FloatArray, pages: Mapping[str, Page | None], /
    ) -> NDArray[np.uint8]:
        """See `Painter.paint`."""
        return self._painter.paint(
            state, pupil_mm, tracked_mm, [page for page in pages.values() if page is not None]
        )


@contextmanager
def open_painter(
    subject: Subject,
    size_px: tuple[int, int],
    /,
    *,
    picture_of: PictureOf,
    choice: str = "auto",
    path: str = "mesh",
) -> Iterator[Painter]:
    """Yield a painter of frames of one size.

    Parameters
    ----------
    subject, size_px, picture_of
        See `Stage`.
    choice : str
        "auto": OpenGL through EGL (a software driver too: it is faster than the CPU renderer here), else the
        CPU renderer, which then says why in its name. "egl": OpenGL or an error. "none": the CPU renderer.

    path : str
        See `Stage`; the CPU renderer has one way only.

    Raises
    ------
    RenderError
        The choice is unknown, or "egl" cannot be had.
    """
    if choice not in CHOICES:
        raise RenderError(f"renderer is '{choice}'; expected one of {', '.join(CHOICES)}.")
    if choice == "none":
        yield CpuPainter(ReferencePainter(subject, size_px, picture_of=picture_of), "CPU renderer (slower)")
        return
    with ExitStack() as stack:
        try:
            context = stack.enter_context(open_context())
            stage = Stage(context, subject, size_px, picture_of=picture_of, path=path)
            by = ", exported shaders" if path == "exported" else ""
            painter: Painter = StagePainter(stage, f"OpenGL, {context.info['GL_RENDERER']}{by}")
        # Drivers fail in many ways; the CPU renderer needs none of them.
        except Exception as cause:
            if choice == "egl":
                raise
            reason = str(cause).split(". ")[0].rstrip(".")
            painter = CpuPainter(
                ReferencePainter(subject, size_px, picture_of=picture_of),
                f"CPU renderer (slower), standing in for OpenGL: {reason}",
            )
        yield painter
