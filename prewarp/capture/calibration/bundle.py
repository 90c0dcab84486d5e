"""Camera and poses together: the least squares of all marks in all photographs (a bundle adjustment)."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.sparse import csr_array

from prewarp.capture.calibration.projection import Lens, Poses, disc_bias, first_guess, slopes
from prewarp.checks import BoolArray, FloatArray
from prewarp.errors import CaptureError

# Marks further off than this, in robust standard deviations, are no measurements of the board.
_OUTLYING = 6.0
_ROUNDS = 4
# Steps to rounding at most, and how short the last is: in parts of a px, summed over all marks.
_POLISHING = 12
# Scaled normal equations of good captures have condition numbers of 1e4 to 1e8.
_DETERMINED = 1e12
_SETTLED = 1e-9


@dataclass(frozen=True)
class Bundle:
    """A camera found.

    Parameters
    ----------
    lens, poses : Lens, Poses
        The camera, and the board in each photograph.
    covariance : (m + 6 n, m + 6 n) float array
        Of lens numbers, then of steps of each pose (turn, shift).
    kept : (n, p) bool array
        Which marks were used.
    residual_px : (n, p, 2) float array
        Measured less found.
    sigma_px : float
        Noise of a mark per axis, from the residuals.
    """

    lens: Lens
    poses: Poses
    covariance: FloatArray
    kept: BoolArray
    residual_px: FloatArray
    sigma_px: float

    @property
    def lens_sigma(self) -> Lens:
        """Standard uncertainties of the lens numbers."""
        count = len(self.lens.values)
        return self.lens.with_values(np.sqrt(np.diag(self.covariance)[:count]))

    @property
    def rms_px(self) -> FloatArray:
        """RMS of each photograph's residuals, per axis, (n,), px."""
        squared = np.where(self.kept[..., None], self.residual_px, 0.0) ** 2
        rms: FloatArray = np.sqrt(squared.sum(axis=(1, 2)) / np.maximum(2 * self.kept.sum(axis=1), 1))
        return rms


def adjusted(
    place_mm: FloatArray,
    pixel: FloatArray,
    size_px: tuple[int, int],
    /,
    *,
    coefficients: int = 5,
    radius_mm: float = 0.0,
    walk: bool = False,
) -> Bundle:
    """Return the camera that sees a flat board's marks where they were measured, and how sure that is.

    Parameters
    ----------
    place_mm : (p, 2) float array
        Marks on the board, mm right and down.
    pixel : (n, p, 2) float array
        Where they were measured in n photographs, px; NaN where one was not.
    size_px : (int, int)
        The photographs' width and height.
    coefficients : int
        Numbers of the distortion: 0, 4, 5, 8 or 12.
    radius_mm : float
        Of the board's dots, whose centroids were measured; 0 for corners.
    walk : bool
        Also look for the walk of the entrance pupil: it shows where the board is near and far.

    Raises
    ------
    CaptureError
        The photographs do not determine the camera: too few, or the board turned too little.

    Notes
    -----
    Trust-region steps by `scipy.optimize.least_squares` with a sparse Jacobian, then Gauss-Newton steps by
    its normal equations, to rounding; turns are steps from the pose before, so there is no singular one. The
    covariance is sigma^2 (J'J)^-1, sigma from the residuals. The bias of discs is taken off at the camera
    found, and the camera found again.
    """
    count = 4 + coefficients + (1 if walk else 0)
    measured: BoolArray = np.isfinite(pixel[..., 0]) & np.isfinite(pixel[..., 1])
    kept = measured
    if 2 * kept.sum() <= count + 6 * len(pixel):
        raise CaptureError(
            f"{len(pixel)} photographs with {int(kept.sum())} marks do not determine {count} numbers of a "
            "camera. Take more, with the board turned."
        )
    whole = np.where(kept[..., None], pixel, 0.0)
    lens, poses = _started(place_mm, pixel, kept, size_px, coefficients, walk)
    bias = np.zeros_like(whole)
    for turn in range(_ROUNDS):
        lens, poses = _solved(lens, poses, place_mm, whole - bias, kept)
        residual = whole - bias - lens.pixel(poses.points(place_mm))
        fresh = disc_bias(lens, poses, place_mm, radius_mm)
        usual = float(np.median(np.abs(residual[kept]))) * 1.4826
        near: BoolArray = np.abs(residual).max(axis=-1) <= _OUTLYING * max(usual, 1e-9)
        fine = measured & near
        settled = np.array_equal(fine, kept) and np.abs(fresh - bias).max() < 1e-6
        bias, kept = fresh, fine
        if settled and turn:
            break
    normal, _ = _normal(lens, poses, place_mm, residual, kept)
    degrees = 2 * int(kept.sum()) - len(normal)
    sigma = float(np.sqrt(np.sum(residual[kept] ** 2) / max(degrees, 1)))
    covariance = sigma**2 * _inverse(normal)
    return Bundle(lens, poses, covariance, kept, np.where(kept[..., None], residual, np.nan), sigma)


