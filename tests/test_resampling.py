"""Resampling: published figures of a flat picture, kernels against transforms and drawn gratings."""

import numpy as np
import pytest
from scipy.integrate import quad

from prewarp.content import ContentProjection
from prewarp.errors import SeamError, ShapeError
from prewarp.resampling import (
    FILTERS,
    content_width_for,
    folded_contrast,
    kept_contrast,
    measured_contrast,
    sampling_map,
)
from prewarp.resampling.contrast import keys_kernel
from tests.closed_form import PlaneChannel, two_channels
from tests.sampled_fields import sampled_set
from tests.synthetic import PlaneImage


@pytest.mark.outside
def test_pixels_per_degree_of_a_flat_picture():
    # Common practice, 1920 x 1080 with V = 30 degrees: f = 2015.3074 px, 35.17375 px/deg in the middle,
    # across at the middle of a side 43.15514, along at the corner 45.68050 and across it 40.08434.
    half = 16.0 / 9.0 * np.tan(np.radians(15.0))
    channel = PlaneChannel("one", panel_size_px=(1920, 1080), distance_m=1e6, half_width=half)
    found = sampling_map(channel, ContentProjection("flat", (3840, 2160), 60.0), count=(5, 5))
    np.testing.assert_allclose(found.panel_px_per_deg[2, 2], 35.17375, rtol=1e-5)
    np.testing.assert_allclose(found.panel_px_per_deg[2, 4, 1], 43.15514, rtol=1e-5)
    np.testing.assert_allclose(found.panel_px_per_deg[0, 0], [40.08434, 45.68050], rtol=1e-5)
    # The content is flat too: 1920 / tan 30 px per unit tangent, the same multiple of the panel's everywhere.
    ratio = 1920.0 / np.tan(np.radians(30.0)) / 2015.3074
    np.testing.assert_allclose(found.scale, ratio, rtol=1e-5)
    np.testing.assert_allclose(found.content_px_per_deg, ratio * found.panel_px_per_deg, rtol=1e-5)
    assert found.skips.all() and not found.idles.any() and found.shown.all()


def test_scale_is_what_two_neighbouring_panel_pixels_are_apart():
    channel, content = two_channels()[0], ContentProjection("equidistant", (900, 600), 90.0)
    pupil = (1.0, -2.0, 0.5)
    found = sampling_map(channel, content, pupil_mm=pupil, count=(9, 7))
    for row, column in ((0, 0), (3, 4), (6, 2)):
        middle = np.array([found.u_px[column], found.v_px[row]])
        angles = np.linspace(0.0, np.pi, 181)
        step = 0.05 * np.stack([np.cos(angles), np.sin(angles)], axis=-1)
        ends = [
            content.pixel_from_tangent(channel.forward(middle + s, pupil_mm=pupil)) for s in (step, -step)
        ]
        apart = np.linalg.norm(ends[0] - ends[1], axis=-1) / 0.1
        np.testing.assert_allclose(found.scale[row, column], [apart.min(), apart.max()], rtol=1e-4)


def test_coarse_and_fine_places_are_found_and_the_content_that_mends_them():
    channel = two_channels()[0]
    coarse = ContentProjection("flat", (400, 250), 90.0)
    found = sampling_map(channel, coarse)
    assert found.idles.mean() > 0.5 and not found.skips.any()
    told = found.as_dict()
    assert told["panel_finer_percent"] > 50.0 and told["content_undersampled_percent"] == 0.0
    width = content_width_for([found], coarse)
    better = ContentProjection("flat", (width, round(width * 250 / 400)), 90.0)
    mended = sampling_map(channel, better)
    assert mended.scale[..., 0][mended.shown].min() == pytest.approx(1.0, abs=2e-3)
    away = sampling_map(
        PlaneChannel("aside", centre=(0.8, 0.0), half_width=0.1), ContentProjection("flat", (100, 100), 2.0)
    )
    with pytest.raises(SeamError, match="no panel shows any of the content"):
        content_width_for([away], coarse)


class Vignetted(PlaneChannel):
    """Of which the left quarter is not lit."""

    def depth_px(self, pixel, /, *, pupil_mm):
        return np.asarray(pixel)[..., 0] - 0.25 * self.panel_size_px[0]


def test_what_is_dark_is_not_sampled():
    found = sampling_map(Vignetted("one"), ContentProjection("flat", (400, 250), 90.0), count=(9, 5))
    assert not found.shown[:, :2].any() and found.shown[:, 2:].all()


