"""Captures by a wrong stage, made by exact traces; and what a fit of one is worth beside the trace.

The truth is the trace of a design, never a fit. A shot stands `offset` mm beside its label and its camera is
turned by the rotation vector `turn` (radians), so it says R^T s for what it sees at s.
"""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.spatial.transform import Rotation

from calib.make_grids import demo
from prewarp.frames import unit_from_tangent
from prewarp.grids import Grid, grid_from_samples
from prewarp.module import Panel, Reach
from prewarp.trace import Design, reach_lattice, trace_channel
from tests.trace.erfle import erfle

ARCMIN = np.pi / 180.0 / 60.0
SIGMA_MM, SIGMA_RAD, NOISE_PX = 0.1, ARCMIN, 0.05
HALF_X_MM, HALF_Y_MM = 4.0, 3.0
EYEPIECE = "eyepiece"


def pupil_lattice(depth_mm: float, across: int = 5) -> np.ndarray:
    """Return labels (across^2, 3) mm over the eye box; depth alternates like the fields of a chessboard."""
    i, j = (axis.ravel() for axis in np.indices((across, across)))
    x, y = (half * (2.0 * k / (across - 1) - 1.0) for half, k in ((HALF_X_MM, i), (HALF_Y_MM, j)))
    return np.stack([x, y, depth_mm * (1.0 - 2.0 * ((i + j) % 2))], axis=-1)


@dataclass(frozen=True)
class Errors:
    """What a stage did: `offset_mm` (k, 3), `turn_rad` (k, 3)."""

    offset_mm: np.ndarray
    turn_rad: np.ndarray


def stage_errors(count: int, random: np.random.Generator, *, size: float = 1.0) -> Errors:
    """Return normal errors of 0.1 mm and 1 arcmin per axis, times `size`."""
    return Errors(
        size * SIGMA_MM * random.standard_normal((count, 3)),
        size * SIGMA_RAD * random.standard_normal((count, 3)),
    )


def seen_by_turned(tangent: np.ndarray, turn_rad: np.ndarray) -> np.ndarray:
    """Return s = R m (k, n, 2) for directions m (n, 2) of cameras turned by (k, 3)."""
    unit = np.einsum("kij,nj->kni", Rotation.from_rotvec(turn_rad).as_matrix(), unit_from_tangent(tangent))
    return unit[..., :2] / unit[..., 2:]


@cache
def design(name: str):
    """Return (module, design) of a demo, or of a pair of Erfle eyepieces (US patent 1,479,229)."""
    return eyepiece_pair() if name == EYEPIECE else demo(name)


def eyepiece_pair():
    """Return (module, design): eyepieces turned by 20 degrees to either side, one up and one down by 4."""
    module, _ = demo("coaxial")
    panel = Panel(width_px=2560, height_px=2560, pitch_um=25.0, encoding="srgb", bit_depth=8)
    channels, optics = [], []
    for channel, side in zip(module.channels, (-1.0, 1.0), strict=True):
        x, y = (sorted((side * 20.0 - 24.0, side * 20.0 + 24.0)), (side * 4.0 - 24.0, side * 4.0 + 24.0))
        channels.append(replace(channel, panel=panel, reach=Reach(dir_x_deg=tuple(x), dir_y_deg=y)))
        optics.append(replace(erfle(), name=channel.name, turn_deg=(-side * 4.0, side * 20.0, 0.0)))
    return replace(module, channels=tuple(channels)), Design("pair of Erfle eyepieces", tuple(optics))


def capture(
    errors: Errors,
    labels: np.ndarray,
    random: np.random.Generator,
    *,
    name: str = "coaxial",
    dots: int = 17,
    channels: tuple[str, ...] = ("inner", "outer"),
    colours: tuple[str, ...] = ("G",),
    noise_px: float = NOISE_PX,
) -> Grid:
    """Return the grid that a wrong stage gives: labels as pupils, directions as the turned camera says."""
    module, optics = design(name)
    parts = []
    for channel in (one for one in module.channels if one.name in channels):
        # A little more than the nominal reach, up to where the panel ends.
        said = reach_lattice(channel, (dots, dots), margin_deg=(0.4, 0.4))
        true = seen_by_turned(said, errors.turn_rad)
        for colour in (one for one in module.colours if one.name in colours):
            found = trace_channel(
                optics.channel(channel.name),
                channel.panel,
                true,
                pupil_mm=(labels + errors.offset_mm)[:, None],
                wavelength_nm=colour.wavelength_nm,
            )
            kept = found.valid
            shot = np.broadcast_to(np.arange(len(labels))[:, None], kept.shape)[kept]
            parts.append(
                {
                    "channel": np.full(len(shot), channel.name),
                    "colour": np.full(len(shot), colour.name),
                    "pupil_mm": labels[shot],
                    "tangent": np.broadcast_to(said, (*kept.shape, 2))[kept],
                    "pixel": found.pixel[kept] + noise_px * random.standard_normal((len(shot), 2)),
                }
            )
    return grid_from_samples(**{key: np.concatenate([part[key] for part in parts]) for key in parts[0]})


