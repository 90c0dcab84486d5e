"""The demo modules: committed grids are what their designs trace to, and the designs are what they claim to be."""

import numpy as np
import pytest

from calib.make_grids import DIRECTIONS, HERE, MARGIN_DEG, NAMES, demo, demo_grid, pupil_positions
from prewarp.frames import ARCMIN_PER_RADIAN
from prewarp.grids import read_grid
from prewarp.trace import reach_lattice, trace_channel

# Pixels are committed to 1e-4, luminance to 1e-5; half a step, and rounding.
PIXEL_LIMIT_PX = 0.51e-4
LUMINANCE_LIMIT = 0.51e-5
# The largest file that belongs in the repository.
SIZE_LIMIT_BYTES = 3_000_000


def sensitivity(module, design, name, tangent, wavelength_nm=532.0):
    """Return dt/d(x, y) (..., 2, 2) per mm at the panel point seen along `tangent` from the eye-box centre."""
    channel = module.channel(name)

    def pixel(direction, pupil):
        return trace_channel(
            design.channel(name), channel.panel, direction, pupil_mm=pupil, wavelength_nm=wavelength_nm
        ).pixel

    def differences(step, at):
        return np.stack([(at(h) - at(-h)) / (2 * step) for h in np.eye(3)[:2] * step], axis=-1)

    by_direction = differences(1e-4, lambda h: pixel(tangent + h[:2], np.zeros(3)))
    by_pupil = differences(0.1, lambda h: pixel(tangent, h))
    return -np.linalg.solve(by_direction, by_pupil), by_direction


@pytest.mark.parametrize("name", NAMES)
def test_the_committed_grid_is_what_the_design_traces_to(name):
    path = HERE / f"{name}.grid.npz"
    assert path.stat().st_size < SIZE_LIMIT_BYTES
    grid = read_grid(path)
    module, design = demo(name)
    assert grid.channel_names == module.channel_names
    assert grid.colour_names == module.colour_names
    positions = pupil_positions(module)
    assert len(np.unique(grid.pupil_mm, axis=0)) == len(positions) == 43
    # Three pupils of 43: a corner of the middle plane, a place inside it, a corner of the eye box.
    for pupil in positions[[0, 11, 42]]:
        here = grid.take(np.flatnonzero(np.all(np.abs(grid.pupil_mm - pupil) < 1e-9, axis=1)))
        seen = 0
        for channel in module.channels:
            directions = reach_lattice(channel, DIRECTIONS, margin_deg=MARGIN_DEG)
            for colour in module.colours:
                part = here.select(channel=channel.name, colour=colour.name)
                optics = design.channel(channel.name)
                traced = trace_channel(
                    optics, channel.panel, directions, pupil_mm=pupil, wavelength_nm=colour.wavelength_nm
                )
                np.testing.assert_allclose(part.tangent, directions[traced.valid], atol=1e-9)
                np.testing.assert_allclose(
                    part.pixel, traced.pixel[traced.valid], rtol=0, atol=PIXEL_LIMIT_PX
                )
                light = optics.brightness_of(colour.name) * traced.luminance[traced.valid]
                np.testing.assert_allclose(part.luminance, light, rtol=0, atol=LUMINANCE_LIMIT)
                seen += len(part)
        assert seen == len(here)


def test_both_modules_share_eye_box_field_and_overlap():
    (coaxial, _), (folded, _) = (demo(name) for name in NAMES)
    assert coaxial.eye_box == folded.eye_box
    assert coaxial.colours == folded.colours
    assert [channel.reach for channel in coaxial.channels] == [channel.reach for channel in folded.channels]


@pytest.mark.parametrize("name", NAMES)
def test_no_ray_is_lost_inside_the_nominal_reach_and_no_map_folds(name):
    module, design = demo(name)
    pupils = module.eye_box.lattice((3, 3, 3))[:, None]
    for channel in module.channels:
        directions = reach_lattice(channel, (23, 19))
        for colour in module.colours:
            result = trace_channel(
                design.channel(channel.name),
                channel.panel,
                directions,
                pupil_mm=pupils,
                wavelength_nm=colour.wavelength_nm,
            )
            assert result.failures() == {}
            # The lattice's cells keep their sense on the panel: no fold.
            cells = result.pixel.reshape(len(pupils), 19, 23, 2)
            along_x, along_y = np.diff(cells, axis=2)[:, :-1], np.diff(cells, axis=1)[:, :, :-1]
            turn = along_x[..., 0] * along_y[..., 1] - along_x[..., 1] * along_y[..., 0]
            assert np.all(turn < 0.0)


@pytest.mark.parametrize("name", NAMES)
def test_images_stand_ahead_at_a_finite_distance(name):
    module, design = demo(name)
    for channel in module.channels:
        middle = np.array([np.tan(np.radians(np.mean(channel.reach.dir_x_deg))), 0.0])
        towards = np.array([0.0, 0.0])
        for tangent in (middle, towards):
            per_mm, _ = sensitivity(module, design, channel.name, tangent)
            assert 0.3 < -np.trace(per_mm) / 2 * 1e3 < 1.5


def test_the_seam_tells_the_modules_apart():
    # Straight ahead is the seam's middle; there -trace(dt/d(x, y)) / 2 is the image distance in dioptres.
    focus, swim = {}, {}
    for name in NAMES:
        module, design = demo(name)
        inner, outer = (
            sensitivity(module, design, channel, np.zeros(2))[0] for channel in module.channel_names
        )
        focus[name] = abs(np.trace(inner - outer)) / 2 * 1e3
        swim[name] = np.linalg.norm(inner - outer, 2) * ARCMIN_PER_RADIAN
    assert focus["coaxial"] < 0.05
    assert 0.2 < focus["folded"] < 0.8
    assert swim["coaxial"] < 0.5
    assert swim["folded"] > 4 * swim["coaxial"]


def test_the_script_writes_the_same_grid_for_the_same_input(tmp_path):
    module, design = demo("coaxial")
    grids = [
        demo_grid(module, design, module.eye_box.lattice((2, 1, 1)), directions=(5, 4))[0] for _ in range(2)
    ]
    assert grids[0].pixel.tobytes() == grids[1].pixel.tobytes()
    assert np.array_equal(grids[0].pixel, np.round(grids[0].pixel, 4))