@pytest.mark.outside
def test_closed_forms_of_the_kernels():
    # Mean over all offsets = Fourier transform of the kernel: the triangle's is sinc^2 (Bracewell, The
    # Fourier Transform and Its Applications, from memory), the cubic's is integrated by scipy. Worst half-way
    # between pixels: cos(pi f), and 9/8 cos(pi f) - 1/8 cos(3 pi f) from Keys' weights there (IEEE Trans.
    # ASSP 29 (1981) 1153): -1/16, 9/16, 9/16, -1/16.
    mean, worst = kept_contrast("bilinear", 2.0)
    assert mean == pytest.approx(np.sinc(0.25) ** 2, abs=1e-5) and worst == pytest.approx(
        np.cos(np.pi / 4), abs=1e-4
    )
    for scale in (1.0, 1.4, 2.0, 3.0):
        f = 0.5 / scale
        expected = (
            2.0
            * quad(lambda x, f=f: float(keys_kernel(x)) * np.cos(2 * np.pi * f * x), 0.0, 2.0, points=[1.0])[
                0
            ]
        )
        mean, worst = kept_contrast("bicubic", scale)
        assert mean == pytest.approx(expected, abs=2e-5)
        assert worst == pytest.approx(9 / 8 * np.cos(np.pi * f) - np.cos(3 * np.pi * f) / 8, abs=1e-4)


@pytest.mark.outside
def test_keys_kernel_is_the_catmull_rom_spline():
    # Catmull and Rom, "A class of local interpolating splines" (1974), from memory: weights at 1/2 and 1/4 of
    # its basis.
    np.testing.assert_allclose(keys_kernel([1.5, 0.5, 0.5, 1.5]), [-1 / 16, 9 / 16, 9 / 16, -1 / 16])
    np.testing.assert_allclose(
        keys_kernel([1.25, 0.25, 0.75, 1.75]), [-0.0703125, 0.8671875, 0.2265625, -0.0234375]
    )


@pytest.mark.parametrize("name", FILTERS)
@pytest.mark.parametrize("scale", [1.0, 1.3, 2.0, 2.7, 4.0, 6.1])
def test_measured_agrees_with_the_closed_form(name, scale):
    mean, worst = kept_contrast(name, scale)
    found = measured_contrast(name, scale)
    # 256 offsets against 64 starts: sums over a period are exact for so few harmonics, a least value is off
    # by the curve's bend.
    assert found[0] == pytest.approx(float(mean), abs=1e-3) and found[1] == pytest.approx(
        float(worst), abs=5e-3
    )


def test_bilinear_agrees_with_the_renderer():
    # The renderer's own sampler, on gratings along u of a quarter cycle per content px: Nyquist on the panel
    # at scale 2.
    from prewarp.render.sampling import sampling_plane

    phase = 2.0 * np.pi * 0.25 * (np.arange(800) + 0.5)
    planes = [
        sampling_plane(np.tile(0.5 + 0.5 * wave(phase), (4, 1)).astype(np.float32), border="edge")
        for wave in (np.cos, np.sin)
    ]
    gains = []
    for start in np.arange(32) / 32:
        place = 50.0 + start + 2.0 * np.arange(300)
        u, v = place.astype(np.float32), np.full(300, 2.0, dtype=np.float32)
        real, imaginary = (2.0 * plane.sample(u.copy(), v.copy()) - 1.0 for plane in planes)
        gains.append((real + 1j * imaginary) * np.exp(-0.5j * np.pi * place))
    mean, worst = kept_contrast("bilinear", 2.0)
    assert np.abs(np.mean(gains)) == pytest.approx(mean, abs=1e-3)
    assert np.abs(gains).min() == pytest.approx(worst, abs=1e-3)


def test_mipmaps_hold_back_what_would_fold():
    scale = np.array([1.0, 2.0, 4.0, 8.0])
    bilinear, mipmap = (folded_contrast(name, scale) for name in ("bilinear", "mipmap"))
    assert bilinear[0] == 0.0 and np.all(mipmap[1:] < 1e-9) and np.all(bilinear[1:] > 0.4)
    # The price: less of the finest that the panel can show.
    assert kept_contrast("mipmap", 2.0)[0] < kept_contrast("bilinear", 2.0)[0]


def test_what_the_content_cannot_hold_is_not_kept():
    assert kept_contrast("bicubic", 0.7) == (0.0, 0.0) and measured_contrast("bicubic", 0.7) == (0.0, 0.0)


def test_bad_input():
    for call in (kept_contrast, measured_contrast):
        with pytest.raises(
            ShapeError,
            match="filter is 'bicubik'; expected one of bilinear, bicubic, mipmap. Did you mean 'bicubic'",
        ):
            call("bicubik", 1.0)
    with pytest.raises(ShapeError, match="scale is 0.0; expected 0.1 to 64 content px per panel px"):
        measured_contrast("bilinear", 0.0)
    with pytest.raises(ShapeError, match=r"pupil_mm has shape \(2,\)"):
        sampling_map(two_channels()[0], ContentProjection("flat", (100, 100), 60.0), pupil_mm=(0.0, 0.0))


def test_a_pupil_from_which_the_panel_is_not_seen_is_a_clear_error():
    field = sampled_set({"inner": PlaneImage(size_px=(640, 480), focal_px=720.0)}).field("inner", "G")
    with pytest.raises(
        SeamError,
        match=r"'inner', G: 100 % of the panel has no direction from pupil \(10000, 0, 0\) mm. Ask for a "
        r"pupil",
    ) as caught:
        sampling_map(field, ContentProjection("flat", (2000, 1250), 80.0), pupil_mm=(1e4, 0.0, 0.0))
    assert caught.value.channel == "inner"
