"""Each planted fault is found with its kind and its rows; clean grids are left in peace.

Truth is the closed-form display of `tests/synthetic.py`, whose geometry is exact (Malus-Dupin holds by
construction).
"""

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from prewarp.checking import check_grid, consistency
from prewarp.frames import tangent_from_degrees, unit_from_tangent
from prewarp.grids import read_grid
from prewarp.module import read_module
from tests.poses import captures
from tests.support import LONG, long_form, one_in
from tests.synthetic import PlaneImage, make_grid, plane_image_forward, pupil_lattice, two_channels

KINDS = ("panel", "direction", "scattered")
SIZE = (2560, 2560)


@lru_cache(maxsize=len(KINDS))
def good(kind):
    return make_grid(kind, noise_px=0.05, seed=3, points=11)


@pytest.fixture(params=KINDS)
def clean(request):
    return good(request.param)


# Faults that are found before layouts come into play.
@pytest.fixture(params=KINDS if LONG else ("direction",))
def whatever(request):
    return good(request.param)


def changed(grid, rows=None, *, pixel=None, direction=None, pupil=None, channel=None, colour=None):
    """Return the grid with functions applied to columns of the chosen rows."""
    rows = np.ones(len(grid), bool) if rows is None else rows
    columns = {"pixel": grid.pixel, "direction_deg": grid.direction_deg, "pupil_mm": grid.pupil_mm}
    columns |= {"channel": grid.channel, "colour": grid.colour}
    columns = {name: array.copy() for name, array in columns.items()}
    for name, change in (
        ("pixel", pixel),
        ("direction_deg", direction),
        ("pupil_mm", pupil),
        ("channel", channel),
        ("colour", colour),
    ):
        if change is not None:
            columns[name][rows] = change(columns[name][rows])
    forward = np.abs(columns["direction_deg"]) < 90
    tangent = np.where(forward, tangent_from_degrees(np.where(forward, columns["direction_deg"], 0)), np.nan)
    return replace(grid, tangent=tangent, **columns)


def at(grid, x, y):
    return (grid.pupil_mm[:, 0] == x) & (grid.pupil_mm[:, 1] == y)


def flip(axis):
    return lambda a: a * np.where(np.arange(a.shape[1]) == axis, -1.0, 1.0)


def rows_of(result, kind, severity="error"):
    """Return the rows of all findings of a kind; the tests' faults stay below the rows that are kept."""
    return {row for f in result.of(kind, severity) for row in f.rows}


def troubles(result):
    return [f.line() for f in result.findings if f.severity != "remark"]


CLEAN = {
    "two channels": {},
    "one pupil": {"pupils": pupil_lattice(1)},
    "three depths": {"pupils": pupil_lattice(3, 4.0, (-2.0, 0.0, 2.0)), "points": 9},
    "u backwards": {"channels": two_channels(u_backwards=True)},
    "near": {"channels": two_channels(distance_m=0.3)},
    "far": {"channels": two_channels(distance_m=1e5)},
    "strong distortion": {"channels": two_channels(radial=(-0.35, 0.12))},
    "few": {"points": 6, "pupils": pupil_lattice(2, 2.0)},
}


@pytest.mark.parametrize(("kind", "noise_px", "case"), one_in(2, KINDS, [0.0, 0.2], CLEAN))
def test_clean_grids_are_left_in_peace(kind, noise_px, case):
    arguments = {"points": 11, "pupils": pupil_lattice(3), "colours": ("R", "G")} | CLEAN[case]
    grid = make_grid(kind, noise_px=noise_px, **arguments)
    assert troubles(check_grid(grid, panel_size_px=SIZE, pupil_degree=0)) == []


def px_per_degree(display):
    """Return the middle panel px per degree over the panel, by differences of unit vectors."""
    u, v = np.meshgrid(np.linspace(40, 2520, 15), np.linspace(40, 2520, 15))
    pixel = np.stack([u.ravel(), v.ravel()], axis=-1)
    along_u, along_v = (
        unit_from_tangent(plane_image_forward(pixel + step, np.zeros(3), display))
        - unit_from_tangent(plane_image_forward(pixel - step, np.zeros(3), display))
        for step in 0.5 * np.eye(2)
    )
    solid_angle = np.linalg.norm(np.cross(along_u, along_v), axis=-1)  # of one px
    return np.median(1.0 / np.degrees(np.sqrt(solid_angle)))


