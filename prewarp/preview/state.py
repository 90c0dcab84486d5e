"""What is shown and how: one frozen value, and the changes that keys and mouse make to it."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np

from prewarp.budget import Tracker
from prewarp.checks import FloatArray
from prewarp.head import HeadTurn
from prewarp.render.live.outlook import Ghost

Kind = TypeVar("Kind")
VIEWS = ("perceived", "panels", "both", "seam error", "blend weight")
MOTIONS = ("hand", "circle", "fixations", "slip")
# Right and at once; late and with errors; the pupil is believed at the eye-box centre.
TRACKERS = ("ideal", "noisy", "off")
# Fraction of the world's light that comes through: nothing, darkened, half, open.
TRANSMITTANCES = (0.0, 0.05, 0.15, 0.4, 0.8)
GHOSTS = (
    ("off", Ghost()),
    ("shifted, 0.1 %", Ghost(0.001)),
    ("shifted, 1 %", Ghost(0.01)),
    ("scaled, 0.5 %", Ghost(0.005, shift_deg=(0.0, 0.0), scale=0.8)),
    ("flipped, 0.5 %", Ghost(0.005, shift_deg=(0.0, 0.0), flip_x=True)),
)
# Where the numbers stand, and how large text is.
CORNERS = ("top left", "top right", "bottom right", "bottom left")
TEXT_SIZES = (1.0, 1.25, 1.5, 2.0)
ZOOMS = (1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0)
STEP_MM, LARGE_STEP_MM = 0.25, 1.0
FRAME_SECONDS = 1.0 / 60.0
# The pupil may be taken this far past the eye box: what happens there is worth seeing.
BOX_SLACK = 1.25
# Ends of the slider of head rate; walking and running stay below 90 deg/s (`prewarp.published.HEAD_RATES`).
FASTEST_YAW_DEG_PER_S, YAW_STEP_DEG_PER_S = 200.0, 10.0


@dataclass(frozen=True)
class State:
    """Everything that a frame depends on besides the display itself.

    Parameters
    ----------
    view, motion, scene : str
        Of `VIEWS`, `MOTIONS` (or "recorded"), and a scene's name.
    hand_mm : (float, float, float)
        Where the hand put the pupil, mm.
    tracking : str
        Of `TRACKERS`: what the system is told.
    tracker : Tracker
        What is late and wrong about a "noisy" one.
    time_s : float
        Time of the motion, s.
    paused : bool
        The motion stands still.
    wipe : float or None
        Fraction of the width at which "before" ends and "after" begins; None shows after alone.
    transmittance : float
        Fraction of the world's light behind the display that is seen.
    ghost : int
        Of `GHOSTS`.
    zoom : int
        Of `ZOOMS`.
    light : str
        How bright panels look, of `LIGHTS` in `prewarp.render.live.mesh`; "even" where luminance is unknown.
    head_deg_per_s : (float, float, float)
        How the head turns while a frame is lit: yaw to the right, pitch up, roll to the right shoulder; the
        eye keeps still in the world.
    drawn_for_ms : float
        The time after the frame's start whose head pose the content is drawn for.
    late : bool
        Panels are drawn with late rotation.
    numbers, help : bool
        What is laid over the picture.
    corner : str
        Where the numbers stand, of `CORNERS`.
    text_size : float
        How large text is, of `TEXT_SIZES`.
    caution : bool
        The start screen is still shown.
    asks : bool
        Whether to close the window is asked.
    error_end_arcmin : float
        End of the scale of the view "seam error".
    """

    view: str = "perceived"
    motion: str = "hand"
    scene: str = "grid"
    hand_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    tracking: str = "ideal"
    tracker: Tracker = field(default_factory=Tracker)
    time_s: float = 0.0
    paused: bool = False
    wipe: float | None = None
    transmittance: float = 0.0
    ghost: int = 0
    zoom: int = 0
    light: str = "even"
    head_deg_per_s: tuple[float, float, float] = (0.0, 0.0, 0.0)
    drawn_for_ms: float = 0.0
    late: bool = True
    numbers: bool = True
    help: bool = False
    corner: str = CORNERS[0]
    text_size: float = TEXT_SIZES[0]
    caution: bool = False
    asks: bool = False
    error_end_arcmin: float = 2.0

    @property
    def head(self) -> HeadTurn:
        """How the head turns."""
        return HeadTurn.of_angles(*self.head_deg_per_s, drawn_for_ms=self.drawn_for_ms)

    def turned(self, yaw_deg_per_s: float, /) -> "State":
        """Return the state with the head turning to the right so fast, kept to what the slider spans."""
        yaw = float(np.clip(yaw_deg_per_s, -FASTEST_YAW_DEG_PER_S, FASTEST_YAW_DEG_PER_S))
        return replace(self, head_deg_per_s=(yaw, *self.head_deg_per_s[1:]))

    def later(self, seconds: float, /) -> "State":
        """Return the state after some time: the motion goes on unless it is paused."""
        return self if self.paused else replace(self, time_s=self.time_s + seconds)

    def stepped(self, frames: int, /) -> "State":
        """Return the state paused and moved by single frames."""
        return replace(self, paused=True, time_s=max(self.time_s + frames * FRAME_SECONDS, 0.0))

    def moved(self, step_mm: Sequence[float], half_mm: FloatArray, /) -> "State":
        """Return the state with the pupil moved by hand, kept near the eye box."""
        limit = BOX_SLACK * np.maximum(half_mm, 0.5)
        hand = np.clip(np.add(self.hand_mm, step_mm), -limit, limit)
        return replace(self, motion="hand", hand_mm=tuple(hand.tolist()))

    def wiped(self, share: float, /) -> "State":
        """Return the state with the wipe's line at a fraction of the width."""
        return replace(self, wipe=float(np.clip(share, 0.02, 0.98)))


def following(value: Kind, values: Sequence[Kind], step: int = 1, /) -> Kind:
    """Return the value a step (1, -1) after one in a list that goes round; the first if it is not there."""
    place = values.index(value) + step if value in values else 0
    return values[place % len(values)]
