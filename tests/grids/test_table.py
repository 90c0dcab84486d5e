"""The grid as a value: broadcasting, selection, validation."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.errors import GridError, ShapeError
from prewarp.grids import grid_from_samples
from tests.synthetic import make_grid, pupil_lattice


def small():
    return make_grid(points=3, pupils=pupil_lattice(2))


def test_samples_broadcast_in_c_order():
    pupil = np.array([[0.0, 0, 0], [1, 0, 0]])[:, None]
    pixel = np.array([[10.0, 20], [30, 40], [50, 60]])
    grid = grid_from_samples(
        channel=np.array([["a"], ["b"]]),
        colour="G",
        pupil_mm=pupil,
        tangent=pixel / 1000,
        pixel=pixel,
        luminance=0.5,
    )
    assert len(grid) == 6
    assert grid.pupil_mm[:, 0].tolist() == [0, 0, 0, 1, 1, 1]
    assert grid.pixel[:, 0].tolist() == [10, 30, 50, 10, 30, 50]
    assert grid.channel.tolist() == [0, 0, 0, 1, 1, 1] and grid.luminance.tolist() == [0.5] * 6
    assert grid.row.tolist() == [1, 2, 3, 4, 5, 6]


def test_a_grid_does_not_share_memory_with_the_caller():
    pixel = np.ones((4, 2))
    grid = grid_from_samples(
        channel="a", colour="G", pupil_mm=(0, 0, 0), tangent=np.zeros((4, 2)), pixel=pixel
    )
    pixel[:] = 7.0
    assert (grid.pixel == 1.0).all()


def test_tangents_change_by_rounding_only():
    tangent = np.random.default_rng(0).normal(size=(1000, 2))
    grid = grid_from_samples(channel="a", colour="G", pupil_mm=(0, 0, 0), tangent=tangent, pixel=(1.0, 2.0))
    np.testing.assert_allclose(grid.tangent, tangent, rtol=1e-14)


def test_select_narrows_names_and_keeps_rows():
    grid = small()
    part = grid.select(channel="outer", colour="B")
    assert (part.channel_names, part.colour_names) == (("outer",), ("B",))
    mask = (grid.channel == 1) & (grid.colour == grid.colour_names.index("B"))
    np.testing.assert_array_equal(part.row, grid.row[mask])
    np.testing.assert_array_equal(part.pixel, grid.pixel[mask])
    assert part.channel.max() == 0 and part.pairs() == (("outer", "B"),)


def test_select_unknown_name_gives_the_nearest():
    with pytest.raises(GridError, match="no channel 'iner'.*Did you mean 'inner'"):
        small().select(channel="iner")


def test_select_without_samples():
    grid = small().take(np.r_[0:9])  # inner R only
    with pytest.raises(GridError, match="no colour 'B'"):
        grid.select(colour="B")


def test_finite_marks_every_kind_of_hole():
    grid = small()
    pixel = grid.pixel.copy()
    pixel[2, 1] = np.nan
    assert np.flatnonzero(~replace(grid, pixel=pixel).finite).tolist() == [2]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"pixel": np.zeros((3, 2))}, r"pixel has shape \(3, 2\)"),
        ({"tangent": np.zeros((72 * 3, 2))}, "tangent and direction_deg disagree"),
        ({"extra": {"panel_u_px": np.zeros(72 * 3)}}, "has the name of a grid column"),
        ({"extra": {"note": np.zeros(2)}}, r"'note' has shape \(2,\)"),
        ({"channel_names": ("inner",)}, "channel code 1 has no name"),
        ({"channel_names": ("inner", " ")}, "expected a name"),
    ],
)
def test_wrong_columns_are_refused(change, message):
    with pytest.raises(GridError, match=message):
        replace(small(), **change)


def test_wrong_arguments_are_refused():
    good = {
        "channel": "a",
        "colour": "G",
        "pupil_mm": (0, 0, 0),
        "tangent": np.zeros((4, 2)),
        "pixel": np.zeros((4, 2)),
    }
    with pytest.raises(ShapeError, match="do not broadcast"):
        grid_from_samples(**(good | {"pixel": np.zeros((3, 2))}))
    with pytest.raises(ShapeError, match="expected names"):
        grid_from_samples(**(good | {"channel": 3}))
    with pytest.raises(GridError, match="0 samples"):
        grid_from_samples(**(good | {"tangent": np.zeros((0, 2)), "pixel": np.zeros((0, 2))}))
