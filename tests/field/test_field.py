"""The field: both directions, slopes, depth, border, folds, files; against a closed form."""

import dataclasses

import numpy as np
import pytest
from scipy.spatial import ConvexHull

from prewarp.errors import FitError, FoldError, GridError, InputFileError, ShapeError
from prewarp.field import FieldSet, compare_grid, fit_grid
from prewarp.field.border import hull_corners
from prewarp.field.mount import UNMOUNTED, Mount
from prewarp.files import arrays_digest, npz_bytes, read_npz
from prewarp.frames import arcmin_between
from prewarp.seam import seam_error
from tests.synthetic import make_grid, plane_image_forward, pupil_lattice, two_channels

SIZE = (2560, 2560)


@pytest.fixture(scope="module")
def fields():
    return fit_grid(make_grid("panel", noise_px=0.0, pupils=pupil_lattice(5, 4.0)), panel_size_px=SIZE)


def _points(count=300, depth=2.0):
    random = np.random.default_rng(7)
    pixel = random.uniform(60.0, 2500.0, (count, 2))
    return pixel, np.column_stack([random.uniform(-4, 4, (count, 2)), random.uniform(-depth, depth, count)])


@pytest.mark.parametrize("kind", ["panel", "direction", "scattered"])
def test_every_kind_of_grid_gives_the_closed_form(kind):
    fields = fit_grid(make_grid(kind, noise_px=0.0, pupils=pupil_lattice(5, 4.0)), panel_size_px=SIZE)
    field = fields.field("inner", "G")
    pixel, pupil = _points(depth=0.0)
    truth = plane_image_forward(pixel, pupil, two_channels()["inner"])
    inside = field.inverse(truth, pupil_mm=pupil)
    error = np.hypot(*(inside.pixel - pixel)[inside.valid].T)
    assert inside.valid.mean() > 0.9
    assert np.quantile(error, 0.95) < 0.01


def test_depth_is_predicted_from_one_plane(fields):
    """Captured at z = 0 alone; pupils 2 mm in front of and behind it follow from the straightness of rays."""
    field = fields.field("outer", "G")
    pixel, pupil = _points()
    pupil[:, 2] = np.where(np.arange(len(pupil)) % 2, 2.0, -2.0)
    pupil[:, :2] *= 0.6
    truth = plane_image_forward(pixel, pupil, two_channels()["outer"])
    found = field.inverse(truth, pupil_mm=pupil, margin_px=20.0)
    assert np.quantile(np.hypot(*(found.pixel - pixel)[found.valid].T), 0.95) < 0.01


def test_captures_in_three_planes_are_one_map():
    """Captures at z = -2, 0 and 2 mm: a fit with the wrong sign of depth misses by pixels."""
    depths = (-2.0, 0.0, 2.0)
    grid = make_grid(
        "panel", noise_px=0.0, pupils=pupil_lattice(3, 4.0, depths), channels=two_channels(distance_m=0.5)
    )
    fields = fit_grid(grid, panel_size_px=SIZE)
    assert max(report.floor_px for report in fields.reports) < 0.001
    for name, display in two_channels(distance_m=0.5).items():
        pixel, pupil = _points()
        for depth in depths:
            pupil[:, 2] = depth
            truth = plane_image_forward(pixel, pupil, display)
            assert arcmin_between(fields.field(name, "G").forward(pixel, pupil_mm=pupil), truth).max() < 0.01


def test_forward_of_inverse_is_the_direction(fields):
    field = fields.field("inner", "R")
    pixel, pupil = _points()
    tangent = field.forward(pixel, pupil_mm=pupil)
    found = field.inverse(tangent, pupil_mm=pupil)
    assert found.valid.all()
    np.testing.assert_allclose(field.forward(found.pixel, pupil_mm=pupil), tangent, atol=1e-9)
    np.testing.assert_allclose(found.pixel, pixel, atol=1e-6)


