"""In which order photographs are taken: all channels and colours of a pose before the stage moves.

At each pose and channel the whole frame comes first, in the middle and last, colours and exposures mirrored
about the middle, so that what drifts evenly shows and falls out of the mean.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from prewarp.capture.codes import FRAMES
from prewarp.capture.plan import Photograph, Plan
from prewarp.capture.positions import DEPTH_MM, TURN_DEG, Pose, plan_poses
from prewarp.errors import CaptureError
from prewarp.grids.table import REFERENCE_COLOURS
from prewarp.module import DisplayModule
from prewarp.records import Choice, Flag, Name, Number, Numbers, checked, validate

CODED, ONE_FRAME = "coded", "one-frame"
ONCE, EVERY = "once", "every"
RAMP_STEPS = 17
SINE_PHASES = 8
# Two periods along each axis of the panel.
SINE_STEPS = 4 * SINE_PHASES
FIRST, MIDDLE, LAST = 0, 1, 2
MOST_PHOTOGRAPHS = 200_000
_MILLISECONDS = 1000.0


@dataclass(frozen=True)
class CaptureSettings:
    """What a capture is to hold.

    `positions`: pupil positions of each eye. `marks`: "coded" (whole and code frames) or "one-frame".
    `codes`: "once" (in the reference colour, at the shortest exposure) or "every" (colour and exposure).
    `light`: flats at straight poses and a ramp at the middle one. `exposures`: in panel frames. `colours_at`:
    positions with every colour, the others have the reference colour alone; 0: all. `dark`: dark frames of
    each exposure before and as many after. `cameras`: one, or one for each eye.

    Raises
    ------
    CaptureError
        A value is not what its field accepts.
    """

    positions: int = checked(Number(1, 1600, whole=True), default=25)
    marks: str = checked(Choice((CODED, ONE_FRAME)), default=CODED)
    codes: str = checked(Choice((ONCE, EVERY)), default=ONCE)
    sines: bool = checked(Flag(), default=False)
    light: bool = checked(Flag(), default=True)
    exposures: tuple[int, ...] = checked(
        Numbers(Number(1, 100_000, "panel frames", whole=True), 1, 8, increasing=True), default=(4, 28)
    )
    refresh_hz: float = checked(Number(1.0, 1000.0, "Hz"), default=60.0)
    colours_at: int = checked(Number(0, 1600, whole=True), default=0)
    dark: int = checked(Number(0, 100, whole=True), default=2)
    depth_mm: tuple[float, float] = checked(Numbers(Number(0.0, 50.0, "mm"), 2, 2), default=DEPTH_MM)
    turn_deg: float = checked(Number(0.0, 45.0, "degrees"), default=TURN_DEG)
    cameras: tuple[str, ...] = ("camera",)

    def __post_init__(self) -> None:
        validate(self, CaptureError)
        for name in self.cameras:
            if Name().accept(name)[1]:
                raise CaptureError(f"camera is {name!r}; expected {Name().expected}.", key="cameras")

    def camera_of(self, eye: str, eyes: Sequence[str], /) -> str:
        """Return the camera that looks into an eye's channels."""
        if len(self.cameras) not in (1, len(eyes)):
            raise CaptureError(
                f"{len(self.cameras)} cameras for {len(eyes)} eyes; expected one, or one for each eye, left "
                "first."
            )
        return self.cameras[0] if len(self.cameras) == 1 else self.cameras[list(eyes).index(eye)]


@dataclass(frozen=True)
class Picture:
    """One picture for one channel's panel, in one colour."""

    channel: str
    colour: str
    kind: str
    step: int

    @property
    def path(self) -> str:
        """Its place in the folder."""
        return f"pictures/{self.channel}/{self.colour}_{self.kind}{self.step:02d}.png"


@dataclass(frozen=True)
class Shown:
    """One photograph of a pose: what it shows, how long, and its step in the plan."""

    picture: Picture | None
    frames: int
    step: int


