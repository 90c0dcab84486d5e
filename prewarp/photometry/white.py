"""White point match: from content colours to each channel's drive, so that all channels show one white.

CIE 1931 tristimulus values from chromaticities: X = x Y / y, Z = (1 - x - y) Y / y (CIE 15). A channel whose
colours have chromaticities p_k and whose white w they add up to gives them the shares of luminance S = P^-1 w
(SMPTE RP 177-1993). `gains`: three numbers a channel; every channel shows the target white, pure colours stay
each channel's own. `matrix`: a 3x3; all colours agree as far as each channel's colours reach. Acts on linear
light, before the luminance match and encoding.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray, nearest_name, require_range
from prewarp.errors import ShapeError
from prewarp.module import Chromaticity

KINDS = ("none", "gains", "matrix")
D65_XY = (0.3127, 0.3290)
# Primaries of the content picture: IEC 61966-2-1 (the same as ITU-R BT.709).
CONTENT_XY = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))


@dataclass(frozen=True)
class WhiteMatch:
    """Drives of each channel from content colours.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    mixing : mapping of str to (3, 3) float array
        Per channel: linear drives of R, G, B = matrix @ linear content R, G, B; no content gives more than 1.
    shares : mapping of str to (3,) float array
        Per channel, what R, G, B at full (matched) drive add to its luminance; they sum to 1. A third each
        where nothing is known.
    luminance : float
        Luminance of the common white, as a share of that of all colours at full (matched) drive; 1 costs
        nothing.
    out_of_reach : mapping of str to float
        Per channel, how far below zero the matrix would drive a colour of the content, as a share of full
        drive; such colours are shown paler than meant. 0 with `gains`.
    disagreement : float
        Largest relative difference between channels of luminance per drive, by chromaticity and by luminance
        column; above a few per cent one of the two measurements is wrong. 0 when it cannot be known.
    """

    kind: str
    mixing: Mapping[str, FloatArray]
    shares: Mapping[str, FloatArray]
    luminance: float = 1.0
    out_of_reach: Mapping[str, float] | None = None
    disagreement: float = 0.0


def no_white_match(channels: Sequence[str], /) -> WhiteMatch:
    """Return the match that leaves the content's colours alone."""
    return WhiteMatch(
        "none", {name: np.eye(3) for name in channels}, {name: np.full(3, 1.0 / 3.0) for name in channels}
    )


def xyz_from_xy(xy: Sequence[float], /, *, luminance: float = 1.0) -> FloatArray:
    """Return tristimulus values (3,) of a chromaticity and a luminance Y."""
    x, y = xy
    return luminance * np.array([x / y, 1.0, (1.0 - x - y) / y])


def xyz_from_rgb(primaries_xy: Sequence[Sequence[float]], white_xy: Sequence[float], /) -> FloatArray:
    """Return the matrix (3, 3) from linear R, G, B to X, Y, Z; (1, 1, 1) gives the white with Y = 1.

    References
    ----------
    SMPTE RP 177-1993, from memory. For sRGB it gives the matrix of IEC 61966-2-1 (tested).
    """
    columns = np.stack([xyz_from_xy(xy) for xy in primaries_xy], axis=1)
    return columns * np.linalg.solve(columns, xyz_from_xy(white_xy))


def white_match(
    chromaticities: Mapping[str, Chromaticity],
    /,
    *,
    colours: Sequence[str],
    attenuation: Mapping[str, FloatArray] | None = None,
    luminance: Mapping[str, FloatArray] | None = None,
    kind: str = "gains",
    white_xy: Sequence[float] = D65_XY,
    content_xy: Sequence[Sequence[float]] = CONTENT_XY,
) -> WhiteMatch:
    """Find each channel's gains or matrix.

    Parameters
    ----------
    chromaticities : mapping
        Per channel, as measured.
    colours : three str
        Names of red, green, blue, in the order of the content's planes.
    attenuation : mapping of str to (3,) float array, optional
        Per channel: what the luminance match leaves of each colour where the chromaticities were measured
        (target over luminance); 1 if not given.
    luminance : mapping of str to (3,) float array, optional
        Per channel: the luminance column there, to check it against the chromaticities.
    kind : str
        "gains" or "matrix"; "none" drives every colour alike.
    white_xy : (2,) float array
        The white to show; D65 if not given.
    content_xy : (3, 2) float array
        Primaries of the content, for "matrix".

    Raises
    ------
    ShapeError
        The kind is unknown, or the white is outside the triangle of a channel's colours.
    """
    if kind not in KINDS:
        raise ShapeError(
            f"white match is {kind!r}; expected one of {', '.join(KINDS)}.{nearest_name(str(kind), KINDS)}"
        )
    if kind == "none":
        return no_white_match(list(chromaticities))
    for name, value in zip("xy", white_xy, strict=True):
        require_range(value, f"white {name}", 0.01, 0.9)
    wanted = np.diag(xyz_from_xy(white_xy)) if kind == "gains" else xyz_from_rgb(content_xy, white_xy)
    mixing, shares = {}, {}
    for channel, measured in chromaticities.items():
        matrix = _drive_matrix(measured, colours, None if attenuation is None else attenuation[channel])
        shares[channel] = matrix[1]
        if kind == "gains":
            gains = np.linalg.solve(matrix, wanted.sum(axis=1))
            _require_positive(gains, channel, colours, white_xy)
            mixing[channel] = np.diag(gains)
        else:
            mixing[channel] = np.linalg.solve(matrix, wanted)
            _require_positive(mixing[channel].sum(axis=1), channel, colours, white_xy)
    # The most that any content between black and white asks of a drive; negative parts are cut off at zero
    # light.
    most = max(float(np.maximum(matrix, 0.0).sum(axis=1).max()) for matrix in mixing.values())
    mixing = {channel: matrix / most for channel, matrix in mixing.items()}
    below = {
        channel: float(-np.minimum(matrix, 0.0).sum(axis=1).min()) + 0.0 for channel, matrix in mixing.items()
    }
    return WhiteMatch(
        kind, mixing, shares, 1.0 / most, below, _disagreement(chromaticities, colours, luminance)
    )


def _drive_matrix(
    measured: Chromaticity, colours: Sequence[str], attenuation: FloatArray | None
) -> FloatArray:
    """Return X, Y, Z per unit of matched drive, (3, 3); all colours together have Y = 1."""
    matrix = xyz_from_rgb([measured.primaries[name] for name in colours], measured.white)
    if attenuation is not None:
        matrix = matrix * np.asarray(attenuation)
    return np.asarray(matrix / matrix[1].sum())


def _require_positive(
    drive: FloatArray, channel: str, colours: Sequence[str], white_xy: Sequence[float]
) -> None:
    if drive.min() <= 0.0:
        raise ShapeError(
            f"channel '{channel}': the white ({white_xy[0]:.4f}, {white_xy[1]:.4f}) is outside the triangle "
            f"of its colours, on the far side from {colours[int(np.argmin(drive))]}. Choose another white."
        )


def _disagreement(
    chromaticities: Mapping[str, Chromaticity],
    colours: Sequence[str],
    luminance: Mapping[str, FloatArray] | None,
) -> float:
    if luminance is None or len(chromaticities) < 2:
        return 0.0
    factors = []
    for channel, measured in chromaticities.items():
        shares = xyz_from_rgb([measured.primaries[name] for name in colours], measured.white)[1]
        factor = np.log(shares / np.asarray(luminance[channel]))
        factors.append(factor - factor.mean())
    return float(np.expm1(np.ptp(np.stack(factors), axis=0).max()))
