"""What is lit, per channel and colour, held to a trace through rims and edges."""

from functools import cache

import numpy as np
import pytest
from scipy.spatial import cKDTree

from prewarp.errors import ShapeError
from prewarp.field import FieldSet, Mount
from prewarp.field.lit import LitRegion
from tests.dark_cases import (
    BETWEEN,
    CENTRED,
    CHECKED,
    CORNER,
    FIRST,
    PANEL,
    SIDE,
    among,
    case,
    fitted,
    trace,
)
from tests.support import LONG, long_form

DARK = [name for name in CHECKED if name != "nothing dark"]
PUPILS = (CENTRED, SIDE, CORNER, *BETWEEN) if LONG else (SIDE, BETWEEN[0])
COLOURS = ("R", "G", "B")
# Closer than the dots lie, so that a distance to the true border is known to a fifth of their spacing.
STEP_DEG = 0.4


@cache
def traced(name: str, channel: str, colour: str, pupil: tuple[float, float, float]):
    """Return panel points (n, 2) seen from a pupil and which of them are lit, by the trace; all on the
    panel.
    """
    pair = case(name)
    optics = pair.optics[channel]
    x = np.arange(-34.0, 34.0, STEP_DEG)
    angle = np.stack(np.meshgrid(x, x), axis=-1).reshape(-1, 2) + [optics.yaw_deg, optics.pitch_deg]
    found = trace(optics, colour, np.tan(np.radians(angle)), np.array(pupil))
    return found.pixel[found.on_panel], found.lit[found.on_panel]


def each(name):
    """Yield channel, colour and pupil: all of green, and red and blue from one pupil between the captured."""
    for channel in case(name).optics:
        for pupil in PUPILS:
            yield channel, "G", pupil
        for colour in ("R", "B"):
            yield channel, colour, BETWEEN[0]


@pytest.mark.outside
@pytest.mark.parametrize("name", DARK)
def test_lit_is_what_the_trace_lights(name):
    """At most 2 % of the lit panel is called lit where it is dark, or dark where it is lit, in every colour.

    The border is a best guess; white keeps a margin from it (tests/seam/test_gaps.py).
    """
    for channel, colour, pupil in each(name):
        pixel, lit = traced(name, channel, colour, pupil)
        said = fitted(name).field(channel, colour).depth_px(pixel, pupil_mm=pupil) > 0.0
        place = f"{channel} {colour} {pupil}"
        assert np.sum(said & ~lit) <= 0.02 * lit.sum(), place
        assert np.sum(lit & ~said) <= 0.02 * lit.sum(), place


@pytest.mark.outside
@pytest.mark.parametrize("name", DARK)
def test_borders_lie_within_a_dot_spacing(name):
    """Where trace and field disagree, the true border is nearer than one spacing of the dots."""
    slack = STEP_DEG * PANEL[0] / 48.0
    for channel, colour, pupil in each(name):
        pixel, lit = traced(name, channel, colour, pupil)
        depth = fitted(name).field(channel, colour).depth_px(pixel, pupil_mm=pupil)
        for wrong, others in ((~lit & (depth > 0.0), lit), (lit & ~(depth > 0.0), ~lit)):
            # The panel's edge is a border as well.
            distance = np.minimum(cKDTree(pixel[others]).query(pixel[wrong])[0], to_edge(pixel[wrong]))
            assert distance.max(initial=0.0) < case(name).spacing_px + slack, f"{channel} {colour} {pupil}"


@pytest.mark.outside
@pytest.mark.parametrize("name", among("stacked", "photographs", "cut mirror, two depths"))
def test_depth_is_the_distance_to_the_border(name):
    """Within three spacings inside, depth is the distance to the nearest dark point or panel edge."""
    spacing = case(name).spacing_px
    for channel, colour, pupil in each(name):
        pixel, lit = traced(name, channel, colour, pupil)
        depth = fitted(name).field(channel, colour).depth_px(pixel, pupil_mm=pupil)
        true = np.minimum(cKDTree(pixel[~lit]).query(pixel)[0], to_edge(pixel))
        near = lit & (depth > 0.0) & (true < 3.0 * spacing)
        assert near.sum() > 100
        error = np.abs(depth - true)[near]
        assert np.median(error) < 0.5 * spacing and np.quantile(error, 0.95) < 1.25 * spacing
        assert (depth[lit & (true > 3.0 * spacing)] > 1.5 * spacing).all(), f"{channel} {colour} {pupil}"


