"""The fit against truths from outside: a published eyepiece traced by optiland, OpenCV's camera models."""

import warnings

import numpy as np
import pytest

from prewarp.field import compare_grid, fit_grid
from prewarp.grids import grid_from_samples
from tests.outside_eyepiece import erfle_surfaces
from tests.support import require_module
from tests.synthetic import spoil

WAVELENGTH_UM = {"R": 0.6563, "G": 0.5876, "B": 0.4861}
PANEL = (2560, 2560)


def _trace(tangent, pupil, wavelength_um):
    """Return heights (n, 2) mm on the panel of an Erfle eyepiece, US patent 1,479,229, as optiland has it."""
    require_module("optiland")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from optiland.rays import RealRays

        z = 1.0 / np.sqrt(1.0 + (tangent**2).sum(axis=1))
        cosines = (tangent[:, 0] * z, tangent[:, 1] * z, z)
        rays = RealRays(*pupil.T, *cosines, np.ones(len(z)), np.full(len(z), wavelength_um))
        for surface in erfle_surfaces():
            surface.trace(rays)
    return np.stack([np.asarray(rays.x), np.asarray(rays.y)], axis=-1)


def _eyepiece_grid(tangent, pupil):
    parts = []
    for colour, wavelength in WAVELENGTH_UM.items():
        height = _trace(tangent, pupil, wavelength)
        pixel = np.array([1280.0, 1280.0]) + height * np.array([1.0, -1.0]) * 1280.0 / 29.8
        parts.append((np.full(len(tangent), colour), tangent, pupil, pixel))
    colour, tangent, pupil, pixel = (np.concatenate(part) for part in zip(*parts, strict=True))
    return grid_from_samples(
        channel=np.full(len(colour), "inner"), colour=colour, pupil_mm=pupil, tangent=tangent, pixel=pixel
    )


@pytest.fixture(scope="module")
def eyepiece():
    """A capture (5 x 5 pupils, +-4 mm, three depths, 17 x 17 directions, +-22 degrees) and held-out rays."""
    angle = np.tan(np.radians(np.linspace(-22.0, 22.0, 17)))
    box = np.linspace(-4.0, 4.0, 5)
    z, y, x, ty, tx = (
        axis.ravel() for axis in np.meshgrid([-2.0, 0.0, 2.0], box, box, angle, angle, indexing="ij")
    )
    capture = _eyepiece_grid(np.stack([tx, ty], axis=-1), np.stack([x, y, z], axis=-1))
    random = np.random.default_rng(11)
    tangent = np.tan(np.radians(random.uniform(-22.0, 22.0, (3000, 2))))
    pupil = np.column_stack([random.uniform(-4.0, 4.0, (3000, 2)), random.uniform(-2.0, 2.0, 3000)])
    return capture, _eyepiece_grid(tangent, pupil)


@pytest.mark.outside
def test_eyepiece_without_noise(eyepiece):
    capture, truth = eyepiece
    figures = compare_grid(fit_grid(capture, panel_size_px=PANEL), truth).as_dict()
    assert figures["all"]["lost"] == 0
    assert figures["all"]["rms_px"] <= 0.0006
    assert figures["inside"]["count"] > 0.9 * figures["all"]["count"]


@pytest.mark.outside
def test_eyepiece_with_noise_missing_points_and_outliers(eyepiece):
    capture, truth = eyepiece
    spoilt, bad_rows = spoil(capture, 12)
    fields = fit_grid(spoilt, panel_size_px=PANEL)
    summary = fields.summary()
    figures = compare_grid(fields, truth).as_dict()
    assert figures["all"]["lost"] == 0
    assert figures["all"]["rms_px"] <= 0.0085
    assert figures["all"]["rms_px"] <= 1.1 * summary["floor_px"]
    named = set(summary["outliers"])
    assert bad_rows <= named
    assert len(named - bad_rows) <= 0.002 * len(spoilt)


def _camera_grid(project, half_tangent):
    """Return a grid of a static field: directions through a camera model, the panel is its image."""
    axis = np.linspace(-1.0, 1.0, 41)
    ty, tx = np.meshgrid(axis * half_tangent[1], axis * half_tangent[0], indexing="ij")
    tangent = np.stack([tx.ravel(), ty.ravel()], axis=-1)
    return grid_from_samples(
        channel=np.full(len(tangent), "inner"),
        colour=np.full(len(tangent), "G"),
        pupil_mm=np.zeros((len(tangent), 3)),
        tangent=tangent,
        pixel=project(tangent),
    )


@pytest.mark.outside
@pytest.mark.parametrize("model", ["rational", "fisheye"])
def test_camera_models_of_opencv(model):
    """Rational: the eight-coefficient model; fisheye: the sample camera of OpenCV's own test_fisheye.cpp."""
    cv2 = require_module("cv2")

    def project(tangent):
        points = np.concatenate([tangent * [1.0, -1.0], np.ones((len(tangent), 1))], axis=1)[:, None]
        if model == "rational":
            matrix = np.array([[657.467, 0.0, 319.5], [0.0, 657.467, 239.5], [0.0, 0.0, 1.0]])
            distortion = np.array([0.5, 0.1, 0.0002, -0.0003, 0.01, 0.8, 0.2, 0.02])
            return cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, distortion)[0][:, 0]
        matrix = np.array(
            [[558.478087865323, 0.0, 620.458515360843], [0.0, 560.506767351568, 381.939424848348], [0, 0, 1]]
        )
        distortion = np.array(
            [-0.0014613319981768, -0.00329861110580401, 0.00605760088590183, -0.00374209380722371]
        )
        return cv2.fisheye.projectPoints(points, np.zeros(3), np.zeros(3), matrix, distortion)[0][:, 0]

    size, half = ((640, 480), (0.46, 0.34)) if model == "rational" else ((1280, 800), (1.0, 0.6))
    fields = fit_grid(_camera_grid(project, half), panel_size_px=size)
    random = np.random.default_rng(3)
    tangent = random.uniform(-1.0, 1.0, (2000, 2)) * half
    found = fields.field("inner", "G").inverse(tangent, pupil_mm=[0.0, 0.0, 0.0], margin_px=2.0)
    error = np.hypot(*(found.pixel - project(tangent)).T)
    assert found.valid.all()
    assert error.max() < 0.01
