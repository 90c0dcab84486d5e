"""The fit on channels of many kinds, each from a closed form: clean, and with noise, holes, outliers.

A tilted mirror (a sphere traced exactly here, apart from the package's tracer), a strongly pitched channel, a
panel that counts u backwards (positive Jacobian determinant), and a fisheye (an odd polynomial in the angle:
Kannala and Brandt, IEEE TPAMI 28, 2006) that a low degree cannot follow.
"""

import numpy as np
import pytest

from prewarp.field import compare_grid, fit_grid
from prewarp.grids import grid_from_samples
from tests.support import long_form
from tests.synthetic import PlaneImage, plane_image_inverse, pupil_lattice, spoil

PANEL = (2560, 2560)
COLOURS = {"R": 1.004, "G": 1.0, "B": 0.995}


def _pitched(tangent, pupil, pitch_deg):
    """Return directions and pupils in a frame pitched about x."""
    c, s = np.cos(np.radians(pitch_deg)), np.sin(np.radians(pitch_deg))
    turn = np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])
    ray = np.column_stack([tangent, np.ones(len(tangent))]) @ turn.T
    return ray[:, :2] / ray[:, 2:], pupil @ turn.T


def _plane(tangent, pupil, scale, pitch_deg=0.0, **changes):
    tangent, pupil = _pitched(tangent, pupil, pitch_deg)
    return plane_image_inverse(tangent, pupil, PlaneImage(colour_scale=scale, **changes))


def _mirror(tangent, pupil, scale):
    """Return panel points of a concave sphere (radius 100 mm) 40 mm ahead, tilted by 20 degrees."""
    ray = np.column_stack([tangent, np.ones(len(tangent))])
    ray /= np.linalg.norm(ray, axis=1, keepdims=True)
    tilt = np.radians(20.0)
    normal = np.array([0.0, np.sin(tilt), -np.cos(tilt)])
    centre = np.array([0.0, 0.0, 40.0]) + 100.0 * normal
    offset = pupil - centre
    half = np.sum(offset * ray, axis=1)
    reach = -half + np.sqrt(half**2 - np.sum(offset**2, axis=1) + 100.0**2)
    hit = pupil + reach[:, None] * ray
    outward = (centre - hit) / 100.0
    reflected = ray - 2.0 * np.sum(ray * outward, axis=1)[:, None] * outward
    axis = np.array([0.0, 0.0, 1.0]) - 2.0 * normal[2] * normal
    panel = np.array([0.0, 0.0, 40.0]) + 47.0 * axis
    along = ((panel - hit) @ axis) / (reflected @ axis)
    across = np.cross(axis, [1.0, 0.0, 0.0])
    place = hit + along[:, None] * reflected - panel
    return 1280.0 + np.column_stack([place[:, 0], place @ across]) * scale * 1280.0 / 22.0


def _fisheye(tangent, pupil, scale):
    """Return panel points of a fisheye whose image lies on a plane 2 m away."""
    plane = pupil[:, :2] / 2000.0 + tangent * (1.0 - pupil[:, 2:] / 2000.0)
    radius = np.linalg.norm(plane, axis=1, keepdims=True)
    angle = np.arctan(radius)
    bent = angle * (1.0 + 0.1 * angle**2 - 0.15 * angle**4 + 0.06 * angle**6)
    return 1280.0 + plane * (bent / np.maximum(radius, 1e-12)) * scale * [1200.0, -1200.0]


CASES = {
    "tilted mirror": (_mirror, 12.0, 12.0),
    "strongly pitched": (lambda t, e, s: _plane(t, e, s, -25.0), 18.0, 16.0),
    "u backwards": (lambda t, e, s: _plane(t, e, s, u_backwards=True), 20.0, 20.0),
    "fisheye": (_fisheye, 34.0, 34.0),
}


def _grid(case, tangent, pupil):
    model = CASES[case][0]
    pixel = np.concatenate([model(tangent, pupil, scale) for scale in COLOURS.values()])
    inside = np.isfinite(pixel).all(axis=1) & ((pixel > 0.0) & (pixel < 2560.0)).all(axis=1)
    return grid_from_samples(
        channel=np.full(inside.sum(), "inner"),
        colour=np.repeat(list(COLOURS), len(tangent))[inside],
        pupil_mm=np.tile(pupil, (3, 1))[inside],
        tangent=np.tile(tangent, (3, 1))[inside],
        pixel=pixel[inside],
    )


def _directions(case):
    """Return half angles, and the middle in y: a pitched channel looks down."""
    half = np.array(CASES[case][1:])
    return half, (-25.0 if case == "strongly pitched" else 0.0)


def _capture(case):
    half, middle = _directions(case)
    x, y = (np.linspace(-side, side, 21) for side in half)
    ty, tx = np.meshgrid(np.tan(np.radians(y + middle)), np.tan(np.radians(x)), indexing="ij")
    tangent = np.column_stack([tx.ravel(), ty.ravel()])
    pupils = pupil_lattice(5, 4.0)
    return _grid(case, np.tile(tangent, (len(pupils), 1)), np.repeat(pupils, len(tangent), axis=0))


def _held_out(case):
    half, middle = _directions(case)
    random = np.random.default_rng(5)
    angle = random.uniform(-1.0, 1.0, (1500, 2)) * half + [0.0, middle]
    pupil = np.column_stack([random.uniform(-4.0, 4.0, (1500, 2)), random.uniform(-1.0, 1.0, 1500)])
    return _grid(case, np.tan(np.radians(angle)), pupil)


@pytest.mark.parametrize("case", list(CASES))
def test_without_noise(case):
    figures = compare_grid(fit_grid(_capture(case), panel_size_px=PANEL), _held_out(case)).as_dict()
    assert figures["all"]["lost"] == 0
    assert figures["all"]["rms_px"] <= 0.0006


# Seeds at which cross-validation alone stops the fisheye's degree two short among them.
@pytest.mark.parametrize(
    ("case", "seed"),
    [
        *((case, 6) for case in CASES),
        *(pytest.param("fisheye", seed, marks=long_form) for seed in (2, 4, 5)),
    ],
)
def test_with_noise_missing_points_and_outliers(case, seed):
    capture = _capture(case)
    spoilt, bad_rows = spoil(capture, seed)
    fields = fit_grid(spoilt, panel_size_px=PANEL)
    summary = fields.summary()
    figures = compare_grid(fields, _held_out(case)).as_dict()
    assert figures["all"]["lost"] == 0
    assert figures["all"]["rms_px"] <= 1.1 * summary["floor_px"]
    named = set(summary["outliers"])
    assert bad_rows <= named
    assert len(named - bad_rows) <= 0.002 * len(spoilt)


def test_the_fisheye_needs_a_high_degree():
    """Degree 5 leaves more than the noise: the case is worth its name."""
    green = _capture("fisheye").select(colour="G")
    middle = np.all(green.pupil_mm == 0.0, axis=1)
    cosine = green.tangent / np.sqrt(1.0 + np.sum(green.tangent**2, axis=1, keepdims=True))
    u, v = (green.pixel[middle] / 1280.0 - 1.0).T
    degrees = np.add.outer(np.arange(6), np.arange(6)).ravel()
    basis = np.polynomial.chebyshev.chebvander2d(u, v, [5, 5])[:, degrees <= 5]
    rest = cosine[middle] - basis @ np.linalg.lstsq(basis, cosine[middle], rcond=None)[0]
    assert np.abs(rest).max() * 1200.0 > 0.05
