"""Phases of shifted sines, pixel by pixel: the usual least squares over N shifts.

A pixel's light is A + B cos(phi - 2 pi shift). With even shifts the phase has a standard uncertainty of
sqrt(2 / N) times noise over B (J. H. Bruning et al., Digital wavefront measuring interferometer, Applied
Optics 13 (1974) 2693; the general form is the inverse of the normal matrix), and harmonics up to N - 2, which
a panel's wrong encoding makes, move no phase (Y. Surrel, Design of algorithms for phase measurements, Applied
Optics 35 (1996) 51, from memory).
"""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray

_ROUNDS = 2
# Light of frames that differs by less is alike; that differs by more is no lamp that flickers.
_SAME_LIGHT, _MOST_FLICKER = 1e-5, 0.5


@dataclass(frozen=True, eq=False)
class Phases:
    """Sines of one axis and period at n windows of w pixels.

    `phasor` (n, w) complex: B exp(i phi); `mean` (n, w): A; `left` (n, w): mean square of what a sine with
    `harmonics` leaves, per degree of freedom; codes. `share`: variance of a phase is that of a pixel times
    this over B^2. `harmonics`: second and third over the first, of all pixels together; `flicker`: light of
    the brightest frame over that of the dimmest, less 1.
    """

    phasor: np.ndarray
    mean: np.ndarray
    left: np.ndarray
    share: float
    harmonics: tuple[float, float]
    flicker: float


def phases_of(values: np.ndarray, shifts: FloatArray, /) -> Phases:
    """Return the phases of pixels.

    Parameters
    ----------
    values : (n, frames, w) float32 array
        Codes above black.
    shifts : (frames,) float array
        In periods; four different ones at least.
    """
    turn = 2.0 * np.pi * shifts
    design = np.stack([np.ones_like(turn), np.cos(turn), np.sin(turn)], axis=1)
    inverse = np.linalg.inv(design.T @ design)
    gains = np.ones(len(turn))
    for _ in range(_ROUNDS):
        solve = (inverse @ design.T / gains).astype(np.float32)
        mean, real, imaginary = np.einsum("kf,nfw->knw", solve, values, optimize=True)
        phasor = real + 1j * imaginary
        size = np.abs(phasor)
        unit = phasor / np.maximum(size, np.float32(1e-12))
        plain = _light(mean, phasor, turn)
        more = [size[:, None] * _light(0.0, unit[:, None] ** k, k * turn, ready=True) for k in (2, 3)]
        rest = values / gains.astype(np.float32)[:, None] - plain
        harmonics = _by_least_squares(rest, more)
        model = plain + sum(np.float32(one) * part for one, part in zip(harmonics, more, strict=True))
        now = np.einsum("nfw,nfw->f", values, model) / np.einsum("nfw,nfw->f", model, model)
        now /= now.mean()
        change = float(np.abs(now - gains).max())
        if change < _SAME_LIGHT or np.abs(now - 1.0).max() > _MOST_FLICKER:
            break
        gains = now
    rest = values / gains.astype(np.float32)[:, None] - model
    freedom = max(len(turn) - 3, 1)
    left = np.einsum("nfw,nfw->nw", rest, rest) / freedom
    share = float(np.trace(inverse[1:, 1:]) / 2.0)
    return Phases(phasor, mean, left, share, harmonics, float(gains.max() / gains.min() - 1.0))


def _light(
    mean: np.ndarray | float, phasor: np.ndarray, turn: FloatArray, *, ready: bool = False
) -> np.ndarray:
    """Return A + Re(phasor exp(-i turn)) (n, frames, w); `ready`: phasor has the axis of frames."""
    phasor = phasor if ready else phasor[:, None]
    cos, sin = (one.astype(np.float32)[None, :, None] for one in (np.cos(turn), np.sin(turn)))
    light: np.ndarray = phasor.real * cos + phasor.imag * sin
    return light if isinstance(mean, float) else light + mean[:, None]


def _by_least_squares(rest: np.ndarray, parts: list[np.ndarray]) -> tuple[float, float]:
    """Return how much of each of two parts (n, frames, w) is in the rest."""
    normal = np.array([[float(np.vdot(a, b)) for b in parts] for a in parts])
    right = np.array([float(np.vdot(a, rest)) for a in parts])
    second, third = np.linalg.lstsq(normal, right, rcond=1e-9)[0].tolist()
    return second, third
