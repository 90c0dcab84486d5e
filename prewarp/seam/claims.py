"""Claims: how much of the light of a direction each channel asks for, the definition of a blend.

One lattice of directions serves all channels of an eye: whole numbers of 16 bits, joined by cubic B-splines,
`PITCH_DEG` apart in the plane (angle from straight ahead, degrees, along the azimuth). Fit, renderers,
preview and devices read the same numbers, so there is nothing to approximate. Past the lattice claims stay
what they are at its border: there one channel has all the light.

The claims of a direction add up to about 1, so that what a share gains or loses per degree is what its claim
does; a share is a claim over the sum of those that are lit (`prewarp.seam.blend.shown_weights`), and that sum
makes it exact.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter

from prewarp.checks import BoolArray, FloatArray, as_tangent
from prewarp.errors import SeamError
from prewarp.lattice import cubic_weights
from prewarp.seam.directions import plane_deg_from_tangent

# Pitch of the lattice; a feather narrower than four pitches takes half of it, and so on, down to the last.
PITCH_DEG, LEAST_PITCH_DEG, PITCHES_A_FEATHER = 1.0, 0.25, 4.0
# Value of code 1: claims of nearly 2 fit, and a whole number of codes is a claim of 1.
CLAIM_SCALE = 2.0**-14
# Spread over which claims are rounded, pitches: a jump of a share, where outlines cross, becomes a slope of
# at most 1 / (sqrt(2 pi) 0.55) = 0.73 per degree.
ROUNDING_PITCHES = 0.55
# The lattice ends so far, in pitches, outside the directions in which light is handed over.
_MARGIN_PITCHES = 1.0
# A share that is this near 0 or 1 is not handed over any more.
_SETTLED = 1e-4
_LARGEST_CODE = 32767
# What every channel claims wherever it is lit (`prewarp.seam.blend`): less is no part of a seam.
SHARED = 0.002
MAX_NODES = 512
_LARGEST_TANGENT = 1e6


@dataclass(frozen=True, eq=False)
class ClaimLattice:
    """Claims of all channels of an eye by direction.

    Parameters
    ----------
    codes : (channels, rows, columns) int array
        Coefficients of cubic B-splines, -32767 to 32767; rows run along y, columns along x, four or more.
    origin_deg : (2,) float array
        Where the lattice begins in the plane, degrees: the middle of the second column and row.
    pitch_deg : float
        Distance between columns, and between rows, degrees.
    scale : float
        Claim of code 1.
    """

    codes: NDArray[np.int16]
    origin_deg: FloatArray
    pitch_deg: float
    scale: float = CLAIM_SCALE

    def __post_init__(self) -> None:
        shape = self.codes.shape
        if len(shape) != 3 or not 4 <= min(shape[1:]) <= max(shape[1:]) <= MAX_NODES:
            raise SeamError(
                f"claims have shape {shape}; expected channels, and 4 to {MAX_NODES} rows and columns. "
                "Use a wider feather."
            )

    @property
    def nodes(self) -> tuple[int, int]:
        """Rows and columns between which the spline is read."""
        return self.codes.shape[1] - 2, self.codes.shape[2] - 2

    def at(self, tangent: ArrayLike, /) -> FloatArray:
        """Return the claims (channels, ...), 0 or more, of directions (..., 2), tangents; NaN is not known.

        References
        ----------
        C. de Boor, A Practical Guide to Splines, 1978: uniform cubic B-splines.
        """
        tangent = as_tangent(tangent)
        # Tangents beyond these are 90 degrees to all that counts here.
        known = np.asarray(np.isfinite(tangent).all(axis=-1))
        tangent = np.clip(tangent, -_LARGEST_TANGENT, _LARGEST_TANGENT)
        plane = plane_deg_from_tangent(np.where(known[..., None], tangent, 0.0)).reshape(-1, 2)
        place = (plane - self.origin_deg) / self.pitch_deg
        rows, columns = self.nodes
        c, across = cubic_weights(np.clip(place[:, 0], 0.0, columns - 1.0), columns)
        r, down = cubic_weights(np.clip(place[:, 1], 0.0, rows - 1.0), rows)
        total = np.zeros((len(self.codes), len(place)))
        for j in range(4):
            line = sum(across[:, i] * self.codes[:, r + j, c + i] for i in range(4))
            total += down[:, j] * line
        claims = np.maximum(total * self.scale, 0.0).reshape(len(self.codes), *tangent.shape[:-1])
        return np.where(known, claims, np.nan)


def handed_over(claims: FloatArray, own: int, /) -> BoolArray:
    """Return where a channel hands light over (...): it and another of `claims` (channels, ...) claim more
    than `SHARED`.
    """
    others = np.delete(claims, own, axis=0).max(axis=0, initial=0.0)
    return np.asarray((claims[own] > SHARED) & (others > SHARED))


def pitch_for(feather_deg: float, /) -> float:
    """Return the pitch, degrees, of claims that hand light over in `feather_deg`."""
    pitch = PITCH_DEG
    while pitch > LEAST_PITCH_DEG and pitch * PITCHES_A_FEATHER > feather_deg:
        pitch *= 0.5
    return pitch


def fitted_claims(
    shares: FloatArray, served: BoolArray, /, *, origin_deg: FloatArray, step_deg: float, feather_deg: float
) -> ClaimLattice:
    """Return claims that follow shares known on a fine lattice, rounded over about a pitch.

    Parameters
    ----------
    shares : (channels, rows, columns) float array
        Shares of light; they add up to 1 wherever a channel serves.
    served : (rows, columns) bool array
        Where any channel serves; elsewhere the share of the nearest such node is taken.
    origin_deg, step_deg
        Node (row 0, column 0) of the fine lattice in the plane, and its pitch, degrees.
    feather_deg : float
        Width of the hand-over.
    """
    pitch = pitch_for(feather_deg)
    near = distance_transform_edt(~served, return_distances=False, return_indices=True)
    whole = shares[(slice(None), *near)]
    smooth = gaussian_filter(
        whole, (0.0, *(2 * (ROUNDING_PITCHES * pitch / step_deg,))), mode="nearest", truncate=5.0
    )
    turning = np.any((smooth > _SETTLED) & (smooth < 1.0 - _SETTLED), axis=0) & served
    axes = []
    for axis in (1, 0):
        places = np.flatnonzero(turning.any(axis=1 - axis))
        middle = 0.5 * (turning.shape[axis] - 1)
        first, last = (places[0], places[-1]) if len(places) else (middle, middle)
        low = np.floor(first * step_deg / pitch - _MARGIN_PITCHES)
        count = int(np.ceil(last * step_deg / pitch + _MARGIN_PITCHES) - low) + 1
        axes.append((low * pitch, count))
    codes = smooth
    for axis, (low, count) in zip((2, 1), axes, strict=True):
        # Samples of the fine lattice within this one, its border's repeated outside.
        position = np.arange(round(low / step_deg), round((low + (count - 1) * pitch) / step_deg) + 1)
        start, weight = cubic_weights((position * step_deg - low) / pitch, count)
        basis = np.zeros((len(position), count + 2))
        np.put_along_axis(basis, start[:, None] + np.arange(4), weight, axis=1)
        samples = np.take(codes, np.clip(position, 0, codes.shape[axis] - 1), axis=axis)
        codes = np.moveaxis(np.tensordot(np.linalg.pinv(basis), samples, axes=(1, axis)), 0, axis)
    whole_codes = np.clip(np.rint(codes / CLAIM_SCALE), -_LARGEST_CODE, _LARGEST_CODE).astype(np.int16)
    origin = np.asarray(origin_deg, dtype=float) + [axes[0][0], axes[1][0]]
    # A device holds it as float32.
    return ClaimLattice(whole_codes, origin.astype(np.float32).astype(np.float64), pitch)
