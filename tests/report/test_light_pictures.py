"""Pictures of the seam's light, the blend policies and the sampling: all of it where it belongs."""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from prewarp.content import ContentProjection
from prewarp.errors import ShapeError
from prewarp.frames import degrees_from_tangent, tangent_from_degrees
from prewarp.photometry import SeamProfile
from prewarp.report.luminance_profile import ProfilePair, luminance_profile_figure, luminance_profile_picture
from prewarp.report.policies import PolicyView, policies_figure, policies_picture
from prewarp.report.resampling import resampling_figure, resampling_picture
from prewarp.resampling import folded_contrast, kept_contrast, measured_contrast, sampling_map
from prewarp.seam import PolicyFigures
from tests.report.drawn import contour_points, line, mesh_points, meshes

FIGURES = PolicyFigures("fixed", 88.0, (6.0, 6.0), 0.0, 0.0, 1.2, 0.1, (4.0, 0.0, 0.0), 0.0, 0.2, 0.9)


def opened(png):
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(int)


def profile(step):
    along = np.arange(-8.0, 8.0, 0.05)
    light = np.tile(1.0 + step / (1.0 + np.exp(-2.0 * along)), (3, 1))
    return SeamProfile(
        ("left", "right"),
        along,
        np.array([-5.0, 0.0, 5.0]),
        light,
        np.ones_like(light),
        np.tile([-4.0, 4.0], (3, 1)),
    )


def test_luminance_profile_shows_before_and_after():
    """Above: an orange line that falls by a fifth, a green one that is level. Below: the green, larger."""
    pair = ProfilePair("right eye", profile(-0.2), profile(0.001))
    png = luminance_profile_picture([pair], title="one")
    picture = opened(png)
    assert picture.shape == (670, 760, 3) and png == luminance_profile_picture([pair], title="one")
    for colour in ((213, 94, 0), (0, 158, 115)):
        assert np.any(np.abs(picture - colour).max(axis=-1) < 12)
    # Before is drawn above only: nothing orange in the lower half.
    assert not np.any(np.abs(picture[380:] - (213, 94, 0)).max(axis=-1) < 12)


def test_profiles_are_drawn_from_the_first_channel_to_the_second():
    """Before: level 1 on the left, 0.8 on the right. After: a thousandth more on the right."""
    pair = ProfilePair("right eye", profile(-0.2), profile(0.001))
    seen, rest = luminance_profile_figure([pair]).axes
    before, after = line(seen, "before the match"), line(seen, "after")
    shown = np.isfinite(before[:, 1])
    np.testing.assert_allclose(before[:, 0], pair.before.along_deg)
    for one in seen.lines[:3]:
        np.testing.assert_array_equal(np.column_stack(one.get_data()), before)
    assert before[shown, 0].min() == pytest.approx(-6.0, abs=0.06) and before[
        shown, 0
    ].max() == pytest.approx(6.0, abs=0.06)
    # In shares of the brighter side before.
    assert before[shown, 1][0] == pytest.approx(1.0, abs=1e-3) and before[shown, 1][-1] == pytest.approx(
        0.8, abs=1e-3
    )
    np.testing.assert_allclose(after[shown, 1], pair.after.luminance[0, shown] / pair.before.levels.max())
    labels = [text.get_text() for text in seen.get_legend().get_texts()]
    assert labels[2] == "blend: both channels give light"
    for label, one in zip(labels[:2], (pair.before, pair.after), strict=True):
        assert f"step {one.step_percent.max():.2g} %, ripple {one.ripple_percent.max():.2g} %" in label
    thick = np.column_stack(max(rest.lines, key=lambda one: one.get_linewidth()).get_data())
    np.testing.assert_allclose(
        thick[shown, 1], 100.0 * (pair.after.luminance[0, shown] / pair.after.levels[0].mean() - 1.0)
    )
    assert thick[shown, 1][0] < -0.04 and thick[shown, 1][-1] > 0.04
    assert "from 'left' to 'right'" in rest.get_xlabel()
    assert rest.get_xlim()[0] < rest.get_xlim()[1] and rest.get_ylim()[0] < rest.get_ylim()[1]


