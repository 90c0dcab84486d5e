"""White match against published matrices and by mixing the light that each channel then shows."""

import numpy as np
import pytest

from prewarp.errors import ShapeError
from prewarp.module import Chromaticity
from prewarp.photometry import white_match, xyz_from_rgb
from prewarp.photometry.white import CONTENT_XY, D65_XY

RGB = ("R", "G", "B")
INNER = Chromaticity({"R": (0.68, 0.31), "G": (0.22, 0.70), "B": (0.14, 0.05)}, (0.29, 0.30))
OUTER = Chromaticity({"R": (0.66, 0.33), "G": (0.26, 0.66), "B": (0.15, 0.06)}, (0.34, 0.36))
BOTH = {"inner": INNER, "outer": OUTER}


def shown_xyz(measured, drive, attenuation=(1.0, 1.0, 1.0)):
    """Plain addition of the light of three colours, scaled so that all at full drive have Y = 1."""
    light = {}
    for name in RGB:
        x, y = measured.primaries[name]
        light[name] = np.array([x / y, 1.0, (1.0 - x - y) / y])
    x, y = measured.white
    white = np.array([x / y, 1.0, (1.0 - x - y) / y])
    shares = np.linalg.solve(np.stack([light[name] for name in RGB], axis=1), white) * attenuation
    shares /= shares.sum()
    return sum(d * s * light[name] for d, s, name in zip(drive, shares, RGB, strict=True))


def xy(xyz):
    return xyz[:2] / xyz.sum()


@pytest.mark.outside
def test_srgb_matrix_of_the_standard():
    # IEC 61966-2-1:1999, linear sRGB to X, Y, Z, to the four digits printed there (from memory of the
    # standard).
    printed = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    np.testing.assert_allclose(xyz_from_rgb(CONTENT_XY, D65_XY), printed, atol=6e-5)


def test_gains_make_both_channels_show_one_white():
    match = white_match(BOTH, colours=RGB)
    seen = {name: shown_xyz(measured, np.diag(match.mixing[name])) for name, measured in BOTH.items()}
    for xyz in seen.values():
        np.testing.assert_allclose(xy(xyz), D65_XY, atol=1e-12)
    np.testing.assert_allclose(seen["inner"], seen["outer"], rtol=1e-12)
    drives = np.array([np.diag(m) for m in match.mixing.values()])
    assert drives.max() == pytest.approx(1.0) and drives.min() > 0.0
    # The brightness that is left is the luminance of what is shown.
    assert match.luminance == pytest.approx(seen["inner"][1]) and 0.3 < match.luminance < 1.0


def test_matrix_makes_both_channels_show_one_colour():
    match = white_match(BOTH, colours=RGB, kind="matrix")
    content = xyz_from_rgb(CONTENT_XY, D65_XY)
    random = np.random.default_rng(0)
    for rgb in [*np.eye(3), np.ones(3), *random.random((5, 3))]:
        for name, measured in BOTH.items():
            drive = match.mixing[name] @ rgb
            assert drive.max() <= 1.0 + 1e-12
            np.testing.assert_allclose(
                shown_xyz(measured, drive), match.luminance * content @ rgb, atol=1e-12
            )
    # Pure green of the content lies inside the inner channel's triangle and red outside the outer's.
    assert match.out_of_reach["outer"] >= 0.0


def test_luminance_match_is_taken_into_account():
    # The outer channel's blue is turned down by the luminance match: its gains must make up for that.
    attenuation = {"inner": np.ones(3), "outer": np.array([1.0, 1.0, 0.8])}
    match = white_match(BOTH, colours=RGB, attenuation=attenuation)
    for name, measured in BOTH.items():
        seen = shown_xyz(measured, np.diag(match.mixing[name]), attenuation[name])
        np.testing.assert_allclose(xy(seen), D65_XY, atol=1e-12)


def test_two_measurements_that_disagree_are_told():
    # Same colours and white in both, but the luminance column says that the outer's red is 10 % brighter for
    # its drive.
    same = {"inner": INNER, "outer": INNER}
    fine = white_match(same, colours=RGB, luminance={"inner": np.ones(3), "outer": 0.7 * np.ones(3)})
    assert fine.disagreement == pytest.approx(0.0, abs=1e-12)
    off = white_match(same, colours=RGB, luminance={"inner": np.ones(3), "outer": np.array([1.1, 1.0, 1.0])})
    assert 0.05 < off.disagreement < 0.1


def test_equal_channels_at_their_own_white_cost_nothing():
    match = white_match({"a": INNER, "b": INNER}, colours=RGB, white_xy=INNER.white)
    np.testing.assert_allclose(match.mixing["a"], np.eye(3), atol=1e-12)
    assert match.luminance == pytest.approx(1.0)


def test_bad_input():
    with pytest.raises(
        ShapeError, match="white match is 'gain'; expected one of none, gains, matrix. Did you mean 'gains'"
    ):
        white_match(BOTH, colours=RGB, kind="gain")
    with pytest.raises(
        ShapeError, match=r"channel 'inner': the white \(0.7000, 0.2500\) is outside the triangle"
    ):
        white_match(BOTH, colours=RGB, white_xy=(0.70, 0.25))
    with pytest.raises(ShapeError, match="white x is 0.0; expected 0.01 to 0.9"):
        white_match(BOTH, colours=RGB, white_xy=(0.0, 0.3))
