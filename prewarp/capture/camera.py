"""The camera on the bench: where it sees a direction, how wide its pupil is, what its files' codes mean.

Read from a TOML file::

    width_px = 4096
    height_px = 3000
    focal_px = [5210.3, 5210.1]      # x, y
    centre_px = [2051.2, 1498.7]     # first pixel's centre is (0.5, 0.5)
    distortion = [-0.102, 0.031, 0.0002, -0.0001, 0.0]   # k1, k2, p1, p2, k3 ...: OpenCV's documented model
    aperture_mm = 3.0                # diameter of the entrance pupil; optional, 0: a point
    entrance_mm = 0.12               # entrance pupil ahead of the place that a plan names; optional
    walk_mm = 0.3                    # further ahead by this times (tangent of the field angle)^2; optional
    focus_dioptres = 0.5             # what it is focused on, 1 / m; optional
    black = 64.0                     # code without light; optional
    full_scale = 4095.0              # highest code; optional
    falloff = "cos4"                 # light to the corners: of an ideal lens, or coefficients; optional
    shift_bits = 4                   # codes are the file's values / 2^4 (12 bits high up in 16); optional
    [sigma]                          # optional: standard uncertainties, by the same keys
    focal_px = [0.4, 0.4]

Several cameras stand in one file as tables `[camera.NAME]`, `[camera.NAME.sigma]`.

Frame: a camera that is not turned looks along +z of the wearer's frame, x right, y up; in the photograph x
runs right and y down. Pixels are counted as on panels: the first pixel's centre is (0.5, 0.5), where OpenCV
has 0.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from prewarp.capture.distortion import COUNTS, MOST, distorted, point_slopes, single_valued, undistorted
from prewarp.capture.falloff import Falloff, ideal_share, measured_share
from prewarp.checks import BoolArray, FloatArray, as_tangent, as_vectors, nearest_name
from prewarp.errors import CaptureError
from prewarp.files import write_text
from prewarp.records import Number, Numbers, Table, checked, read_toml, validate

MAX_CAMERAS = 16
_SIZE = Number(16, 32768, "px", whole=True)
_SIGMA = Number(0.0, 1e9)
_LEAST_LIGHT, _ALONG_EDGE = 0.01, 9
_FLIP = np.array([1.0, -1.0])


@dataclass(frozen=True)
class CameraSigma:
    """Standard uncertainties of a `Camera`, by the same names and in the same units; None: not known."""

    focal_px: tuple[float, float] | None = checked(Numbers(_SIGMA, 2, 2), default=None)
    centre_px: tuple[float, float] | None = checked(Numbers(_SIGMA, 2, 2), default=None)
    distortion: tuple[float, ...] | None = checked(Numbers(_SIGMA, 0, MOST), default=None)
    aperture_mm: float | None = checked(_SIGMA, default=None)
    entrance_mm: float | None = checked(_SIGMA, default=None)
    walk_mm: float | None = checked(_SIGMA, default=None)
    focus_dioptres: float | None = checked(_SIGMA, default=None)
    black: float | None = checked(_SIGMA, default=None)
    full_scale: float | None = checked(_SIGMA, default=None)

    def __post_init__(self) -> None:
        validate(self, CaptureError)


@dataclass(frozen=True)
class Camera:
    """A camera; entries as in the module docstring, None where not known.

    Raises
    ------
    CaptureError
        An entry is out of range, `distortion` has another number of entries than the model has at a stage, or
        `full_scale` is not above `black`.
    """

    width_px: int = checked(_SIZE)
    height_px: int = checked(_SIZE)
    focal_px: tuple[float, float] = checked(Numbers(Number(1.0, 1e7, "px"), 2, 2))
    centre_px: tuple[float, float] = checked(Numbers(Number(-1e6, 1e6, "px"), 2, 2))
    distortion: tuple[float, ...] = checked(Numbers(Number(-1e4, 1e4), 0, MOST), default=())
    aperture_mm: float | None = checked(Number(0.0, 100.0, "mm"), default=None)
    entrance_mm: float | None = checked(Number(-1000.0, 1000.0, "mm"), default=None)
    walk_mm: float | None = checked(Number(-1000.0, 1000.0, "mm"), default=None)
    focus_dioptres: float | None = checked(Number(-20.0, 20.0, "dioptres"), default=None)
    black: float = checked(Number(0.0, 65534.0), default=0.0)
    full_scale: float = checked(Number(1.0, 65535.0), default=65535.0)
    shift_bits: int = checked(Number(0, 8, "bit", whole=True), default=0)
    falloff: str | tuple[float, ...] | None = checked(Falloff(), default=None)
    sigma: CameraSigma = CameraSigma()

    def __post_init__(self) -> None:
        validate(self, CaptureError)
        if len(self.distortion) not in COUNTS:
            raise CaptureError(
                f"distortion has {len(self.distortion)} entries; expected "
                f"{', '.join(map(str, COUNTS))}: k1, k2, p1, p2, k3 ... Write 0 for those left out.",
                key="distortion",
            )
        given = self.sigma.distortion
        if given is not None and len(given) != len(self.distortion):
            raise CaptureError(
                f"sigma.distortion has {len(given)} entries; expected {len(self.distortion)}, as distortion "
                "has.",
                key="sigma.distortion",
            )
        if not self.full_scale > self.black:
            raise CaptureError(
                f"full_scale is {self.full_scale:g}; expected more than black, {self.black:g}.",
                key="full_scale",
            )
        if isinstance(self.falloff, tuple):
            self._require_light()

    def _require_light(self) -> None:
        """Refuse coefficients of `falloff` that leave no light somewhere on the sensor."""
        edge = np.linspace(0.0, 1.0, _ALONG_EDGE)
        rim = np.concatenate([np.stack([edge, np.full(_ALONG_EDGE, side)], axis=-1) for side in (0.0, 1.0)])
        pixel = np.concatenate([rim, rim[:, ::-1]]) * np.array(self.size_px)
        reach = self.tangent(pixel)
        share = self.light_share(reach[np.isfinite(reach).all(axis=-1)])
        assert share is not None
        if len(share) and not share.min() >= _LEAST_LIGHT:
            raise CaptureError(
                f"falloff gives {share.min():.3g} of the light at the sensor's rim; expected "
                f"{_LEAST_LIGHT:g} or more. It is 1 + a1 r^2 + a2 r^4 + ..., r the tangent of the field "
                "angle.",
                key="falloff",
            )

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height, px."""
        return self.width_px, self.height_px

    def pixel(self, tangent: ArrayLike, /) -> FloatArray:
        """Return where the camera sees directions.

        Parameters
        ----------
        tangent : (..., 2) array
            X/Z (right), Y/Z (up) in the camera's own frame.

        Returns
        -------
        (..., 2) float array
            Pixels, on the sensor or not; NaN where the distortion has folded.

        Raises
        ------
        ShapeError
            The last axis is not 2.
        """
        point = as_tangent(tangent) * _FLIP
        with np.errstate(invalid="ignore", over="ignore"):
            found = distorted(point, self.distortion) * self.focal_px + self.centre_px
            result: FloatArray = np.where(single_valued(point, self.distortion)[..., None], found, np.nan)
        return result

    def tangent(self, pixel: ArrayLike, /) -> FloatArray:
        """Return the directions that pixels (..., 2) see, (..., 2); inverse of `pixel`, to 1e-9 px.

        NaN for pixels that no direction reaches before the distortion folds.
        """
        pixel = as_vectors(pixel, "pixel", size=2, meaning="x, y in px of the photograph")
        found: FloatArray = undistorted((pixel - self.centre_px) / self.focal_px, self.distortion) * _FLIP
        return found

    def pixel_slopes(self, tangent: ArrayLike, /) -> FloatArray:
        """Return d(x, y)/d(tx, ty), (..., 2, 2), px; rows x, y."""
        point = as_tangent(tangent) * _FLIP
        slopes: FloatArray = point_slopes(point, self.distortion) * np.array(self.focal_px)[:, None] * _FLIP
        return slopes

    def inside(self, pixel: ArrayLike, /) -> BoolArray:
        """Return which pixels (..., 2) lie on the sensor, (...)."""
        pixel = as_vectors(pixel, "pixel", size=2, meaning="x, y in px of the photograph")
        found: BoolArray = np.all((pixel >= 0.0) & (pixel <= np.array(self.size_px)), axis=-1)
        return found

    def entrance_from_tangent(self, tangent: ArrayLike, /) -> FloatArray:
        """Return how far ahead along the camera's axis the entrance pupil lies for directions, mm, (...).

        `entrance_mm` + `walk_mm` |t|^2; what is not known counts as 0.
        """
        tangent = as_tangent(tangent)
        squared = np.sum(tangent * tangent, axis=-1)
        ahead: FloatArray = (self.entrance_mm or 0.0) + (self.walk_mm or 0.0) * squared
        return ahead

    def light_share(self, tangent: ArrayLike, /) -> FloatArray | None:
        """Return the light (...) that the lens gives directions (..., 2) by that on its axis, if known.

        See `falloff`: of an ideal lens, or by measured coefficients.
        """
        tangent = as_tangent(tangent)
        if self.falloff is None:
            return None
        if isinstance(self.falloff, tuple):
            return measured_share(tangent, self.falloff)
        stretch = np.abs(np.linalg.det(point_slopes(tangent * _FLIP, self.distortion)))
        return ideal_share(tangent, stretch)

    def light_from_values(self, values: ArrayLike, /) -> FloatArray:
        """Return light of the values of a file: 0 at `black`, 1 at `full_scale`; below black is negative."""
        codes = np.asarray(values, dtype=np.float64) / (1 << self.shift_bits)
        light: FloatArray = (codes - self.black) / (self.full_scale - self.black)
        return light


