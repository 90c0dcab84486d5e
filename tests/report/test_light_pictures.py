"""Pictures of the seam's light, the blend policies and the sampling: they hold what they must, and the same bytes each time."""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from prewarp.content import ContentProjection
from prewarp.errors import ShapeError
from prewarp.photometry import SeamProfile
from prewarp.report.luminance_profile import ProfilePair, luminance_profile_picture
from prewarp.report.policies import PolicyView, policies_picture
from prewarp.report.resampling import resampling_picture
from prewarp.resampling import sampling_map
from prewarp.seam import PolicyFigures

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
    """Above: an orange line that falls by a fifth, a green one that is level. Below: the green one magnified, in a band."""
    pair = ProfilePair("right eye", profile(-0.2), profile(0.001))
    png = luminance_profile_picture([pair], title="one")
    picture = opened(png)
    assert picture.shape == (670, 760, 3) and png == luminance_profile_picture([pair], title="one")
    for colour in ((213, 94, 0), (0, 158, 115)):
        assert np.any(np.abs(picture - colour).max(axis=-1) < 12)
    # Before is drawn above only: nothing orange in the lower half.
    assert not np.any(np.abs(picture[380:] - (213, 94, 0)).max(axis=-1) < 12)


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


def test_resampling_picture_marks_coarse_and_fine_places(fields):
    """Upper right: crosses where content pixels are skipped, here everywhere; lower row: three curves each."""
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