def to_edge(pixel):
    """Return the distance from points (n, 2) of the panel to its edge, px."""
    return np.minimum(pixel, np.array(PANEL) - pixel).min(axis=-1)


@long_form
def test_nothing_dark_needs_no_model():
    """Where the panel's edge alone ends the light, everything inside the border is lit."""
    fields = fitted("nothing dark")
    inner = np.random.default_rng(1).uniform(1.0, np.array(PANEL) - 1.0, (2000, 2))
    for channel in fields.channels:
        for colour in COLOURS:
            field = fields.field(channel, colour)
            assert not field.lit
            for pupil in PUPILS:
                depth = field.depth_px(inner, pupil_mm=pupil)
                np.testing.assert_allclose(depth, to_polygon(inner, field.border_pixel), atol=0.5)
                pixel, lit = traced("nothing dark", channel, colour, pupil)
                assert (
                    lit.all() and (field.depth_px(pixel, pupil_mm=pupil)[to_edge(pixel) > 80.0] > 0.0).all()
                )
            outside = field.depth_px([[-5.0, 100.0], [100.0, 2570.0]], pupil_mm=CENTRED)
            assert not (outside > 0.0).any()


def to_polygon(points, corners):
    """Return the distance from points (n, 2) inside a polygon (k, 2) to its sides; slow and plain."""
    nearest = np.full(len(points), np.inf)
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = end - start
        share = np.clip((points - start) @ along / (along @ along), 0.0, 1.0)
        nearest = np.minimum(nearest, np.hypot(*(points - start - share[:, None] * along).T))
    return nearest


@pytest.mark.parametrize("name", DARK)
def test_dark_captures_have_a_region_for_every_colour(name):
    fields = fitted(name)
    for channel in fields.channels:
        for colour in COLOURS:
            regions = fields.field(channel, colour).lit
            assert regions and all(isinstance(region, LitRegion) for region in regions)
            for region in regions:
                assert region.spacing_px == pytest.approx(case(name).spacing_px, rel=0.35)


@pytest.mark.outside
def test_colours_end_at_their_own_places():
    """Lateral colour: blue and red end apart on the panel; the field tells which of them reaches further."""
    agree = []
    for channel in ("upper", "lower"):
        middle = {}
        for colour in ("R", "B"):
            pixel, lit = traced(FIRST, channel, colour, CENTRED)
            said = fitted(FIRST).field(channel, colour).depth_px(pixel, pupil_mm=CENTRED) > 0.0
            middle[colour] = lit.mean(), said.mean()
        true, found = (middle["B"][k] - middle["R"][k] for k in (0, 1))
        agree.append((true, found))
    assert all(abs(found - true) < 0.02 for true, found in agree)


@long_form
def test_rows_lost_at_random_do_not_eat_the_light():
    """With 2 % of rows gone and noise, all is lit that lies two spacings inside the true border."""
    spacing = case("stacked, rows lost").spacing_px
    for channel, colour, pupil in each("stacked, rows lost"):
        pixel, lit = traced("stacked", channel, colour, pupil)
        deep = lit & (cKDTree(pixel[~lit]).query(pixel)[0] > 2.0 * spacing)
        field = fitted("stacked, rows lost").field(channel, colour)
        assert (field.depth_px(pixel[deep], pupil_mm=pupil) > 0.0).all()