def test_clean_figures(clean):
    figures = check_grid(clean).figures
    kind = clean.source.split()[1]
    assert figures["layout"] == kind and figures["pupil_positions"] == 25
    # Image at 1.5 m: 0.667 dioptres at the middle, times cos^2 and the like away from it.
    assert figures["image_vergence_dioptres"]["inner/G"] == pytest.approx(1 / 1.5, rel=0.1)
    for channel, display in two_channels().items():
        assert figures["px_per_degree"][f"{channel}/G"] == pytest.approx(px_per_degree(display), rel=0.02)
    assert figures["noise_px"]["inner/G"] == pytest.approx(0.05, rel=0.35)
    assert figures["curl_arcmin_per_mm"]["inner/G"] < 0.01


@pytest.mark.parametrize(
    ("fault", "mend"),
    [
        ({"direction": flip(0)}, "Negate dir_x_deg"),
        ({"direction": flip(1)}, "Negate dir_y_deg"),
        ({"direction": lambda d: d[:, ::-1]}, "Swap the two columns"),
        ({"pixel": lambda p: p[:, ::-1]}, "Swap the two columns"),
        ({"pixel": lambda p: p * [-1, 1] + [2560, 0]}, "width - u"),
    ],
)
def test_axis_of_one_pupil_position(whatever, fault, mend):
    rows = at(whatever, 4, 2) & (whatever.channel == 0)
    result = check_grid(changed(whatever, rows, **fault))
    assert rows_of(result, "axis") == set(whatever.row[rows])
    assert all(mend in f.mend for f in result.of("axis", "error"))


def test_axis_of_one_colour(whatever):
    rows = (whatever.channel == 1) & (whatever.colour == 1)
    (found,) = check_grid(changed(whatever, rows, direction=flip(1))).of("axis", "error")
    assert found.row_count == rows.sum() and (found.channel, found.colour) == ("outer", "G")
    assert "dir_y_deg" in found.text


def test_axis_of_one_channel_and_of_all(whatever):
    def backwards(pixel):
        return pixel * [-1, 1] + [2560, 0]

    # The pupil's motion proves directions right, so a mirror image is a remark, and no column is to be
    # changed.
    for rows in (whatever.channel == 0, None):
        result = check_grid(changed(whatever, rows, pixel=backwards))
        assert [f.channel for f in result.of("axis", "remark")] == ["inner", "outer"][
            : 1 if rows is not None else 2
        ]
        assert not troubles(result)
        assert all("mirrored = true" in f.mend and "Negate" not in f.mend for f in result.of("axis"))


def test_radians(whatever):
    result = check_grid(changed(whatever, direction=np.radians))
    assert len(result.of("units", "error")) == 2
    assert all("180/pi" in f.mend for f in result.of("units"))
    rows = at(whatever, 2, -4) & (whatever.channel == 0)
    result = check_grid(changed(whatever, rows, direction=np.radians))
    assert rows_of(result, "units") == set(whatever.row[rows])


def test_degrees_converted_twice(whatever):
    result = check_grid(changed(whatever, direction=np.degrees))
    assert "pi/180" in result.of("units", "error")[0].mend
    assert result.of("units", "error")[0].row_count > 0.9 * len(whatever)


def test_pupil_units_and_signs(whatever):
    metres = check_grid(changed(whatever, pupil=lambda e: e / 1000))
    assert "multiply" in metres.of("units", "error")[0].mend
    micrometres = check_grid(changed(whatever, pupil=lambda e: e * 1000))
    assert "divide them by 1000" in micrometres.of("range", "error")[0].mend
    assert "eye_x_mm" in check_grid(changed(whatever, pupil=flip(0))).of("axis", "warning")[0].mend
    swapped = check_grid(changed(whatever, pupil=lambda e: e[:, [1, 0, 2]]))
    assert "Swap eye_x_mm and eye_y_mm" in swapped.of("axis", "error")[0].mend
    rows = (whatever.channel == 0) & (whatever.colour == 0)
    (found,) = check_grid(changed(whatever, rows, pupil=flip(1))).of("axis", "error")
    assert found.row_count == rows.sum() and "eye_y_mm" in found.mend