def pose_rotation(yaw_deg: ArrayLike, pitch_deg: ArrayLike, roll_deg: ArrayLike, /) -> FloatArray:
    """Return the matrices (..., 3, 3) that turn vectors of the camera's frame into the wearer's.

    Yaw turns the camera to the right about the wearer's vertical, then pitch turns it up about its own x,
    then roll counter-clockwise, as the wearer sees it, about its own axis. Angles in degrees broadcast.
    """
    angles = np.broadcast_arrays(*(np.radians(one) for one in (yaw_deg, pitch_deg, roll_deg)))
    (cy, cp, cr), (sy, sp, sr) = (np.stack(angles), np.stack(angles))
    cy, cp, cr, sy, sp, sr = np.cos(cy), np.cos(cp), np.cos(cr), np.sin(sy), np.sin(sp), np.sin(sr)
    one, zero = np.ones_like(cy), np.zeros_like(cy)

    def matrix(*entries: FloatArray) -> FloatArray:
        return np.stack(entries, axis=-1).reshape(*cy.shape, 3, 3)

    yaw = matrix(cy, zero, sy, zero, one, zero, -sy, zero, cy)
    pitch = matrix(one, zero, zero, zero, cp, sp, zero, -sp, cp)
    roll = matrix(cr, -sr, zero, sr, cr, zero, zero, zero, one)
    turned: FloatArray = yaw @ pitch @ roll
    return turned