def _started(
    place_mm: FloatArray,
    pixel: FloatArray,
    kept: BoolArray,
    size_px: tuple[int, int],
    coefficients: int,
    walk: bool,
) -> tuple[Lens, Poses]:
    everywhere = kept.all(axis=0)
    if everywhere.sum() < 6:
        raise CaptureError("no photograph shows six marks or more. Show the whole board.")
    return first_guess(place_mm[everywhere], pixel[:, everywhere], size_px, coefficients, walk=walk)


def _solved(
    lens: Lens, poses: Poses, place_mm: FloatArray, pixel: FloatArray, kept: BoolArray
) -> tuple[Lens, Poses]:
    count = len(lens.values)
    rows = np.flatnonzero(np.repeat(kept.ravel(), 2))

    def unpacked(values: FloatArray) -> tuple[Lens, Poses]:
        return lens.with_values(values[:count]), poses.moved(values[count:].reshape(-1, 6))

    def residuals(values: FloatArray) -> FloatArray:
        camera, board = unpacked(values)
        found: FloatArray = (camera.pixel(board.points(place_mm)) - pixel).reshape(-1)[rows]
        return found

    def jacobian(values: FloatArray) -> csr_array:
        camera, board = unpacked(values)
        by_lens, by_pose = slopes(camera, board, place_mm)
        # `slopes` are for steps from the board's present pose; here turns count from the pose at the start.
        left = _left_jacobian(values[count:].reshape(-1, 6)[:, :3])
        by_pose[..., :3] = by_pose[..., :3] @ left[:, None]
        return _sparse(by_lens, by_pose)[rows]

    start = np.concatenate([lens.values, np.zeros(6 * len(poses))])
    found = least_squares(
        residuals, start, jac=jacobian, x_scale="jac", tr_solver="lsmr", xtol=1e-7, ftol=1e-7, gtol=1e-12,
        max_nfev=100,
    )  # fmt: skip
    lens, poses = unpacked(found.x)
    for _ in range(_POLISHING):
        residual = pixel - lens.pixel(poses.points(place_mm))
        normal, gradient = _normal(lens, poses, place_mm, residual, kept)
        step = _inverse(normal) @ gradient
        lens = lens.with_values(lens.values + step[:count])
        poses = poses.moved(step[count:].reshape(-1, 6))
        if np.abs(step * np.sqrt(np.diag(normal))).max() < _SETTLED:
            break
    return lens, poses


def _left_jacobian(turn: FloatArray) -> FloatArray:
    """Return how a turn's matrix changes with its rotation vector (n, 3), as turns after it, (n, 3, 3).

    T. D. Barfoot, State Estimation for Robotics, 2017, equation 7.77 (from memory; checked by differences).
    """
    angle = np.linalg.norm(turn, axis=-1)[:, None, None]
    x, y, z = turn.T
    zero = np.zeros_like(x)
    cross = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=-1).reshape(-1, 3, 3)
    safe = np.where(angle > 1e-4, angle, 1.0)
    first = np.where(angle > 1e-4, (1.0 - np.cos(safe)) / safe**2, 0.5)
    second = np.where(angle > 1e-4, (safe - np.sin(safe)) / safe**3, 1.0 / 6.0)
    result: FloatArray = np.eye(3) + first * cross + second * cross @ cross
    return result


def _sparse(by_lens: FloatArray, by_pose: FloatArray) -> csr_array:
    """Return the Jacobian (2 n p, m + 6 n): every row has the lens's columns and its own photograph's."""
    photographs, marks, _, count = by_lens.shape
    blocks = np.concatenate([by_lens, by_pose], axis=-1)
    own = count + 6 * np.arange(photographs)[:, None] + np.arange(6)
    columns = np.concatenate([np.broadcast_to(np.arange(count), (photographs, count)), own], axis=-1)
    columns = np.broadcast_to(columns[:, None, None], blocks.shape)
    width = blocks.shape[-1]
    ends = np.arange(0, blocks.size + 1, width)
    shape = (2 * photographs * marks, count + 6 * photographs)
    return csr_array((blocks.ravel(), columns.ravel(), ends), shape=shape)


def _normal(
    lens: Lens, poses: Poses, place_mm: FloatArray, residual: FloatArray, kept: BoolArray
) -> tuple[FloatArray, FloatArray]:
    by_lens, by_pose = slopes(lens, poses, place_mm)
    rows = np.flatnonzero(np.repeat(kept.ravel(), 2))
    matrix = _sparse(by_lens, by_pose)[rows]
    return (matrix.T @ matrix).toarray(), matrix.T @ residual.reshape(-1)[rows]


def _inverse(normal: FloatArray) -> FloatArray:
    scale = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal * scale * scale[:, None]
    if np.linalg.cond(scaled) > _DETERMINED:
        raise CaptureError(
            "these photographs do not determine the camera: the board is turned too little, or lies in one "
            "place. Take some with the board turned by 20 to 40 degrees both ways."
        )
    inverse: FloatArray = np.linalg.inv(scaled) * scale * scale[:, None]
    return inverse