def test_policies_picture_draws_each_policy(seam):
    """Two panels with the outlines of both channels and one line of equal shares for each of three pupils."""
    views = [
        PolicyView(
            replace(FIGURES, policy=name), np.array([[-4.0, 0, 0], [0, 0, 0], [4.0, 0, 0]]), (seam,) * 3
        )
        for name in ("fixed", "following")
    ]
    picture = opened(policies_picture(views, title="both"))
    assert picture.shape == (640, 1520, 3)
    # Both halves hold the outlines of both channels.
    for colour in ((0, 114, 178), (230, 159, 0)):
        drawn = np.abs(picture - colour).max(axis=-1) < 12
        assert drawn[:, :760].sum() > 300 and drawn[:, 760:].sum() > 300


def test_policies_lie_where_they_are_and_say_their_figures(seam):
    view = PolicyView(FIGURES, np.array([[0.0, 0.0, 0.0]]), (seam,))
    drawn = policies_figure([view])
    (axes,) = drawn.axes
    # What each channel lights from that pupil ends at its outline.
    for light in seam.lights:
        edge = tangent_from_degrees(degrees_from_tangent(light.outline(np.zeros(3)).outline[::16]))
        drawn_at = tangent_from_degrees(contour_points(axes, 0.0))
        gap = np.linalg.norm(edge[:, None] - drawn_at[None], axis=-1).min(axis=1)
        assert np.degrees(gap.max()) < 0.3 and np.degrees(np.median(gap)) < 0.1
    share = seam.weights(tangent_from_degrees(contour_points(axes, 0.5)))[0]
    # Coarse only at the ends of the seam, where outlines cross.
    assert len(share) > 20 and np.median(np.abs(share - 0.5)) < 0.02
    assert axes.get_xlim()[0] < axes.get_xlim()[1] and axes.get_ylim()[0] < axes.get_ylim()[1]
    title = axes.get_title()
    assert title.startswith("fixed: crawl 0.0 arcmin per mm, 88 % of the overlap used")
    assert "field lost at most 0.10 %, blend gradient 20 % per degree (p95)" in title
    (legend,) = drawn.legends
    assert [text.get_text() for text in legend.get_texts()] == ["pupil at x = 0 mm"]


def test_sampling_lies_where_it_is_seen_and_contrast_is_that_of_each_filter(fields):
    content = ContentProjection("flat", (2000, 1250), 80.0)
    maps = [sampling_map(fields.field(name, "G"), content) for name in fields.channels]
    density, scale, kept, folded, *_ = resampling_figure(maps).axes
    for axes, values in (
        (density, [m.panel_px_per_deg.mean(axis=-1) for m in maps]),
        (scale, [m.scale[..., 1] for m in maps]),
    ):
        for mesh, m, expected in zip(meshes(axes), maps, values, strict=True):
            places, found = mesh_points(mesh)
            np.testing.assert_allclose(places, degrees_from_tangent(m.tangent).reshape(-1, 2))
            np.testing.assert_allclose(found, expected.ravel())
        assert axes.get_xlim()[0] < axes.get_xlim()[1] and axes.get_ylim()[0] < axes.get_ylim()[1]
    for name in ("bilinear", "bicubic", "mipmap"):
        x, y = line(kept, name).T
        np.testing.assert_allclose(y, 100.0 * kept_contrast(name, x)[0])
        x, y = line(folded, name).T
        np.testing.assert_allclose(y, 100.0 * folded_contrast(name, x))
    # Its measured marks stand alone, without a line.
    dots = [np.column_stack(one.get_data()) for one in kept.lines if one.get_linestyle() == "None"]
    assert len({one.get_marker() for one in kept.lines if one.get_linestyle() == "None"}) == 3
    assert len({str(one.get_linestyle()) + str(one._dash_pattern) for one in folded.lines}) == 3
    assert dots[0][3].tolist() == [2.0, 100.0 * measured_contrast("bilinear", 2.0)[0]]
    assert "Contrast kept" in kept.get_title() and "Aliasing" in folded.get_title()


def test_resampling_picture_marks_coarse_and_fine_places(fields):
    """Upper right: crosses where content pixels are skipped, everywhere; lower row: three curves."""
    content = ContentProjection("flat", (2000, 1250), 80.0)
    maps = [sampling_map(fields.field(name, "G"), content) for name in fields.channels]
    assert all(m.skips.any() for m in maps)
    picture = opened(resampling_picture(maps))
    assert picture.shape == (900, 1180, 3)
    crosses = np.abs(picture - (213, 94, 0)).max(axis=-1) < 12
    assert crosses[:450, 590:].sum() > 200 and crosses[:450, :590].sum() == 0


def test_nothing_to_draw_is_an_error():
    for draw in (luminance_profile_picture, policies_picture, resampling_picture):
        with pytest.raises(ShapeError, match="is empty; expected one or more"):
            draw([])
