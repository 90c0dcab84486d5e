"""What no fit can be made of ends in one clear error, and what a fit says of itself is short."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.errors import FitError, GridError
from prewarp.field import FieldSet, fit_grid
from prewarp.field.border import captured_border
from prewarp.grids import read_grid, write_grid
from tests.sampled_fields import sampled_set
from tests.synthetic import make_grid, pupil_lattice, two_channels

SIZE = (2560, 2560)


@pytest.fixture(scope="module")
def small():
    return make_grid(points=5, pupils=pupil_lattice(2))


@pytest.mark.parametrize(
    ("size", "words"),
    [
        (100, "is 100 (int) for channel 'inner'"),
        ("2560x2560", "(2560, 1440)"),
        ((2560,), "1 entries"),
        ((0, 2560), "out of range"),
        ((2560.5, 2560), "whole number"),
        ({"inner": SIZE, "outer": 7}, "channel 'outer'"),
        ({"inner": SIZE}, "channel 'outer' has no panel size"),
    ],
)
def test_panel_sizes(small, size, words):
    with pytest.raises(FitError) as caught:
        fit_grid(small, panel_size_px=size)
    assert words in str(caught.value)


def test_a_panel_size_may_be_an_array(small):
    assert fit_grid(small, panel_size_px=np.array(SIZE)).field("inner", "G").panel_size_px == SIZE


@pytest.mark.parametrize("rows", [slice(None), slice(7, 8)])
@pytest.mark.parametrize("axis", [0, 1, 2])
def test_absurd_pupils(small, rows, axis):
    pupil = small.pupil_mm.copy()
    pupil[rows, axis] = 1e300
    with pytest.raises(GridError, match=f"eye_{'xyz'[axis]}_mm is 1e[+]300 mm"):
        fit_grid(replace(small, pupil_mm=pupil), panel_size_px=SIZE)


def test_an_absurd_panel_point(small):
    pixel = small.pixel.copy()
    pixel[7, 0] = 1e300
    with pytest.raises(GridError, match="row 8: point u=1e[+]300"):
        fit_grid(replace(small, pixel=pixel), panel_size_px=SIZE)


def test_panel_points_beside_the_panel():
    beside = np.array([[-40.0, 10.0], [-10.0, 10.0], [-10.0, 900.0], [-40.0, 900.0]])
    with pytest.raises(FitError, match="cover no area of a panel of 2560 x 1440 px"):
        captured_border(beside, 0.0, (2560, 1440))


def test_a_set_without_fields():
    with pytest.raises(FitError, match="fit_grid"):
        FieldSet({}, np.zeros((2, 3)), (), {})


def test_the_same_grid_under_another_path_gives_the_same_fit(small, tmp_path):
    for folder in ("a", "b/c"):
        (tmp_path / folder).mkdir(parents=True)
        path = tmp_path / folder / "visor.csv"
        write_grid(path, small)
        fields = fit_grid(read_grid(path), panel_size_px=SIZE)
        assert fields.provenance["grid"] == "visor.csv"
        fields.save(tmp_path / folder / "fit.npz")
    assert (tmp_path / "a/fit.npz").read_bytes() == (tmp_path / "b/c/fit.npz").read_bytes()


def test_reprs_are_short_and_say_what_it_is(small):
    fields = fit_grid(small, panel_size_px=SIZE)
    for value, words in (
        (
            small,
            ("600 samples (0 not finite)", "inner, outer", "R, G, B", "4 pupil positions", "-4 to 4", "mm"),
        ),
        (fields, ("inner, outer", "G, R, B", "noise", "map error", "px", "-4 to 4")),
        (fields.field("inner", "G"), ("Field inner/G", "2560 x 2560 px", "degrees")),
    ):
        assert len(repr(value)) < 400 and "\n" not in repr(value)
        assert all(word in repr(value) for word in words), repr(value)
    page = fields._repr_html_()
    assert page.count("<tr>") == 1 + 2 * 3 and "noise px" in page
    assert len(repr(sampled_set(two_channels()))) < 400
