"""Which pages lie over a frame: made when they change, the numbers a few times a second."""

from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np

from prewarp.checks import FloatArray
from prewarp.preview.gauges import RecentErrors, SeamGauge, SeamReading
from prewarp.preview.legend import scale_end
from prewarp.preview.pages import (
    ask_page,
    caution_page,
    help_page,
    labels_pages,
    legend_page,
    message_page,
    number_rows,
    numbers_page,
)
from prewarp.preview.slider import slider_page
from prewarp.preview.stage import Page
from prewarp.preview.state import State
from prewarp.preview.subject import Subject

Kind = TypeVar("Kind")
# Numbers that change faster cannot be read; readings are taken more often than they are shown.
SHOWN_SECONDS = 0.25
READ_SECONDS = 0.05
MESSAGE_SECONDS = 8.0


class Dressing:
    """Pages of one subject; a page stays the same object until it changes, so that it is uploaded once."""

    def __init__(self, subject: Subject, /) -> None:
        self._channels = subject.eye.channels
        # Middles of the sides of the eye box: corners are rare, and would make a scale that hides the rest.
        self._sides_mm = np.vstack([np.eye(3)[:2], -np.eye(3)[:2]]) * subject.eye.eye_box.half_mm
        self._ends: dict[tuple[object, ...], float] = {}
        self._has_scans = all(scan is not None for scan in subject.eye.scans.values())
        self._gauge = SeamGauge(subject)
        self._recent = RecentErrors()
        self._reading = SeamReading(np.nan, np.nan)
        self._read_at = self._shown_at = -np.inf
        self._kept: dict[str, tuple[tuple[object, ...], Any]] = {}
        self._numbers: tuple[tuple[object, ...], Page] | None = None
        self._message: tuple[str, float] | None = None

    def say(self, text: str, now_s: float, /, *, stays: bool = False) -> None:
        """Show a message for some seconds, or until the next one."""
        self._message = (text, np.inf if stays else now_s + MESSAGE_SECONDS)

    def quiet(self) -> None:
        """Take the message away."""
        self._message = None

    def error_end_arcmin(self, state: State, /) -> float:
        """Return the end of a scale of seam errors that fits pupils at the sides of the eye box, arcmin."""
        if state.view != "seam error":
            return state.error_end_arcmin
        key = (state.tracking, state.tracker)
        if key not in self._ends:
            largest = self._gauge.largest_arcmin(state.tracker, state.tracking, self._sides_mm)
            self._ends[key] = scale_end(largest if np.isfinite(largest) else 1.0)
        return self._ends[key]

    def readings(
        self, state: State, pupil_mm: FloatArray, tracked_mm: FloatArray, now_s: float, frame_ms: float, /
    ) -> list[tuple[str, str]]:
        """Return the numbers of now, a name and a value each."""
        self._read(state, pupil_mm, tracked_mm, now_s)
        return number_rows(state, pupil_mm, tracked_mm, self._reading, self._recent.p95_arcmin, frame_ms)

    def pages(
        self,
        state: State,
        pupil_mm: FloatArray,
        tracked_mm: FloatArray,
        now_s: float,
        frame_px: tuple[int, int],
        /,
        *,
        scale: float = 1.0,
        frame_ms: float = np.nan,
    ) -> dict[str, Page | None]:
        """Return pages by name, bottom first; None where there is none now."""
        self._read(state, pupil_mm, tracked_mm, now_s)
        if self._message is not None and now_s > self._message[1]:
            self._message = None
        covered = state.caution or state.help or state.asks
        where = (frame_px, scale)
        pages = dict(
            self._keep("labels", (state.wipe, *where), lambda: labels_pages(state, frame_px, scale=scale))
        )
        pages["legend"] = self._keep(
            "legend",
            (state.view, state.error_end_arcmin, *where),
            lambda: legend_page(state, self._channels, frame_px, scale=scale),
        )
        pages["numbers"] = None
        if state.numbers and not covered:
            pages["numbers"] = self._numbers_now(
                state, pupil_mm, tracked_mm, now_s, frame_px, scale, frame_ms
            )
        pages["slider"] = None
        if state.numbers and self._has_scans and not covered:
            rate = (*state.head_deg_per_s, state.late)
            pages["slider"] = self._keep(
                "slider", (*rate, *where), lambda: slider_page(state, frame_px, scale=scale)
            )
        pages["message"] = None
        if self._message is not None:
            text = self._message[0]
            pages["message"] = self._keep(
                "message", (text, *where), lambda: message_page(text, frame_px, scale=scale)
            )
        pages["help"] = (
            self._keep("help", where, lambda: help_page(frame_px, scale=scale)) if state.help else None
        )
        pages["ask"] = (
            self._keep("ask", where, lambda: ask_page(frame_px, scale=scale)) if state.asks else None
        )
        pages["caution"] = (
            self._keep("caution", where, lambda: caution_page(frame_px, scale=scale))
            if state.caution
            else None
        )
        return pages

    def _read(self, state: State, pupil: FloatArray, tracked: FloatArray, now: float) -> None:
        if self._gauge.has_seam and not 0.0 <= now - self._read_at < READ_SECONDS:
            self._reading = self._gauge.read(pupil, tracked, head=state.head, late=state.late)
            self._recent.add(now, self._reading.error_arcmin)
            self._read_at = now

    def _numbers_now(
        self,
        state: State,
        pupil: FloatArray,
        tracked: FloatArray,
        now: float,
        frame_px: tuple[int, int],
        scale: float,
        frame_ms: float,
    ) -> Page:
        s = state
        tracker = (s.tracking, s.tracker)
        shown = (s.motion, s.paused, s.scene, s.transmittance, s.ghost, s.zoom, s.light, s.head, s.late)
        key = (*tracker, *shown, s.corner, frame_px, scale)
        if (
            self._numbers is None
            or self._numbers[0] != key
            or not 0.0 <= now - self._shown_at < SHOWN_SECONDS
        ):
            rows = self.readings(state, pupil, tracked, now, frame_ms)
            self._numbers = (key, numbers_page(rows, frame_px, corner=state.corner, scale=scale))
            self._shown_at = now
        return self._numbers[1]

    def _keep(self, name: str, key: tuple[object, ...], make: Callable[[], Kind]) -> Kind:
        kept = self._kept.get(name)
        if kept is None or kept[0] != key:
            kept = (key, make())
            self._kept[name] = kept
        kind: Kind = kept[1]
        return kind