def test_moving_along_the_ray_changes_nothing(fields):
    field = fields.field("inner", "G")
    pixel, pupil = _points(50, 0.0)
    tangent = field.forward(pixel, pupil_mm=pupil)
    moved = pupil + 1.5 * np.column_stack([tangent, np.ones(len(tangent))])
    np.testing.assert_allclose(field.forward(pixel, pupil_mm=moved), tangent, atol=1e-9)


def test_slopes_against_differences(fields):
    field = fields.field("inner", "B")
    pixel, pupil = _points(40)
    step = 1e-2
    by_pixel, by_pupil = field.jacobian(pixel, pupil_mm=pupil), field.pupil_jacobian(pixel, pupil_mm=pupil)
    for axis in (0, 1):
        shift = np.eye(2)[axis] * step
        slope = (
            field.forward(pixel + shift, pupil_mm=pupil) - field.forward(pixel - shift, pupil_mm=pupil)
        ) / (2 * step)
        np.testing.assert_allclose(by_pixel[..., axis], slope, atol=1e-9)
        shift = np.eye(3)[axis] * step
        slope = (
            field.forward(pixel, pupil_mm=pupil + shift) - field.forward(pixel, pupil_mm=pupil - shift)
        ) / (2 * step)
        np.testing.assert_allclose(by_pupil[..., axis], slope, atol=1e-9)


@pytest.mark.outside
def test_pupil_slope_is_the_vergence(fields):
    """A point at distance L moves by -1/L per metre of pupil (common practice); the plane is 1.5 m ahead."""
    slope = fields.field("inner", "G").pupil_jacobian([1280.0, 1280.0], pupil_mm=[0.0, 0.0, 0.0])
    forward = 1500.0 * np.cos(np.radians(15.0))
    assert -slope[1, 1] * 1000.0 == pytest.approx(1000.0 / forward, rel=0.02)


@pytest.mark.parametrize("depth", [0.0, 1.5])
def test_lattice_equals_scattered(fields, depth):
    field = fields.field("inner", "G")
    u, v, pupil = np.linspace(0, 2560, 7), np.linspace(0, 2560, 5), [1.0, -2.0, depth]
    columns, rows = np.meshgrid(u, v)
    expected = field.forward(np.stack([columns, rows], axis=-1), pupil_mm=pupil)
    np.testing.assert_allclose(field.forward_lattice(u, v, pupil_mm=pupil), expected, atol=1e-11)


@pytest.mark.parametrize("mount", [UNMOUNTED, Mount((1.0, -2.0, 0.5))])
def test_all_pupils_at_once_see_what_each_sees(fields, mount):
    field, random = fields.field("inner", "G").mounted(mount), np.random.default_rng(4)
    pixel = random.uniform([0.0, 0.0], field.panel_size_px, (900, 2))
    pupils = np.concatenate([random.uniform(-3.0, 3.0, (5, 3)), [[1.0, 2.0, 0.0], [0.0, 0.0, 0.0]]])
    found = field.forward_from_all(pixel, pupils_mm=pupils)
    assert found.shape == (7, 900, 2)
    np.testing.assert_allclose(found, field.forward(pixel, pupil_mm=pupils[:, None]), rtol=0, atol=1e-10)
    assert field.forward_from_all(np.zeros((0, 2)), pupils_mm=pupils).shape == (7, 0, 2)
    with pytest.raises(ShapeError, match="expected"):
        field.forward_from_all(pixel, pupils_mm=pupils[0])


def test_empty_batches_stay_empty(fields):
    field, nobody = fields.field("inner", "G"), np.zeros((0, 3))
    assert field.forward(np.zeros((0, 2)), pupil_mm=nobody).shape == (0, 2)
    assert field.inverse(np.zeros((0, 2)), pupil_mm=nobody).pixel.shape == (0, 2)


def test_batches_broadcast_and_outside_is_not_valid(fields):
    field = fields.field("inner", "G")
    assert field.forward(np.full((4, 1, 2), 900.0), pupil_mm=np.zeros((3, 3))).shape == (4, 3, 2)
    found = field.inverse([[1.5, 1.5], [np.nan, 0.0]], pupil_mm=[0.0, 0.0, 0.0])
    assert not found.valid.any() and np.isnan(found.pixel).all()
    with pytest.raises(ShapeError, match=r"pupil_mm has shape \(2,\)"):
        field.forward([1.0, 2.0], pupil_mm=[0.0, 0.0])
    with pytest.raises(ShapeError, match="do not broadcast"):
        field.forward(np.zeros((4, 2)), pupil_mm=np.zeros((3, 3)))


