"""Polynomials between dots: what a lattice leaves free is not fitted."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from prewarp.capture.photograph.optics import OpticsOfDesign
from prewarp.field import fit_grid
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.gaps import degree_carried, variance_between
from prewarp.fitting.samples import DOT_GROUPS, _deal_dots
from prewarp.frames import unit_from_tangent
from prewarp.grids import grid_from_samples
from prewarp.module import read_module
from prewarp.trace import read_design
from tests.poses.captures import capture, errors_px, held_out, pupil_lattice, stage_errors
from tests.poses.judging import panel_size

CALIB = Path(__file__).resolve().parents[2] / "calib"


def lattice(size, count, rim=0.0):
    axes = [np.linspace(rim, length - rim, count) for length in size]
    return np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)


@pytest.mark.parametrize("count", [5, 8])
def test_a_lattice_leaves_the_power_of_its_columns_free(count):
    """The product of (u - u_i) over the columns is zero at every dot: degree n is free on n columns."""
    variance = variance_between(lattice((1000, 800), count), ChebyshevPanel((1000, 800), count + 1))
    assert np.isfinite(variance[:count]).all()
    assert np.isinf(variance[count:]).all()


@pytest.mark.outside
def test_the_variance_is_that_of_least_squares():
    """Against the covariance of `numpy.polyfit` of degree 2, halfway between dots on a slope u = 3 v.

    Dots on one line leave 3 of the 6 functions of degree 2 free; those of degree 0 and 1 are told by hand.
    """
    place = np.linspace(-1.0, 1.0, 9)
    dots = np.concatenate([np.stack([place, np.full(9, v)], axis=-1) for v in (-1.0, 0.0, 1.0)])
    variance = variance_between(dots * 500.0 + 500.0, ChebyshevPanel((1000, 1000), 1))
    covariance = np.polyfit(place, place, 1, cov="unscaled")[1]
    # Along u a third of that of one line, and 1 / sum v^2 of the slope down, both at the rim.
    at = np.array([(place[0] + place[1]) / 2.0, 1.0])
    assert variance[0] == pytest.approx(1.0 / 27.0)
    assert variance[1] == pytest.approx(at @ covariance @ at / 3.0 + 1.0 / 18.0)
    line = np.stack([place, place / 3.0], axis=-1) * 500.0 + 500.0
    assert np.isinf(variance_between(line, ChebyshevPanel((1000, 1000), 2))[1:]).all()


def traced(count, positions):
    """Return the inner channel of the coaxial demo, noise-free, and its panel's size."""
    module, design = read_module(CALIB / "coaxial.module.toml"), read_design(CALIB / "coaxial.design.toml")
    channel = module.channels[0]
    optics = OpticsOfDesign(design, module)(channel.name, "G")
    pixel = lattice(channel.panel.size_px, count, rim=12.0)
    parts = []
    for number in range(positions**2):
        place = np.array(divmod(number, positions)) / (positions - 1) * 2.0 - 1.0
        pupil = np.array([*(place * module.eye_box.half_mm[:2]), 2.0 if number % 2 else -2.0])
        tangent = optics.direction(pixel, pupil)
        seen = np.isfinite(tangent).all(axis=1) & (optics.seen(tangent, pupil).clearance > 0.0)
        parts.append((np.tile(pupil, (int(seen.sum()), 1)), tangent[seen], pixel[seen]))
    pupil_mm, tangent, pixel = (np.concatenate(one) for one in zip(*parts, strict=True))
    grid = grid_from_samples(
        channel=channel.name, colour="G", pupil_mm=pupil_mm, tangent=tangent, pixel=pixel
    )
    return grid, channel.panel.size_px


@pytest.mark.outside
def test_a_traced_field_on_few_dots_is_right_between_them():
    """By the trace itself, at panel points and pupils between those fitted."""
    grid, size = traced(11, 4)
    field = fit_grid(grid, panel_size_px=size, family="polynomial").field("inner", "G")
    truth, _ = traced(20, 3)
    cross = np.cross(
        unit_from_tangent(field.forward(truth.pixel, pupil_mm=truth.pupil_mm)),
        unit_from_tangent(truth.tangent),
    )
    arcmin = np.degrees(np.linalg.norm(cross, axis=-1)) * 60.0
    assert np.sqrt(np.mean(arcmin**2)) < 0.05 and arcmin.max() < 0.2


def test_no_group_of_dots_is_all_of_them():
    """Nine dots rim to rim lie three regions of 24 apart: one group would be left out whole."""
    group = _deal_dots(lattice((1600, 1600), 9), (1600, 1600))
    assert np.bincount(group[group >= 0], minlength=DOT_GROUPS).max() < 0.6 * len(group)


@pytest.mark.outside
def test_a_lattice_of_directions_is_right_between_its_directions():
    """By the trace: 13 x 13 directions, three colours, 0.05 px of noise; degree 16 was taken: 0.96 px."""
    colours = ("R", "G", "B")
    exact = stage_errors(25, np.random.default_rng(1), size=0.0)
    grid = capture(
        exact, pupil_lattice(2.0), np.random.default_rng(1), dots=13, channels=("outer",), colours=colours
    )
    fields = fit_grid(grid, panel_size_px=panel_size(), family="polynomial")
    truth = held_out(dots=11, channels=("outer",), colours=colours)
    assert errors_px(fields, truth) < 0.02


def test_directions_on_a_line_are_no_lattice():
    """A slit of directions from many positions: its own dots on the panel are asked, without a warning."""
    pixel = np.stack([np.tile(np.linspace(100.0, 900.0, 20), 20), np.full(400, 500.0)], axis=-1)
    pixel += np.repeat(np.arange(20.0), 20)[:, None]
    samples = SimpleNamespace(
        shares_dots=False,
        colour=np.zeros(400, int),
        cosine=np.stack([np.tile(np.linspace(-0.2, 0.2, 20), 20), np.zeros(400)], axis=-1),
        view=np.repeat(np.arange(20), 20),
        pixel=pixel,
        dot_pixel=pixel,
        count=400,
        views=20,
        dots=400,
        panel_basis=lambda degree: ChebyshevPanel((1000, 1000), degree),
    )
    assert 1 <= degree_carried(samples, 20) < 20