def test_mixed_up_channels(whatever):
    rows = at(whatever, -2, 2)
    result = check_grid(changed(whatever, rows, channel=lambda c: 1 - c))
    assert rows_of(result, "channel") == set(whatever.row[rows])
    assert {(f.channel, f.mend.split("'")[1]) for f in result.of("channel")} == {
        ("inner", "outer"),
        ("outer", "inner"),
    }


def test_mixed_up_colours(whatever):
    rows = at(whatever, -2, 2) & (whatever.channel == 0) & (whatever.colour < 2)
    result = check_grid(changed(whatever, rows, colour=lambda c: 1 - c))
    assert rows_of(result, "color") == set(whatever.row[rows])


def test_wrong_pupil_positions(clean):
    rows = at(clean, 4, 4) & (clean.channel == 0)
    result = check_grid(changed(clean, rows, pupil=lambda e: e + [0.5, 0, 0]))
    assert rows_of(result, "pupil") == set(clean.row[rows])
    # The position written is taken already, so two captures share it: the wrong half is told from the right
    # one.
    rows = at(clean, 4, 2) & (clean.channel == 0)
    result = check_grid(changed(clean, rows, pupil=flip(1)))
    assert rows_of(result, "pupil") == set(clean.row[rows])
    assert "(4, 2, 0) mm" in result.of("pupil")[0].text


@pytest.mark.parametrize("size_px", [2.0, pytest.param(5.0, marks=long_form), 20.0, 300.0])
def test_outliers(clean, size_px):
    random = np.random.default_rng(5)
    rows = random.uniform(size=len(clean)) < 0.005
    angle = random.uniform(0, 2 * np.pi, rows.sum())
    shift = size_px * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    result = check_grid(changed(clean, rows, pixel=lambda p: p + shift))
    found, outermost = (rows_of(result, "outlier", severity) for severity in ("warning", "remark"))
    wrong = set(clean.row[rows])
    assert len((found | outermost) & wrong) >= (0.97 if size_px > 2 else 0.9) * len(wrong)
    # Only at the corners of the pupil lattice may an outlier be called possibly real.
    corner = set(clean.row[(np.abs(clean.pupil_mm[:, :2]) == 4).all(axis=1)])
    assert outermost <= corner and len(found & (wrong - corner)) >= 0.9 * len(wrong - corner)
    assert len(found - wrong) <= 0.0005 * len(clean)


def test_turns_of_a_camera_by_an_arcmin_are_no_curl():
    """A right capture from 25 positions, each shot 0.1 mm and an arcmin off: it was warned of."""
    errors = captures.stage_errors(25, np.random.default_rng(1))
    grid = captures.capture(
        errors, captures.pupil_lattice(2.0), np.random.default_rng(1), dots=13, noise_px=0.02
    )
    result = check_grid(grid)
    assert not [found for found in result.findings if found.severity != "remark"]
    for name, curl in result.figures["curl_arcmin_per_mm"].items():
        assert 0.4 < curl / result.figures["curl_noise_arcmin_per_mm"][name] < 2.5


def test_curl_of_noise_is_foreseen_where_a_part_of_the_rows_is_fitted(monkeypatch):
    """22,500 rows, of which the surface takes 6,000: its errors are those of 6,000."""
    seen, curl_of = [], consistency._curl
    monkeypatch.setattr(consistency, "_curl", lambda *given: seen.append(curl_of(*given)) or seen[-1])
    channels = {"inner": two_channels()["inner"]}
    check_grid(
        make_grid(noise_px=0.3, points=30, channels=channels, colours=("G",)), panel_size_px=(2560, 2560)
    )
    curl, variance = seen[0]
    assert np.sqrt(np.mean(curl**2) / np.mean(variance)) == pytest.approx(1.0, abs=0.3)


def test_curl_of_a_turned_pupil_stage(clean):
    """Pupil axes turned by a against direction axes: curl 2 sin(a) D (derived here from t = (X - e)/L)."""
    a = np.radians(3.0)
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    result = check_grid(changed(clean, pupil=lambda e: e @ turn))
    (found,) = result.of("curl", "warning")
    assert "every channel and colour" in found.text and found.size.unit == "arcmin/mm"
    expected = 2 * np.sin(a) / 1500 * 3437.75
    assert result.figures["curl_arcmin_per_mm"]["inner/G"] == pytest.approx(expected, rel=0.15)


