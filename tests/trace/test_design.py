"""Design files: the placing convention, panel pixels, and how mistakes are named."""

from pathlib import Path

import numpy as np
import pytest

from prewarp.errors import TraceError
from prewarp.module import Panel
from prewarp.trace import read_design, trace_channel
from prewarp.trace.design import DesignChannel, PanelPlace, Surface, rotation_from_degrees

GOOD = """
name = "wheelhouse trial"
[channel.inner]
turn_deg = [0.0, -16.0, 0.0]
emission_power = 2.0
relative_luminance = {R = 1.0, G = 0.5}
[[channel.inner.surface]]
label = "front"
gap_mm = 20
radius_mm = 60.0
conic = -1.0
aspheric = [1e-6, 0.0]
glass = "N-BK7"
semi_aperture_mm = 20.0
[[channel.inner.surface]]
gap_mm = 6.0
index = 1.0
[[channel.inner.surface]]
gap_mm = 30.0
reflect = true
tilt_deg = [40.0, 0.0, 0.0]
decentre_mm = [0.0, 1.0]
axis_follows_reflection = true
[channel.inner.panel]
gap_mm = -20.0
flip_u = true
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "trial.design.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_entry_is_read(tmp_path):
    design = read_design(write(tmp_path, GOOD))
    channel = design.channel("inner")
    assert channel.surfaces[0] == Surface(
        label="front",
        gap_mm=20.0,
        radius_mm=60.0,
        conic=-1.0,
        aspheric=(1e-6, 0.0),
        glass="N-BK7",
        semi_aperture_mm=20.0,
    )
    assert channel.surfaces[2] == Surface(
        gap_mm=30.0,
        reflect=True,
        tilt_deg=(40.0, 0.0, 0.0),
        decentre_mm=(0.0, 1.0),
        axis_follows_reflection=True,
    )
    assert channel.panel == PanelPlace(gap_mm=-20.0, flip_u=True)
    assert channel.relative_luminance_of("G") == 0.5
    assert channel.relative_luminance_of("B") == 1.0
    with pytest.raises(TraceError, match="has no channel 'iner'; it has inner.* Did you mean 'inner'"):
        design.channel("iner")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "gap_mm = 6.0",
            "gap_mm = inf",
            r"channel\.inner\.surface\[2\]\.gap_mm is inf .*from -10000 to 10000 mm",
        ),
        ("gap_mm = 6.0", "thickness_mm = 6.0", r"surface\[2\]\.thickness_mm is not a known key"),
        (
            'glass = "N-BK7"',
            'glass = "N-BK6"',
            r"channel\.inner\.surface\[1\]\.glass is 'N-BK6'; .*Did you mean 'N-BK7'",
        ),
        ('glass = "N-BK7"', 'glass = "N-BK7"\nindex = 1.5', r"surface\[1\]\.index and glass are both given"),
        ("radius_mm = 60.0", "radius_mm = 0", r"surface\[1\]\.radius_mm is 0; expected any other number"),
        (
            "reflect = true",
            'reflect = true\nglass = "N-BK7"',
            r"surface\[3\]\.glass or index stands at a mirror",
        ),
        ("reflect = true", "reflect = 1", r"surface\[3\]\.reflect is 1 \(int\); expected true or false"),
        ("reflect = true\n", "", r"surface\[3\]\.axis_follows_reflection is given at a refracting surface"),
        (
            "tilt_deg = [40.0, 0.0, 0.0]",
            "tilt_deg = [40.0, 0.0]",
            r"tilt_deg is .*\(2 entries\); expected a list of 3",
        ),
        ("flip_u", "flipu", r"channel\.inner\.panel\.flipu is not a known key\. Did you mean 'flip_u'"),
        ("G = 0.5", "G = -0.5", r"channel\.inner\.relative_luminance\.G is -0\.5 \(out of range\)"),
        ("[channel.inner.panel]\ngap_mm = -20.0\nflip_u = true", "", r"channel\.inner\.panel is missing"),
    ],
)
def test_each_mistake_names_file_key_and_range(tmp_path, old, new, message):
    assert old in GOOD
    path = write(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(TraceError, match=message) as raised:
        read_design(path)
    assert str(raised.value).startswith(f"{path}: ")


def test_design_without_surfaces(tmp_path):
    with pytest.raises(
        TraceError,
        match=r"channel\.a\.surface is missing; expected 1 to 100 tables \[\[channel\.a\.surface\]\]",
    ):
        read_design(write(tmp_path, 'name = "x"\n[channel.a]\n[channel.a.panel]\ngap_mm = 1.0\n'))


def test_turns_go_the_way_the_docstring_says():
    np.testing.assert_allclose(rotation_from_degrees((90.0, 0, 0)) @ [0, 1, 0], [0, 0, 1], atol=1e-15)
    np.testing.assert_allclose(rotation_from_degrees((0, 90.0, 0)) @ [0, 0, 1], [1, 0, 0], atol=1e-15)
    np.testing.assert_allclose(rotation_from_degrees((0, 0, 90.0)) @ [1, 0, 0], [0, 1, 0], atol=1e-15)
    # About x first, then about the new y: +x is carried by the second turn into the plane of the turned z.
    np.testing.assert_allclose(rotation_from_degrees((90.0, 90.0, 0)) @ [1, 0, 0], [0, 1, 0], atol=1e-15)


def test_a_bent_mirror_carries_the_frame_and_a_tilted_surface_does_not():
    channel = DesignChannel(
        "a",
        (
            Surface(gap_mm=10.0, tilt_deg=(20.0, 0, 0), decentre_mm=(3.0, 0.0), index=1.5),
            Surface(gap_mm=30.0, reflect=True, tilt_deg=(45.0, 0, 0), axis_follows_reflection=True),
            Surface(gap_mm=-5.0),
        ),
        PanelPlace(gap_mm=-7.0, decentre_mm=(0.0, 2.0)),
    )
    (first, _), (mirror, _), (third, _), (panel, axes) = channel.places()
    np.testing.assert_allclose(first, [3, 0, 10])
    np.testing.assert_allclose(mirror, [0, 0, 40])
    # 45 degrees about x: the axis is reflected from +z to +y (up); the frame's z is against the light.
    np.testing.assert_allclose(third, [0, 5, 40], atol=1e-14)
    np.testing.assert_allclose(axes @ [0, 0, 1], [0, -1, 0], atol=1e-15)
    np.testing.assert_allclose(panel, [0, 12, 42], atol=1e-14)


PANEL = Panel(1000, 800, 10.0, "srgb", 8)


def window(**panel):
    """Return an empty channel: the panel 20 mm ahead of the eye, nothing between."""
    return DesignChannel("a", (Surface(gap_mm=1.0),), PanelPlace(gap_mm=19.0, **panel), emission_power=2.0)


def test_axis_order_and_signs_of_the_panel():
    # 1 mm to the right and 2 mm up at 20 mm: 100 px right of the middle, 200 px above it (v runs down).
    tangent = np.array([1.0 / 20.0, 2.0 / 20.0])
    for flips, expected in (
        ({}, (600.0, 200.0)),
        ({"flip_u": True}, (400.0, 200.0)),
        ({"flip_v": True}, (600.0, 600.0)),
        ({"decentre_mm": (1.0, 0.0)}, (500.0, 200.0)),
        ({"tilt_deg": (0.0, 0.0, 90.0)}, (700.0, 500.0)),
    ):
        result = trace_channel(window(**flips), PANEL, tangent, pupil_mm=np.zeros(3), wavelength_nm=550.0)
        np.testing.assert_allclose(result.pixel, expected, atol=1e-9)


def test_luminance_is_the_emission_law():
    tangent = np.array([[0.0, 0.0], [0.2, 0.0]])
    result = trace_channel(window(), PANEL, tangent, pupil_mm=np.zeros(3), wavelength_nm=550.0)
    np.testing.assert_allclose(result.luminance, [1.0, 1.0 / 1.04], atol=1e-15)


def test_failures_name_their_surface_and_the_batch_goes_on():
    channel = DesignChannel(
        "a",
        (
            Surface(label="stop", gap_mm=10.0, semi_aperture_mm=8.0),
            Surface(label="slab", gap_mm=1.0, index=1.8),
            Surface(label="ball", gap_mm=5.0, radius_mm=6.0, index=1.0),
        ),
        PanelPlace(gap_mm=3.0),
    )
    tangent = np.array([[0.0, 0.0], [0.9, 0.0], [0.5, 0.0], [0.0, 0.3]])
    result = trace_channel(channel, PANEL, tangent, pupil_mm=np.zeros(3), wavelength_nm=550.0)
    assert result.valid.tolist() == [True, False, False, False]
    assert result.failures() == {
        "surface 1 (stop): outside aperture": 1,
        "surface 3 (ball): missed": 1,
        "surface 3 (ball): total internal reflection": 1,
    }
    assert np.isnan(result.pixel[1:]).all() and np.isnan(result.luminance[1:]).all()
    far = trace_channel(window(), PANEL, [0.5, 0.0], pupil_mm=np.zeros(3), wavelength_nm=550.0)
    assert far.failures() == {"surface 2 (panel): off the panel": 1}


def test_leading_axes_broadcast():
    pupils, tangents = np.zeros((4, 1, 3)), np.zeros((1, 5, 2))
    result = trace_channel(window(), PANEL, tangents, pupil_mm=pupils, wavelength_nm=550.0)
    assert result.pixel.shape == (4, 5, 2)
    assert result.valid.shape == result.luminance.shape == (4, 5)
