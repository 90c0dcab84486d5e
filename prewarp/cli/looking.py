"""What `prewarp preview` and `prewarp film` share: the options that say what is looked at and how."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import click

from prewarp.budget import Tracker
from prewarp.checks import FloatArray
from prewarp.cli.arguments import FILE, PupilPosition
from prewarp.cli.displays import (
    BOTH,
    SIDES,
    extrapolate_option,
    feather_option,
    say_gaps,
    within_capture,
)
from prewarp.cli.settings import settings_options
from prewarp.cli.talk import Talk
from prewarp.cli.turning import require_turn, turning_options
from prewarp.field import FieldSet
from prewarp.module import DisplayModule
from prewarp.preview.eyedriver import EyeDriver
from prewarp.preview.motion import read_motion
from prewarp.preview.scenery import Scenery
from prewarp.preview.state import GHOSTS, MOTIONS, TEXT_SIZES, TRACKERS, VIEWS, ZOOMS, State
from prewarp.preview.subject import Subject, load_every_subject, load_subject
from prewarp.render.scenes import SCENES


@dataclass(frozen=True, eq=False)
class Look:
    """What is looked at, the first state, and what moves the eye."""

    subject: Subject
    state: State
    driver: EyeDriver

    @property
    def side(self) -> str:
        """Which eye, as files are named by it."""
        return self.subject.eye.side or "eye"


def looking_options(command: Callable[..., Any]) -> Any:
    """Give a command the options that say what is looked at and how."""
    options = (
        click.argument("path", metavar="MODULE_OR_FIT", type=FILE),
        click.option(
            "--module",
            "module_path",
            type=FILE,
            help="Module description (TOML), where a fit is given [default: the one beside it].",
        ),
        click.option(
            "--light",
            "light_path",
            type=FILE,
            help="Grid with luminance: panels look as bright as measured, matched by gains (key L: "
            "unmatched, uniform). Needs a module.",
        ),
        click.option(
            "--eye",
            type=click.Choice(SIDES),
            help="Which eye; both: every eye of the module, into a folder [default: the right one, if there "
            "is one].",
        ),
        feather_option,
        click.option(
            "--scene",
            default="grid",
            show_default=True,
            metavar="NAME|FILE",
            help=f"Content: {', '.join(SCENES)}, or a picture file.",
        ),
        click.option(
            "--view", type=click.Choice(VIEWS), default=VIEWS[0], show_default=True, help="What is shown."
        ),
        click.option(
            "--motion",
            metavar="NAME|FILE",
            help=f"How the pupil moves: {', '.join(MOTIONS)}, or a CSV file with time_s, eye_x_mm, eye_y_mm, "
            "eye_z_mm.",
        ),
        click.option(
            "--pupil",
            type=PupilPosition(),
            default="0,0,0",
            help="Pupil position while --motion is hand, mm.",
        ),
        click.option(
            "--tracker",
            type=click.Choice(TRACKERS),
            default="ideal",
            show_default=True,
            help="The eye tracker; noisy: as --accuracy, --noise, --depth-ratio, --latency and --rate say.",
        ),
        settings_options(Tracker, "tracker_settings"),
        click.option(
            "--wipe",
            type=click.FloatRange(0.02, 0.98),
            help="Draw the uncorrected view left of this fraction of the width, the corrected view right of "
            "it.",
        ),
        click.option(
            "--transmittance",
            type=click.FloatRange(0, 1),
            default=0.0,
            show_default=True,
            help="Transmittance of the display: the fraction of the light of the world behind it that comes "
            "through, 0 to 1.",
        ),
        click.option(
            "--ghost",
            type=click.Choice([name for name, _ in GHOSTS]),
            default=GHOSTS[0][0],
            show_default=True,
            help="Add a ghost image (secondary image), in percent of the luminance.",
        ),
        click.option(
            "--zoom",
            type=click.Choice([f"{z:g}" for z in ZOOMS]),
            default="1",
            show_default=True,
            help="Magnification about the seam.",
        ),
        turning_options,
        click.option(
            "--numbers/--no-numbers",
            default=True,
            show_default=True,
            help="Show figures: over the window, or below pictures and films.",
        ),
        click.option(
            "--text-size",
            type=click.Choice([f"{size:g}" for size in TEXT_SIZES]),
            default="1",
            show_default=True,
            help="Scale of the text.",
        ),
        extrapolate_option,
    )
    for option in reversed(options):
        command = option(command)
    return command


def looked_at(
    talk: Talk,
    path: Path,
    module_path: Path | None,
    eye: str | None,
    /,
    *,
    light_path: Path | None,
    feather_deg: float | None,
    scene: str,
    view: str,
    motion: str | None,
    pupil: FloatArray,
    tracker: str,
    wipe: float | None,
    transmittance: float,
    ghost: str,
    zoom: str,
    head_rate: tuple[float, float, float],
    drawn_for_ms: float,
    late: bool,
    numbers: bool,
    text_size: str,
    default_motion: str,
    tracker_settings: Tracker,
    extrapolate: bool,
    before: Callable[[FieldSet, DisplayModule | None, State], None] = lambda fields, module, state: None,
) -> tuple[list[Look], Scenery]:
    """Return what the options ask for: how each eye is looked at, and the scenery.

    Small files are read first, so that a wrong name is told before the long work begins; `before` is called
    in between, and may refuse it.
    """
    scenery = Scenery(scene)
    named = motion is None or motion in MOTIONS
    recorded = None if motion is None or named else read_motion(Path(motion))
    x, y, z = pupil.tolist()
    state = State(
        view=view,
        motion=(motion or default_motion) if named else "recorded",
        scene=scenery.first,
        hand_mm=(x, y, z),
        tracking=tracker,
        tracker=tracker_settings,
        wipe=wipe,
        transmittance=transmittance,
        ghost=[name for name, _ in GHOSTS].index(ghost),
        zoom=ZOOMS.index(float(zoom)),
        head_deg_per_s=head_rate,
        drawn_for_ms=drawn_for_ms,
        late=late,
        numbers=numbers,
        text_size=float(text_size),
    )
    if eye == BOTH:
        subjects = load_every_subject(
            path,
            module_path=module_path,
            light_path=light_path,
            feather_deg=feather_deg,
            progress=talk.note,
            before=lambda fields, module: before(fields, module, state),
        )
    else:
        one = load_subject(
            path,
            module_path=module_path,
            eye=eye,
            light_path=light_path,
            feather_deg=feather_deg,
            progress=talk.note,
            before=lambda fields, module: before(fields, module, state),
        )
        subjects = [one]
    looks = []
    for subject in subjects:
        seen = subject.eye
        require_turn(seen, state.head)
        # Without a module the eye box is what was captured; with one the pupil may go anywhere in it.
        places = [pupil] if seen.side is None else [pupil, *seen.eye_box.corners]
        within_capture(talk, seen.fields, seen.channels, places, extrapolate=extrapolate)
        say_gaps(talk, seen, pupil)
        driver = EyeDriver(seen.eye_box.half_mm, recorded=recorded)
        looks.append(Look(subject, replace(state, light=subject.lights[-1]), driver))
    return looks, scenery