def test_missing_points_and_pupils(clean):
    random = np.random.default_rng(1)
    missing = check_grid(clean.take(random.uniform(size=len(clean)) > 0.02))
    if clean.source.endswith("scattered"):
        assert not missing.of("lattice") and "cannot be told" in missing.of("layout")[0].text
    else:
        (found,) = missing.of("lattice")
        assert (
            found.severity == "remark" and 1.2 < found.size.value < 2.2
        )  # the rim of a direction lattice is not missed
        assert not missing.of("outlier")
    pupils = check_grid(clean.take(~at(clean, 2, 2)))
    assert "(2, 2, 0)" in pupils.of("pupil_lattice", "warning")[0].text
    one = check_grid(clean.take(~(at(clean, 2, 2) & (clean.channel == 0) & (clean.colour == 0))))
    assert [f.channel for f in one.of("pupil_lattice")] == ["inner"]


def test_one_missing_point_is_named():
    grid = make_grid("panel", points=9, pupils=pupil_lattice(3), colours=("G",), channels={"a": PlaneImage()})
    hole = 9 * 81 // 2
    u, v = grid.pixel[hole]
    (found,) = check_grid(grid.take(np.arange(len(grid)) != hole)).of("lattice")
    assert f"u={u:.6g} v={v:.6g} px at pupil (0, 0, 0)" in found.text


def test_a_missing_corner_that_other_pupils_have_is_named():
    grid = make_grid("panel", points=9, pupils=pupil_lattice(4), colours=("G",), channels={"a": PlaneImage()})
    corner = 3 * 81 + 80
    u, v = grid.pixel[corner]
    x, y, _ = grid.pupil_mm[corner]
    (found,) = check_grid(grid.take(np.arange(len(grid)) != corner)).of("lattice")
    assert f"u={u:.6g} v={v:.6g} px at pupil ({x:g}, {y:g}, 0)" in found.text


def test_duplicates_and_conflicts(clean):
    result = check_grid(clean.take(np.r_[0 : len(clean), 5:10]))
    assert result.of("duplicate", "warning")[0].rows == tuple(clean.row[5:10])
    twice = clean.take(np.r_[0 : len(clean), 5:10])
    late = np.arange(len(twice)) >= len(clean)
    if clean.source.endswith("panel"):
        result = check_grid(changed(twice, late, direction=lambda d: d + 0.5))
    else:
        result = check_grid(changed(twice, late, pixel=lambda p: p + 20.0))
    assert set(result.of("conflict", "error")[0].rows) == set(clean.row[5:10])


def test_too_few_pupil_positions(whatever):
    assert not check_grid(whatever, pupil_degree=4).of("pupils")
    found = check_grid(whatever, pupil_degree=6).of("pupils", "error")
    assert len(found) == 1 and "needs 28" in found[0].text and "to 4" in found[0].mend
    line = check_grid(whatever.take(whatever.pupil_mm[:, 1] == 0), pupil_degree=1).of("pupils", "error")
    assert "one line" in line[0].text


@pytest.mark.parametrize("kind", ["panel", "scattered"])
def test_folds(kind):
    """x (1 + k r^2) turns over at r = 1/sqrt(-3 k): for k = -1.6 at 0.456, inside the corner at 0.60."""
    grid = make_grid(
        kind, noise_px=0.05, points=13, colours=("G",), channels={"a": PlaneImage(radial=(-1.6, 0.0))}
    )
    (found,) = check_grid(grid).of("fold", "error")
    radius = np.hypot(*(grid.pixel[np.isin(grid.row, found.rows)] - 1280).T) / 3000
    assert radius.min() > 0.4 and "for pupil (-4, -4, 0) mm" in found.text


@pytest.mark.parametrize("name", ["coaxial", "folded"])
def test_traced_optics_are_left_in_peace(name):
    """The demo's grids: exact traces of real aberrated optics, which no low polynomial follows at the rim."""
    folder = Path(__file__).parents[2] / "calib"
    module = read_module(folder / f"{name}.module.toml")
    result = check_grid(read_grid(folder / f"{name}.grid.npz"), module=module, pupil_degree=4)
    assert troubles(result) == []
