"""Small displays for tests of targets, as module files."""

from prewarp.module import read_module

HEAD = """
name = "test visor"
[eye_box]
half_x_mm = 4.0
half_y_mm = 3.0
half_z_mm = 2.0
[content]
projection = "flat"
width_px = 320
height_px = 160
field_x_deg = 90.0
"""
COLOUR = """
[color.{name}]
wavelength_nm = {wavelength_nm}
"""
CHANNEL = """
[channel.{name}]
eye = "{eye}"
[channel.{name}.panel]
width_px = {width}
height_px = {height}
pitch_um = 8.0
bit_depth = {bits}
{encoding}
{more}
[channel.{name}.reach]
dir_x_deg = [-20.0, 20.0]
dir_y_deg = [-15.0, 15.0]
"""
WAVELENGTHS = {"R": 630.0, "G": 532.0, "B": 460.0, "amber": 590.0, "cyan": 490.0}
SRGB = 'encoding = "srgb"'
TABLE = 'encoding = "table"\ntable = [0.01, 0.06, 0.3, 0.7, 1.0]'
POWER = 'encoding = "power"\ngamma = 2.4'


def channel(name, *, eye="right", width=320, height=256, bits=8, encoding=SRGB, more=""):
    return CHANNEL.format(
        name=name, eye=eye, width=width, height=height, bits=bits, encoding=encoding, more=more
    )


def module_text(*channels, colours=("R", "G", "B")):
    lit = (COLOUR.format(name=name, wavelength_nm=WAVELENGTHS[name]) for name in colours)
    return HEAD + "".join(lit) + "".join(channels)


def display(folder, *channels, colours=("R", "G", "B")):
    """Return a display read from a file in `folder`."""
    (folder / "visor.toml").write_text(module_text(*channels, colours=colours), encoding="utf-8")
    return read_module(folder / "visor.toml")


# Ten bits and a measured encoding whose black is not quite dark; eight bits, mirrored.
TWO = (
    channel("inner", bits=10, encoding=TABLE),
    channel("outer", width=256, height=320, more="mirrored = true"),
)
