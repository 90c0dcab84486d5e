"""What a fit says of itself and of another grid: quantiles, what lies inside, its grid, its format."""

import dataclasses
import hashlib
import json

import numpy as np
import pytest

from prewarp.errors import InputFileError
from prewarp.field import FieldSet, compare_grid, fit_grid
from prewarp.files import npz_bytes
from prewarp.grids import grid_from_samples, read_grid, write_grid
from tests.synthetic import PlaneImage, make_grid, pupil_lattice, two_channels

SIZE = (2560, 2560)
SOME = {"channels": {"inner": two_channels()["inner"]}, "colours": ("G",), "points": 13, "noise_px": 0.01}


@pytest.fixture(scope="module")
def grid():
    return make_grid("panel", pupils=pupil_lattice(3, 3.0), **SOME)


@pytest.fixture(scope="module")
def fields(grid):
    return fit_grid(grid, panel_size_px=SIZE)


def test_the_quantile_and_the_largest_are_those_of_known_errors(fields, grid):
    """Of 200 rows a tenth is off by 10 px, one by 30 px: half of the rows say nothing of them, 95 % do."""
    rows = np.arange(200)
    some = grid.take(rows)
    off = np.where(rows % 10 == 0, 10.0, 0.0) + np.where(rows == 50, 20.0, 0.0)
    figures = compare_grid(
        fields, dataclasses.replace(some, pixel=some.pixel + off[:, None] * [0.6, 0.8])
    ).as_dict()["all"]
    assert figures["p95_px"] == pytest.approx(10.0, abs=0.5)
    assert figures["max_px"] == pytest.approx(30.0, abs=0.5)
    assert figures["rms_px"] == pytest.approx(np.sqrt(np.mean(off**2)), abs=0.3)


def test_inside_is_inside_the_captured_pupils_and_the_captured_directions(fields):
    """Captured at +-3 mm. Pupils at +-4 mm look outside it, whatever they look at."""
    wider = make_grid("panel", pupils=pupil_lattice(3, 4.0), **SOME)
    inside = compare_grid(fields, wider).inside
    centred = np.all(wider.pupil_mm == 0.0, axis=1)
    assert not inside[~centred].any() and inside[centred].all()


def test_the_fit_names_its_grid_by_the_hash_of_its_file(grid, tmp_path):
    write_grid(tmp_path / "grid.npz", grid)
    fields = fit_grid(read_grid(tmp_path / "grid.npz"), panel_size_px=SIZE, family="polynomial")
    expected = hashlib.sha256((tmp_path / "grid.npz").read_bytes()).hexdigest()
    assert fields.provenance["grid_sha256"] == expected


def test_a_fit_of_another_format_is_refused(fields, tmp_path):
    fields.save(tmp_path / "fit.npz")
    with np.load(tmp_path / "fit.npz") as saved:
        arrays = dict(saved)
    header = json.loads(arrays["header"].tobytes().decode("utf-8"))
    header["format"] = "prewarp field 1"
    arrays["header"] = np.frombuffer(json.dumps(header).encode("utf-8"), dtype=np.uint8)
    (tmp_path / "old.npz").write_bytes(npz_bytes(arrays))
    with pytest.raises(InputFileError, match="'prewarp field 1'"):
        FieldSet.load(tmp_path / "old.npz")


def test_uncertain_samples_weigh_least(grid):
    """Half of the samples are off by 0.5 px and say so: the fit follows the other half."""
    noise = np.random.default_rng(4).normal(0.0, 0.5, grid.pixel.shape)
    bad = np.arange(len(grid)) % 2 == 0
    spoilt = dataclasses.replace(
        grid, pixel=grid.pixel + noise * bad[:, None], sigma_px=np.where(bad, 0.5, 0.005)
    )
    fields = fit_grid(spoilt, panel_size_px=SIZE, family="polynomial")
    good = grid.take(np.flatnonzero(~bad))
    assert compare_grid(fields, good).as_dict()["all"]["rms_px"] < 0.05


def test_the_floor_is_the_error_that_noise_leaves():
    """A noisy capture fitted, and held against the same rows without noise."""
    some = SOME | {"pupils": pupil_lattice(3, 3.0), "points": 11}
    fields = fit_grid(make_grid("scattered", seed=2, **(some | {"noise_px": 0.3})), panel_size_px=SIZE)
    comparison = compare_grid(fields, make_grid("scattered", seed=2, **(some | {"noise_px": 0.0})))
    left = comparison.as_dict()
    assert fields.summary()["floor_px"] == pytest.approx(left["all"]["rms_px"], rel=0.3)
    assert np.sqrt(np.mean(comparison.sigma_px**2)) == pytest.approx(left["all"]["rms_px"], rel=0.3)


def test_a_display_that_is_its_own_mirror_image_needs_no_odd_terms():
    mirror = PlaneImage(keystone=(0.0, 0.0), decentring=(0.0, 0.0))
    askew = dataclasses.replace(mirror, keystone=(0.03, 0.0))
    # Up to 0.3 px in degree 2, a tenth of the noise in degree 4, nothing above.
    moved = dataclasses.replace(mirror, keystone=(0.0, 5e-4))
    some = {"pupils": pupil_lattice(3, 3.0), "points": 11, "noise_px": 0.02, "colours": ("G",)}
    models, left = {}, {}
    for name, display in (("mirror", mirror), ("askew", askew), ("moved", moved)):
        fields = fit_grid(make_grid("panel", channels={"one": display}, **some), panel_size_px=SIZE)
        exact = make_grid("panel", channels={"one": display}, **(some | {"noise_px": 0.0}))
        (report,) = fields.reports
        models[name] = report.model
        left[name] = compare_grid(fields, exact).as_dict()["all"]["rms_px"]
    assert "left-right symmetric" in models["mirror"] and "up-down symmetric" in models["mirror"]
    assert "left-right symmetric" not in models["askew"].replace("symmetric above", "")
    assert "left-right symmetric, up-down symmetric above degree" in models["moved"]
    assert max(left.values()) < 0.02


def test_a_panel_turned_by_45_degrees_does_not_fold():
    """Slopes along and across are alike, their products too: the determinant is a difference, not a sum."""
    axis = np.linspace(40.0, 600.0, 15)
    v, u = (side.ravel() for side in np.meshgrid(axis, axis, indexing="ij"))
    upright = np.stack([u - 320.0, 320.0 - v], axis=-1) / 1500.0
    bent = upright * (1.0 + 0.5 * np.sum(upright**2, axis=-1, keepdims=True))
    turned = grid_from_samples(
        channel=np.full(len(u), "inner"),
        colour=np.full(len(u), "G"),
        pupil_mm=np.zeros((len(u), 3)),
        tangent=bent @ np.array([[1.0, 1.0], [-1.0, 1.0]]) / np.sqrt(2.0),
        pixel=np.stack([u, v], axis=-1),
    )
    fields = fit_grid(turned, panel_size_px=(640, 640))
    seen = fields.field("inner", "G").forward([620.0, 320.0], pupil_mm=np.zeros(3))
    np.testing.assert_allclose(seen, 0.2 * (1.0 + 0.5 * 0.2**2) / np.sqrt(2.0), atol=1e-5)