def reference_colour(colours: Sequence[str], /) -> str:
    """Return the colour that others are told by: green where there is one, else the middle one."""
    return next((name for name in REFERENCE_COLOURS if name in colours), colours[len(colours) // 2])


def poses_of_eyes(module: DisplayModule, settings: CaptureSettings, /) -> dict[str, tuple[Pose, ...]]:
    """Return the poses of each eye of a module, from the centre of its own eye box; names differ."""
    poses = plan_poses(
        module.eye_box.half_mm, settings.positions, depth_mm=settings.depth_mm, turn_deg=settings.turn_deg
    )
    if len(module.eyes) == 1:
        return {module.eyes[0]: poses}
    return {
        eye: tuple(Pose(f"{eye}-{pose.name}", pose.pupil_mm, pose.turn_deg) for pose in poses)
        for eye in module.eyes
    }


def scheduled(
    module: DisplayModule,
    settings: CaptureSettings,
    /,
    *,
    seams: Sequence[tuple[str, str]] = (),
) -> tuple[Plan, tuple[Picture, ...]]:
    """Return the plan of a capture, and each picture that it shows once.

    Parameters
    ----------
    module : DisplayModule
    settings : CaptureSettings
    seams : sequence of (str, str)
        Pairs of channels that have seam targets.

    Raises
    ------
    CaptureError
        More photographs than a plan may hold, or cameras that do not go with the eyes.
    """
    poses = poses_of_eyes(module, settings)
    shots: list[tuple[Pose, str, Shown]] = []
    for eye, own in poses.items():
        camera = settings.camera_of(eye, module.eyes)
        with_colours = places_with_colours(own, settings.colours_at)
        shots += [(own[0], camera, one) for one in _dark(settings, first=True)]
        for pose in own:
            shots += [(pose, camera, one) for one in _pose(module, eye, with_colours, pose, settings, seams)]
        shots += [(own[-1], camera, one) for one in _dark(settings, first=False)]
    if len(shots) > MOST_PHOTOGRAPHS:
        raise CaptureError(
            f"{len(shots)} photographs; at most {MOST_PHOTOGRAPHS} are planned. Take fewer positions, "
            "exposures or colours (--positions, --exposures, --colors-at)."
        )
    photographs = [
        _photograph(order, pose, camera, one, settings.refresh_hz)
        for order, (pose, camera, one) in enumerate(shots)
    ]
    pictures = dict.fromkeys(one.picture for _, _, one in shots if one.picture is not None)
    return Plan(tuple(photographs)), tuple(pictures)


def _photograph(order: int, pose: Pose, camera: str, shown: Shown, refresh_hz: float) -> Photograph:
    picture = shown.picture
    x, y, z = pose.pupil_mm
    yaw, pitch, roll = pose.turn_deg
    name = "dark" if picture is None else f"{picture.channel}_{picture.colour}_{picture.kind}{shown.step:02d}"
    return Photograph(
        order=order,
        pose=pose.name,
        camera=camera,
        channel="" if picture is None else picture.channel,
        colour="" if picture is None else picture.colour,
        kind="dark" if picture is None else picture.kind,
        step=shown.step,
        picture="" if picture is None else picture.path,
        eye_x_mm=x,
        eye_y_mm=y,
        eye_z_mm=z,
        yaw_deg=yaw,
        pitch_deg=pitch,
        roll_deg=roll,
        panel_frames=float(shown.frames),
        exposure_ms=round(shown.frames * _MILLISECONDS / refresh_hz, 6),
        file=f"{pose.name}/{order:06d}_{name}.png",
    )


def _dark(settings: CaptureSettings, *, first: bool) -> list[Shown]:
    start = 0 if first else settings.dark
    return [
        Shown(None, frames, start + number)
        for frames in settings.exposures
        for number in range(settings.dark)
    ]


def _pose(
    module: DisplayModule,
    eye: str,
    with_colours: Sequence[str],
    pose: Pose,
    settings: CaptureSettings,
    seams: Sequence[tuple[str, str]],
) -> Iterator[Shown]:
    """Yield the photographs of one pose, channel by channel; of turned ones dots in the reference colour.

    `with_colours`: names of the poses that have every colour, the middle one first.
    """
    reference = reference_colour(module.colour_names)
    colours = module.colour_names if pose.name in with_colours else (reference,)
    is_middle = pose.name == with_colours[0]
    for channel in module.channels_of(eye):
        yield from _dots(
            channel.name, colours, reference, settings, with_extras=not pose.is_turned, is_middle=is_middle
        )
    for step, pair in enumerate(seams):
        if not pose.is_turned and module.channel(pair[0]).eye == eye:
            for name in pair:
                yield Shown(Picture(name, reference, "seam", step), settings.exposures[0], step)


def _dots(
    channel: str,
    colours: Sequence[str],
    reference: str,
    settings: CaptureSettings,
    *,
    with_extras: bool,
    is_middle: bool,
) -> Iterator[Shown]:
    """Yield the photographs of one channel at one pose."""
    shortest = settings.exposures[0]
    sets = [(colour, frames) for colour in colours for frames in settings.exposures]
    extras = list(_extras(channel, colours, reference, settings, is_middle)) if with_extras else []
    if settings.marks == ONE_FRAME:
        yield from (Shown(Picture(channel, colour, "one", 0), frames, 0) for colour, frames in sets)
        yield from extras
        return
    coded = sets if settings.codes == EVERY else [(reference, shortest)]

    def whole(colour: str, frames: int, step: int) -> Shown:
        return Shown(Picture(channel, colour, "whole", 0), frames, step)

    def frames_of(steps: range) -> Iterator[Shown]:
        for colour, frames in coded:
            yield from (Shown(Picture(channel, colour, "code", step), frames, step) for step in steps)

    yield from (whole(colour, frames, FIRST) for colour, frames in sets)
    yield from frames_of(range(FRAMES // 2))
    yield from (whole(colour, frames, MIDDLE) for colour, frames in coded)
    yield from frames_of(range(FRAMES // 2, FRAMES))
    yield from (whole(colour, frames, LAST) for colour, frames in reversed(sets))
    yield from extras


def _extras(
    channel: str, colours: Sequence[str], reference: str, settings: CaptureSettings, is_middle: bool
) -> Iterator[Shown]:
    """Yield even light, a ramp from the middle position, and sines where asked for."""
    shortest = settings.exposures[0]
    if settings.sines:
        for step in range(SINE_STEPS):
            yield Shown(Picture(channel, reference, "sine", step), shortest, step)
    for colour in colours if settings.light else ():
        for frames in settings.exposures if is_middle else (shortest,):
            yield Shown(Picture(channel, colour, "flat", 0), frames, 0)
        if is_middle:
            for step in range(RAMP_STEPS):
                yield Shown(Picture(channel, colour, "ramp", step), shortest, step)


def places_with_colours(poses: Sequence[Pose], count: int, /) -> tuple[str, ...]:
    """Return the names of `count` poses, the middle one first, then each time the furthest from those taken.

    All poses that are not turned where `count` is 0, the middle one first.
    """
    straight = [pose for pose in poses if not pose.is_turned]
    place = np.array([pose.pupil_mm[:2] for pose in straight])
    middle = int(np.argmin(np.linalg.norm(place, axis=1)))
    if count == 0 or count >= len(straight):
        return (straight[middle].name, *(pose.name for pose in straight if pose is not straight[middle]))
    taken = [middle]
    distance = np.linalg.norm(place - place[middle], axis=1)
    while len(taken) < count:
        distance[taken] = -1.0
        taken.append(int(np.argmax(distance)))
        distance = np.minimum(distance, np.linalg.norm(place - place[taken[-1]], axis=1))
    return tuple(straight[index].name for index in taken)