@dataclass(frozen=True)
class HeldOut:
    """Exact rays at pupils that no shot had: for each pair panel points, directions, pupils (k, n, .)."""

    pixel: dict
    tangent: dict
    pupil_mm: np.ndarray


def held_out(
    *, name="coaxial", channels=("inner", "outer"), colours=("G",), dots=15, pupils=12, depth_mm=2.0
) -> HeldOut:
    """Return exact rays from random pupils of the eye box."""
    module, optics = design(name)
    random = np.random.default_rng(77)
    pupil = random.uniform(-1.0, 1.0, (pupils, 3)) * [HALF_X_MM, HALF_Y_MM, depth_mm]
    pixel, tangent = {}, {}
    for channel in (one for one in module.channels if one.name in channels):
        said = reach_lattice(channel, (dots, dots))
        for colour in (one for one in module.colours if one.name in colours):
            found = trace_channel(
                optics.channel(channel.name),
                channel.panel,
                said,
                pupil_mm=pupil[:, None],
                wavelength_nm=colour.wavelength_nm,
            )
            key = channel.name, colour.name
            pixel[key], tangent[key] = found.pixel, np.broadcast_to(said, found.pixel.shape)
    return HeldOut(pixel, tangent, pupil)


def _cosine(tangent):
    return unit_from_tangent(tangent)[..., :2]


def errors_px(fields, truth: HeldOut, *, remove: str = "") -> float:
    """Return the RMS length of the error of all fields at held-out rays, px.

    `remove`: "" nothing; "similarity" the shift, turn and scale (7 numbers for all channels and colours
    together) that agree best; "wavefront" besides those one turn per pupil position.
    """
    rest, columns = [], []
    for key, pixel in truth.pixel.items():
        field = fields.field(*key)
        good = np.isfinite(pixel).all(axis=-1)
        pupil = np.broadcast_to(truth.pupil_mm[:, None], (*good.shape, 3))[good]
        place = np.broadcast_to(np.arange(len(good))[:, None], good.shape)[good]
        point, true = pixel[good], truth.tangent[key][good]
        found = field.forward(point, pupil_mm=pupil)
        to_px = np.linalg.inv(field.jacobian(point, pupil_mm=pupil))
        rest.append(np.einsum("nij,nj->ni", to_px, found - true))
        by_pupil = [
            (field.forward(point, pupil_mm=pupil + step) - field.forward(point, pupil_mm=pupil - step)) / 0.02
            for step in 0.01 * np.eye(3)
        ]
        by_turn = []
        for step in 1e-5 * np.eye(3):
            turned = np.einsum("ij,nj->ni", Rotation.from_rotvec(step).as_matrix(), unit_from_tangent(found))
            by_turn.append((turned[:, :2] / turned[:, 2:] - found) / 1e-5)
        own = list(by_pupil)
        for axis in range(3):
            moved = np.cross(np.eye(3)[axis], pupil)
            own.append(by_turn[axis] - sum(b * moved[:, [i]] for i, b in enumerate(by_pupil)))
        own.append(sum(b * pupil[:, [i]] for i, b in enumerate(by_pupil)))
        if remove == "wavefront":
            for k in range(len(good)):
                own += [turn * (place == k)[:, None] for turn in by_turn]
        columns.append(np.einsum("nij,cnj->nic", to_px, np.stack(own)))
    flat = np.concatenate([one.ravel() for one in rest])
    if remove:
        matrix = np.concatenate([one.reshape(-1, one.shape[-1]) for one in columns])
        matrix = matrix / np.maximum(np.linalg.norm(matrix, axis=0), 1e-300)
        flat = flat - matrix @ np.linalg.lstsq(matrix, flat, rcond=1e-9)[0]
    return float(np.sqrt(2.0 * np.mean(flat**2)))