def test_a_panel_counted_backwards_is_fitted_too():
    channels = two_channels(u_backwards=True)
    fields = fit_grid(make_grid("panel", pupils=pupil_lattice(3, 3.0), channels=channels), panel_size_px=SIZE)
    field = fields.field("inner", "G")
    assert field.orientation == 1.0
    pixel, pupil = _points(depth=0.0)
    pupil *= 0.7
    truth = plane_image_forward(pixel, pupil, channels["inner"])
    assert arcmin_between(field.forward(pixel, pupil_mm=pupil), truth).max() < 0.05


def test_one_image_plane_leaves_no_seam_error(fields):
    """Different distortion, planes 1.5 m across each axis: what is left is the planes' turn and the fit."""
    channels = {name: dataclasses.replace(display, yaw_deg=0.0) for name, display in two_channels().items()}
    fields = fit_grid(make_grid("panel", pupils=pupil_lattice(5, 4.0), channels=channels), panel_size_px=SIZE)
    random = np.random.default_rng(5)
    tangent, pupil = random.uniform(-0.2, 0.2, (200, 2)), random.uniform(-3, 3, (200, 3)) * [1, 1, 0.3]
    tracked = pupil + random.uniform(-1, 1, (200, 3)) * [1, 1, 0.3]
    result = seam_error(
        fields.field("inner", "G"),
        fields.field("outer", "G"),
        tangent,
        pupil_mm=pupil,
        tracked_pupil_mm=tracked,
    )
    assert result.valid.all()
    assert result.error_arcmin.max() < 0.02


def test_outliers_are_named_by_row():
    some = {"pupils": pupil_lattice(5, 4.0), "colours": ("R", "G"), "points": 13}
    grid = make_grid("panel", noise_px=0.05, seed=3, **some)
    pixel = grid.pixel.copy()
    bad = np.arange(50, len(pixel), 211)
    pixel[bad] += [6.0, -5.0]
    summary = fit_grid(dataclasses.replace(grid, pixel=pixel), panel_size_px=SIZE).summary()
    assert set((bad + 1).tolist()) <= set(summary["outliers"])
    assert len(summary["outliers"]) <= len(bad) + 0.002 * len(pixel)


