"""The demo modules: committed grids are what designs trace to, and designs are what they claim to be."""

import itertools

import numpy as np
import pytest
from numpy.polynomial.chebyshev import chebvander

from calib.make_grids import DIRECTIONS, HERE, MARGIN_DEG, NAMES, demo, demo_grid, pupil_positions
from prewarp.frames import arcmin_between, curvature_from_slope, tangent_from_degrees, unit_from_tangent
from prewarp.grids import read_grid
from prewarp.trace import reach_lattice, trace_channel
from prewarp.trace.rays import trace_rays

# Pixels are committed to 1e-4, luminance to 1e-5; half a step, and rounding.
PIXEL_LIMIT_PX = 0.51e-4
LUMINANCE_LIMIT = 0.51e-5
# The largest file that belongs in the repository.
SIZE_LIMIT_BYTES = 3_000_000


def sensitivity(module, design, name, tangent, wavelength_nm=532.0):
    """Return dt/d(x, y) (..., 2, 2) per mm at the panel point seen along `tangent` from the centre."""
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
                light = optics.relative_luminance_of(colour.name) * traced.luminance[traced.valid]
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


@pytest.mark.parametrize("name", NAMES)
def test_light_meets_the_surfaces_in_the_order_of_the_file(name):
    """No negative thickness, no lens in front of the one before it: every ray runs on between surfaces."""
    module, design = demo(name)
    pupils = module.eye_box.lattice((3, 3, 3))[:, None]
    for channel in module.channels:
        optics = design.channel(channel.name)
        heading = unit_from_tangent(reach_lattice(channel, (9, 7)))
        rays = trace_rays(optics.surfaces, optics.places(), pupils, heading, wavelength_nm=532.0)
        steps = np.diff(rays.path, axis=0)
        length = np.linalg.norm(steps, axis=-1, keepdims=True)
        assert length.min() > 0.5
        # The ray through the middle of the eye box along the middle of the reach runs the way that light
        # does.
        middle = (steps / length)[:, len(pupils) // 2, heading.shape[0] // 2]
        assert np.einsum("spdi,si->spd", steps / length, middle).min() > 0.5
        assert np.einsum("i,i", middle[0], heading[heading.shape[0] // 2]) == pytest.approx(1.0)


@pytest.mark.parametrize(("name", "rms_px", "largest_px"), [("coaxial", 0.02, 0.3), ("folded", 0.05, 0.5)])
def test_a_polynomial_of_degree_eight_follows_the_optics_to_the_rim(name, rms_px, largest_px):
    # Degree 8 in panel and pupil together, 4 in the pupil, of all that is in the grid; numpy's least squares.
    module, _ = demo(name)
    grid = read_grid(HERE / f"{name}.grid.npz")
    exponents = np.array(
        [
            e
            for e in itertools.product(range(9), range(9), range(5), range(5))
            if sum(e) <= 8 and e[2] + e[3] <= 4
        ]
    )
    for channel in module.channels:
        part = grid.select(channel=channel.name, colour="G")
        cosine = unit_from_tangent(part.tangent)[:, :2]
        # Rays do not bend between pupil planes.
        place = part.pupil_mm[:, :2] - part.pupil_mm[:, 2:] * part.tangent
        half = np.array([channel.panel.width_px, channel.panel.height_px]) / 2.0

        def basis(pixel, place=place, half=half):
            scaled = np.concatenate([pixel / half - 1.0, place / np.abs(place).max(axis=0)], axis=1)
            return np.prod(
                [chebvander(values, 8)[:, exponents[:, k]] for k, values in enumerate(scaled.T)], axis=0
            )

        coefficients = np.linalg.lstsq(basis(part.pixel), cosine, rcond=None)[0]
        slope = np.stack(
            [(basis(part.pixel + h) - basis(part.pixel - h)) @ coefficients / 2.0 for h in np.eye(2)], axis=-1
        )
        residual = cosine - basis(part.pixel) @ coefficients
        distance = np.linalg.norm(np.linalg.solve(slope, residual[..., None])[..., 0], axis=-1)
        assert np.sqrt(np.mean(distance**2)) < rms_px
        assert distance.max() < largest_px


@pytest.mark.parametrize("name", NAMES)
def test_the_colours_of_a_channel_lie_near_one_distance(name):
    """Colours at other distances part when the pupil moves: 0.25 dioptre is 0.86 arcmin per mm."""
    module, design = demo(name)
    for channel in module.channels:
        middle = np.array([np.tan(np.radians(np.mean(channel.reach.dir_x_deg))), 0.0])
        dioptres = [
            0.5
            * np.trace(
                curvature_from_slope(
                    middle, sensitivity(module, design, channel.name, middle, colour.wavelength_nm)[0]
                )
            )
            for colour in module.colours
        ]
        assert np.ptp(dioptres) < 0.25


def seam_error_arcmin(module, design, moved_mm, wavelength_nm=532.0):
    """Return how far both channels come apart (n,), arcmin, over the overlap when nothing is tracked."""
    inner, outer = (channel.reach for channel in module.channels)
    x = np.linspace(outer.dir_x_deg[0], inner.dir_x_deg[1], 9)
    y = np.linspace(*inner.dir_y_deg, 11)
    content = tangent_from_degrees(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))
    shown = []
    for channel in module.channels:
        optics = design.channel(channel.name)

        def pixel(tangent, pupil, optics=optics, panel=channel.panel):
            return trace_channel(optics, panel, tangent, pupil_mm=pupil, wavelength_nm=wavelength_nm).pixel

        drawn, seen = pixel(content, np.zeros(3)), content
        for _ in range(6):
            slope = np.stack(
                [(pixel(seen + h, moved_mm) - pixel(seen - h, moved_mm)) / 2e-4 for h in 1e-4 * np.eye(2)],
                axis=-1,
            )
            step = np.linalg.solve(slope, (drawn - pixel(seen, moved_mm))[..., None])[..., 0]
            seen = seen + step
        assert np.abs(step).max() < 1e-9
        shown.append(seen)
    return arcmin_between(*shown)


@pytest.mark.parametrize("moved_mm", [(3.0, 0.0, 0.0), (-3.0, 0.0, 0.0), (0.0, 3.0, 0.0)])
def test_the_coaxial_pair_merges_untracked_and_the_folded_one_does_not(moved_mm):
    rms = {name: np.sqrt(np.mean(seam_error_arcmin(*demo(name), np.array(moved_mm)) ** 2)) for name in NAMES}
    # A person sees about one arcmin (common practice).
    assert rms["coaxial"] < 0.35
    assert 2.0 < rms["folded"] < 10.0


def test_the_focus_step_at_the_seam_tells_the_modules_apart():
    # Straight ahead is the seam's middle; there -trace(dt/d(x, y)) / 2 is the image distance in dioptres.
    step = {}
    for name in NAMES:
        module, design = demo(name)
        inner, outer = (
            sensitivity(module, design, channel, np.zeros(2))[0] for channel in module.channel_names
        )
        step[name] = abs(np.trace(inner - outer)) / 2 * 1e3
    assert step["coaxial"] < 1e-3
    assert 0.2 < step["folded"] < 0.4


def test_the_script_writes_the_same_grid_for_the_same_input(tmp_path):
    module, design = demo("coaxial")
    grids = [
        demo_grid(module, design, module.eye_box.lattice((2, 1, 1)), directions=(5, 4))[0] for _ in range(2)
    ]
    assert grids[0].pixel.tobytes() == grids[1].pixel.tobytes()
    assert np.array_equal(grids[0].pixel, np.round(grids[0].pixel, 4))