def turned_by(tangent: FloatArray, rotation: FloatArray, /) -> FloatArray:
    """Return directions (..., 2) turned by matrices (..., 3, 3); NaN where they no longer look forward.

    By `pose_rotation` from the camera's frame to the wearer's, by its transpose back.
    """
    vector = np.concatenate([tangent, np.ones((*tangent.shape[:-1], 1))], axis=-1)
    vector = np.einsum("...ij,...j->...i", rotation, vector)
    forward = np.where(vector[..., 2:] > 0.0, vector[..., 2:], np.nan)
    result: FloatArray = vector[..., :2] / forward
    return result


def read_cameras(path: Path | str, /) -> dict[str, Camera]:
    """Read a camera file, TOML or (by its suffix) JSON of the same keys: cameras by name; one that stands
    alone has the name "" and serves for any.

    Raises
    ------
    InputFileError
        The file is missing, larger than 1 MiB or not UTF-8.
    CaptureError
        Its content is wrong; the message names file, full key and what is accepted.
    """
    top = read_toml(Path(path), what="a camera (TOML or JSON)", error=CaptureError, or_json=True)
    if "camera" not in top.values:
        return {"": _camera(top)}
    tables = top.named_tables("camera", most=MAX_CAMERAS)
    top.refuse_unknown([])
    return {table.checked_name(name): _camera(table) for name, table in tables.items()}


def read_camera(path: Path | str, /) -> Camera:
    """Read a camera file that holds one camera; raises as `read_cameras`."""
    cameras = read_cameras(path)
    if len(cameras) > 1:
        raise CaptureError(
            f"{path}: holds {len(cameras)} cameras, {', '.join(cameras)}; expected one.", path=str(path)
        )
    return next(iter(cameras.values()))


def camera_named(cameras: Mapping[str, Camera], name: str, /) -> Camera:
    """Return the camera that a plan calls `name`; `CaptureError` with the nearest name if there is none."""
    if name in cameras:
        return cameras[name]
    if "" in cameras:
        return cameras[""]
    raise CaptureError(
        f"camera '{name}' is not in the camera file; it has {', '.join(cameras)}."
        f"{nearest_name(name, cameras)} Add a table [camera.{name}].",
        camera=name,
    )


def write_camera(path: Path | str, camera: Camera, /) -> None:
    """Write one camera; what is not known is left out."""
    write_text(Path(path), camera_text(camera))


def write_cameras(path: Path | str, cameras: Mapping[str, Camera], /) -> None:
    """Write several cameras by name; one called "" stands alone."""
    if set(cameras) == {""}:
        write_camera(path, cameras[""])
    else:
        write_text(Path(path), "\n".join(camera_text(one, f"camera.{name}") for name, one in cameras.items()))


def camera_text(camera: Camera, key: str = "", /) -> str:
    """Return a camera as TOML, in a table `key` where one is given."""
    lines = [f"[{key}]"] if key else []
    lines += _entries(camera)
    uncertain = _entries(camera.sigma)
    if uncertain:
        lines += [f"[{key}.sigma]" if key else "[sigma]", *uncertain]
    return "\n".join(lines) + "\n"


def _entries(record: Camera | CameraSigma) -> list[str]:
    lines = []
    for field in fields(record):
        value = getattr(record, field.name)
        if value is None or isinstance(value, CameraSigma):
            continue
        text = f"[{', '.join(map(repr, value))}]" if isinstance(value, tuple) else _scalar(value)
        lines.append(f"{field.name} = {text}")
    return lines


def _scalar(value: float | str) -> str:
    return f'"{value}"' if isinstance(value, str) else repr(value)


def _camera(table: Table) -> Camera:
    sigma = table.table("sigma").read(CameraSigma) if "sigma" in table.values else CameraSigma()
    return table.read(Camera, sigma=sigma)