def test_saved_fit_reads_back_with_the_same_bytes(fields, tmp_path):
    first, second = tmp_path / "a.npz", tmp_path / "b.npz"
    fields.save(first)
    again = FieldSet.load(first)
    again.save(second)
    assert first.read_bytes() == second.read_bytes()
    pixel, pupil = _points(20)
    np.testing.assert_array_equal(
        again.field("outer", "B").forward(pixel, pupil_mm=pupil),
        fields.field("outer", "B").forward(pixel, pupil_mm=pupil),
    )
    damaged = bytearray(first.read_bytes())
    damaged[len(damaged) // 2] ^= 0xFF
    (tmp_path / "c.npz").write_bytes(bytes(damaged))
    with pytest.raises(InputFileError):
        FieldSet.load(tmp_path / "c.npz")


def test_a_fit_with_the_older_spelling_of_keys_is_read(fields, tmp_path):
    path = tmp_path / "older.npz"
    fields.save(path)
    arrays = read_npz(path, limit_bytes=1 << 28, what="a fit")
    del arrays["sha256"]
    text = arrays["header"].tobytes().decode("utf-8").replace("prewarp field 5", "prewarp field 4")
    arrays["header"] = np.frombuffer(text.replace('"color', '"colour').encode("utf-8"), dtype=np.uint8)
    path.write_bytes(npz_bytes({**arrays, "sha256": arrays_digest(arrays)}))
    back = FieldSet.load(path)
    assert back.fields.keys() == fields.fields.keys()
    assert [report.colours for report in back.reports] == [report.colours for report in fields.reports]


def test_the_same_grid_gives_the_same_bytes(tmp_path):
    grid = make_grid("panel", noise_px=0.05, seed=1, points=11, pupils=pupil_lattice(3, 3.0))
    for name in ("a.npz", "b.npz"):
        fit_grid(grid, panel_size_px=SIZE).save(tmp_path / name)
    assert (tmp_path / "a.npz").read_bytes() == (tmp_path / "b.npz").read_bytes()


def test_comparison_counts_what_it_cannot_predict(fields):
    grid = make_grid("panel", noise_px=0.0, pupils=pupil_lattice(3, 3.0))
    tangent, direction = grid.tangent.copy(), grid.direction_deg.copy()
    direction[:5] = 75.0
    lost = compare_grid(
        fields, dataclasses.replace(grid, tangent=np.tan(np.radians(direction)), direction_deg=None)
    )
    figures = lost.as_dict()
    assert figures["all"]["lost"] == 5 and figures["all"]["count"] == len(tangent)
    assert (
        set(figures["inside"])
        == set(figures["all"])
        >= {"rms_px", "p95_px", "max_px", "rms_arcmin", "p95_arcmin"}
    )
    assert {(group["channel"], group["color"]) for group in figures["groups"]} == set(fields.fields)
    other = dataclasses.replace(grid, channel_names=("inner", "third"))
    with pytest.raises(GridError, match="channel 'third'"):
        compare_grid(fields, other)


def test_bad_requests_say_what_to_do():
    grid = make_grid("panel", pupils=pupil_lattice(3, 3.0))
    with pytest.raises(FitError, match="family is 'spline'"):
        fit_grid(grid, panel_size_px=SIZE, family="spline")
    with pytest.raises(FitError, match="channel 'outer' has no panel size"):
        fit_grid(grid, panel_size_px={"inner": SIZE})
    with pytest.raises(FitError, match="usable samples"):
        fit_grid(dataclasses.replace(grid, pixel=np.full_like(grid.pixel, np.nan)), panel_size_px=SIZE)


def test_a_fold_is_an_error_that_says_where():
    """A quadratic map turns over inside the captured panel."""
    from prewarp.grids import grid_from_samples

    axis = np.linspace(40.0, 600.0, 25)
    v, u = np.meshgrid(axis, axis, indexing="ij")
    tangent = np.stack([(u - 320) / 1500 + ((u - 320) / 900) ** 2, (320 - v) / 1500], axis=-1).reshape(-1, 2)
    grid = grid_from_samples(
        channel=np.full(len(tangent), "inner"),
        colour=np.full(len(tangent), "G"),
        pupil_mm=np.zeros((len(tangent), 3)),
        tangent=tangent,
        pixel=np.stack([u.ravel(), v.ravel()], axis=-1),
    )
    with pytest.raises(FoldError, match="channel 'inner', G: the map folds at u="):
        fit_grid(grid, panel_size_px=(640, 640))


@pytest.mark.parametrize("shape", ["square", "disc", "line", "two points"])
def test_hull_corners_are_those_of_the_library(shape):
    random = np.random.default_rng(8)
    if shape == "square":
        points = np.stack(np.meshgrid(np.linspace(0, 100, 21), np.linspace(0, 60, 13)), -1).reshape(-1, 2)
    elif shape == "disc":
        angle, radius = random.uniform(0, 2 * np.pi, 3000), np.sqrt(random.uniform(0, 1, 3000))
        points = np.stack([radius * np.cos(angle), 0.7 * radius * np.sin(angle)], axis=-1)
    else:
        points = np.linspace([0.0, 0.0], [50.0, 20.0], 30 if shape == "line" else 2)
    if shape in ("line", "two points"):
        np.testing.assert_array_equal(hull_corners(points), np.unique(points, axis=0))
        return
    expected = {tuple(points[place]) for place in ConvexHull(points).vertices}
    assert {tuple(corner) for corner in hull_corners(points)} == expected