@pytest.mark.parametrize("name", among("stacked", "cut mirror, two depths"))
def test_depth_stays_along_a_ray(name):
    """A pupil moved along the ray of a panel point sees it as lit as before."""
    field = fitted(name).field(*(fitted(name).channels[0], "G"))
    pixel = np.random.default_rng(3).uniform(300.0, 2260.0, (300, 2))
    pupil = np.random.default_rng(4).uniform([-3.0, -3.0, 0.0], [3.0, 3.0, 0.0], (300, 3))
    tangent = field.forward(pixel, pupil_mm=pupil)
    before = field.depth_px(pixel, pupil_mm=pupil)
    for along_mm in (-2.0, 1.5):
        moved = pupil + along_mm * np.concatenate([tangent, np.ones((300, 1))], axis=1)
        np.testing.assert_allclose(field.depth_px(pixel, pupil_mm=moved), before, rtol=1e-4, atol=0.05)


@pytest.mark.parametrize("name", among("stacked", "photographs", "stacked, 3 x 3 pupils"))
def test_the_border_moves_smoothly_with_the_pupil(name):
    """From 4 mm left to 4 mm right in steps of 0.1 mm, through captured pupils and between: no jumps."""
    fields = fitted(name)
    pixel, lit = traced(name, fields.channels[0], "G", CENTRED)
    away = cKDTree(pixel[~lit]).query(pixel)[0]
    pixel = pixel[lit & (away < 2.0 * case(name).spacing_px)][::9]
    pupil = np.zeros((81, 1, 3))
    pupil[:, 0, 0] = np.linspace(-4.0, 4.0, 81)
    depth = fields.field(fields.channels[0], "G").depth_px(pixel, pupil_mm=pupil)
    assert depth.shape == (81, len(pixel))
    step = np.diff(depth, axis=0)
    # A rim moves by some dot spacings over the eye box: a tenth of that a step would be a jump.
    assert np.nanmax(np.abs(step)) < 0.2 * case(name).spacing_px
    assert np.nanmax(np.abs(np.diff(step, axis=0))) < 0.05 * case(name).spacing_px


def test_a_channel_that_is_turned_is_lit_as_before():
    fields = fitted(FIRST)
    mount = Mount((1.0, -2.0, 0.5))
    turned = fields.mounted({"upper": mount}, provenance={}).field("upper", "R")
    pixel, pupil = np.random.default_rng(5).uniform(0.0, PANEL, (200, 2)), np.array([0.5, 1.0, 0.0])
    before = fields.field("upper", "R").depth_px(pixel, pupil_mm=pupil)
    np.testing.assert_allclose(
        turned.depth_px(pixel, pupil_mm=mount.matrix @ pupil), before, rtol=1e-9, atol=1e-6
    )


def test_files_hold_what_is_lit(tmp_path):
    fields = fitted(FIRST)
    paths = [tmp_path / name for name in ("one.npz", "two.npz")]
    fields.save(paths[0])
    again = FieldSet.load(paths[0])
    again.save(paths[1])
    assert paths[0].read_bytes() == paths[1].read_bytes()
    pixel = np.random.default_rng(6).uniform(0.0, PANEL, (500, 2))
    for one in COLOURS:
        before, after = (some.field("lower", one).depth_px(pixel, pupil_mm=SIDE) for some in (fields, again))
        np.testing.assert_array_equal(before, after)


def test_shapes_and_bad_input():
    field = fitted(FIRST).field("upper", "G")
    assert field.depth_px([1280.0, 1280.0], pupil_mm=CENTRED).shape == ()
    assert field.depth_px(np.zeros((4, 5, 2)), pupil_mm=np.zeros((5, 3))).shape == (4, 5)
    assert not field.depth_px([np.nan, 3.0], pupil_mm=CENTRED) > 0.0
    assert not field.depth_px([-10.0, 1280.0], pupil_mm=CENTRED) > 0.0
    with pytest.raises(ShapeError, match=r"pixel has shape \(3,\)"):
        field.depth_px([1.0, 2.0, 3.0], pupil_mm=CENTRED)
    with pytest.raises(ShapeError, match=r"pupil_mm has shape \(2,\)"):
        field.depth_px([1.0, 2.0], pupil_mm=[0.0, 0.0])
