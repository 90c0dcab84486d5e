"""Module descriptions: what is read, and how each kind of mistake is named."""

import copy
from pathlib import Path

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.errors import InputFileError, ModuleError
from prewarp.module import Channel, Colour, DisplayModule, EyeBox, Panel, Reach, read_module

GOOD = """
name = "bridge wing visor"

[eye_box]
half_x_mm = 5
half_y_mm = 4.0
half_z_mm = 2.0

[content]
projection = "flat"
width_px = 3840
height_px = 2160
field_x_deg = 80.0

[color.R]
wavelength_nm = 630.0
[color.G]
wavelength_nm = 532.0

[channel.outer]
eye = "left"
[channel.outer.panel]
width_px = 2560
height_px = 2048
pitch_um = 8.0
encoding = "srgb"
bit_depth = 10
[channel.outer.reach]
dir_x_deg = [-40.0, 6.0]
dir_y_deg = [-18.0, 18.0]

[channel.inner]
eye = "right"
[channel.inner.panel]
width_px = 2560
height_px = 2048
pitch_um = 8.0
encoding = "power"
gamma = 2.2
bit_depth = 8
[channel.inner.reach]
dir_x_deg = [-6.0, 40.0]
dir_y_deg = [-18.0, 18.0]
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "visor.module.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_entry_is_read(tmp_path):
    module = read_module(write(tmp_path, GOOD))
    assert module.name == "bridge wing visor"
    assert module.channel_names == ("outer", "inner")
    assert module.colours == (Colour("R", 630.0), Colour("G", 532.0))
    assert module.eyes == ("left", "right")
    assert module.channels_of("left") == (module.channels[0],)
    assert module.eye_box == EyeBox(5.0, 4.0, 2.0)
    assert isinstance(module.eye_box.half_x_mm, float)
    assert module.content == ContentProjection("flat", (3840, 2160), 80.0)
    inner = module.channel("inner")
    assert inner.panel == Panel(2560, 2048, 8.0, "power", 8, gamma=2.2)
    assert inner.panel.size_px == (2560, 2048)
    assert inner.reach == Reach((-6.0, 40.0), (-18.0, 18.0))


def test_the_soft_rim_is_read(tmp_path):
    assert read_module(write(tmp_path, GOOD)).edge_deg == 0.0
    soft = GOOD.replace("field_x_deg = 80.0", "field_x_deg = 80.0\nedge_deg = 1.5")
    assert soft != GOOD and read_module(write(tmp_path, soft)).edge_deg == 1.5
    absurd = soft.replace("edge_deg = 1.5", "edge_deg = 60")
    with pytest.raises(ModuleError, match=r"content\.edge_deg is 60.*from 0 to 45 degrees"):
        read_module(write(tmp_path, absurd))


def test_encoding_table_is_read(tmp_path):
    text = GOOD.replace('encoding = "srgb"', 'encoding = "table"\ntable = [0.001, 0.2, 1.0]')
    assert read_module(write(tmp_path, text)).channels[0].panel.table == (0.001, 0.2, 1.0)


# Each row: text of GOOD, what replaces it, what the message must hold.
MISTAKES = [
    (
        'width_px = 2560\nheight_px = 2048\npitch_um = 8.0\nencoding = "power"',
        'width_px = 8\nheight_px = 2048\npitch_um = 8.0\nencoding = "power"',
        r"channel\.inner\.panel\.width_px is 8 \(out of range\); expected a whole number from 16 to 32768 px",
    ),
    ("bit_depth = 8", "bit_depth = 5", r"channel\.inner\.panel\.bit_depth is 5 .*from 6 to 16 bit"),
    ("bit_depth = 8", "bit_depth = 8.0", r"bit_depth is 8\.0 \(not written as a whole number\)"),
    ("bit_depth = 8", "bit_depth = true", r"bit_depth is True \(bool\); expected a whole number"),
    (
        "pitch_um = 8.0",
        'pitch_um = "8"',
        r"channel\.outer\.panel\.pitch_um is '8' \(text\); expected a number from 0\.5",
    ),
    ("pitch_um = 8.0", "pitch_um = nan", r"pitch_um is nan \(out of range\)"),
    (
        "pitch_um = 8.0\n",
        "",
        r"channel\.outer\.panel\.pitch_um is missing; expected a number from 0\.5 to 1000 um",
    ),
    (
        "pitch_um = 8.0",
        "pitch_mm = 8.0",
        r"channel\.outer\.panel\.pitch_mm is not a known key\. Did you mean 'pitch_um'\?",
    ),
    ("gamma = 2.2", "gamma = 9.0", r"channel\.inner\.panel\.gamma is 9\.0 .*from 1 to 4"),
    ("gamma = 2.2\n", "", r"channel\.inner\.panel\.gamma is missing; expected it with encoding = 'power'"),
    (
        'encoding = "srgb"',
        'encoding = "srgb"\ngamma = 2.2',
        r"gamma is given; expected it only with encoding = 'power'",
    ),
    (
        'encoding = "srgb"',
        'encoding = "sRGB"',
        r"encoding is 'sRGB' \(not known\); expected one of 'srgb', 'power', 'table'",
    ),
    (
        'encoding = "srgb"',
        'encoding = "table"\ntable = [0.0, 0.5, 0.5, 1.0]',
        r"table is .*entry 3, 0\.5, is not above the one before",
    ),
    (
        'encoding = "srgb"',
        'encoding = "table"\ntable = [0.0, 0.9]',
        r"channel\.outer\.panel\.table ends at 0\.9; expected 1",
    ),
    ('encoding = "srgb"', 'encoding = "table"\ntable = [1.0]', r"table is \[1\.0\] \(1 entries\)"),
    (
        "[-6.0, 40.0]",
        "[40.0, -6.0]",
        r"channel\.inner\.reach\.dir_x_deg .*not above the one before.*strictly increasing",
    ),
    ("[-6.0, 40.0]", "[-6.0, 95.0]", r"dir_x_deg .*entry 2, 95\.0 \(out of range\).*from -85 to 85 degrees"),
    (
        "[-6.0, 40.0]",
        "-6.0",
        r"channel\.inner\.reach\.dir_x_deg is -6\.0 \(float\); expected a list of 2 numbers",
    ),
    ('eye = "left"', 'eye = "both"', r"channel\.outer\.eye is 'both' .*'left', 'right'"),
    ("half_x_mm = 5", "half_x_mm = -5", r"eye_box\.half_x_mm is -5 .*from 0 to 50 mm"),
    (
        "[eye_box]",
        "[eyebox]",
        r"eye_box is missing; expected a table \[eye_box\]\. 'eyebox' stands there: was it meant\?",
    ),
    (
        "[channel.inner.reach]",
        "[channel.inner.reech]",
        r"channel\.inner\.reach is missing.*'reech' stands there",
    ),
    (
        'projection = "flat"',
        'projection = "round"',
        r"content\.projection is 'round' .*'flat', 'equidistant'",
    ),
    (
        "field_x_deg = 80.0",
        "field_x_deg = 170.0",
        r"content\.field_x_deg is 170\.0; expected 1 to 160 degrees",
    ),
    (
        "wavelength_nm = 532.0",
        "wavelength_nm = 0.532",
        r"color\.G\.wavelength_nm is 0\.532 .*from 380 to 780 nm",
    ),
    ("[color.G]", '[color."../G"]', r"color\.'\.\./G' cannot be used; expected a name of 1 to 32"),
    ("[color.G]", "[color.r]", r"color\.r and color\.R differ in case at most"),
    ('name = "bridge wing visor"', "", r"visor\.module\.toml: name is missing; expected one line"),
    ('name = "bridge wing visor"', 'name = "a\\nb"', r"name is .*not such a line"),
    (
        'name = "bridge wing visor"',
        'name = "a"\nmaker = "b"',
        r"maker is not a known key\. Known here: name, channel, ",
    ),
    ("half_x_mm = 5", "half_x_mm = = 5", r"not valid TOML .*line 5"),
    ("half_x_mm = 5", "half_x_mm = 2026-99-99", r"not valid TOML"),
    ("half_x_mm = 5", "half_x_mm = " + "9" * 5000, r"not valid TOML"),
    ("half_x_mm = 5", "half_x_mm = 0x" + "f" * 5000, r"half_x_mm is .*too long to show"),
    ("half_x_mm = 5", "half_x_mm = " + "[" * 5000, r"not valid TOML"),
    ("half_x_mm = 5", "x = {" + "a." * 5000 + "a = 1}", r"line 5 holds a key of more than 64 parts"),
    ("half_x_mm = 5", "half_x_mm = [[[1]]]", r"half_x_mm is .*\(list\)"),
]


@pytest.mark.parametrize(("old", "new", "message"), MISTAKES)
def test_each_mistake_names_file_key_and_range(tmp_path, old, new, message):
    assert old in GOOD
    path = write(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(ModuleError, match=message) as raised:
        read_module(path)
    assert str(raised.value).startswith(f"{path}: ")
    assert raised.value.path == str(path)
    assert len(str(raised.value)) < 500 + len(str(path))


def test_no_channel_at_all(tmp_path):
    text = GOOD[: GOOD.index("[channel.outer]")] + "[channel]\n"
    with pytest.raises(ModuleError, match="channel holds 0 tables; expected 1 to 16"):
        read_module(write(tmp_path, text))
    with pytest.raises(ModuleError, match="color is 3; expected a table"):
        read_module(write(tmp_path, "color = 3\n"))


def test_not_text_and_too_large(tmp_path):
    path = tmp_path / "a.toml"
    path.write_bytes(GOOD.encode().replace(b"visor", b"vis\xffr"))
    with pytest.raises(InputFileError, match="byte 24 is not UTF-8"):
        read_module(path)
    path.write_bytes(b"#" * ((1 << 20) + 1))
    with pytest.raises(InputFileError, match="at most 1 MiB"):
        read_module(path)
    with pytest.raises(InputFileError, match="not found"):
        read_module(tmp_path / "none.toml")


def test_objects_made_in_python_are_checked_too():
    with pytest.raises(ModuleError, match=r"width_px is 2560\.0 \(not written as a whole number\)"):
        Panel(2560.0, 2048, 8.0, "srgb", 8)
    with pytest.raises(ModuleError, match="half_z_mm is nan"):
        EyeBox(1.0, 1.0, float("nan"))
    channel = Channel("a", "left", Panel(64, 64, 8.0, "srgb", 8), Reach([-1, 1], (-1.0, 1.0)))
    assert channel.reach.dir_x_deg == (-1.0, 1.0)
    same = copy.copy(channel)
    with pytest.raises(ModuleError, match=r"channel\.a and channel\.a differ in case at most"):
        DisplayModule(
            "m",
            (channel, same),
            (Colour("R", 600.0),),
            EyeBox(1, 1, 1),
            ContentProjection("flat", (64, 64), 20.0),
        )


def test_unknown_channel_names_the_nearest(tmp_path):
    module = read_module(write(tmp_path, GOOD))
    with pytest.raises(
        ModuleError, match="no channel is called 'iner'; there are outer, inner.* Did you mean 'inner'"
    ):
        module.channel("iner")
    with pytest.raises(ModuleError, match="no colour is called 'B'"):
        module.colour("B")


def test_eye_box_lattice_runs_x_fastest():
    lattice = EyeBox(5.0, 4.0, 2.0).lattice((3, 2, 1))
    expected = [[-5, -4, 0], [0, -4, 0], [5, -4, 0], [-5, 4, 0], [0, 4, 0], [5, 4, 0]]
    np.testing.assert_array_equal(lattice, expected)


def test_the_older_spelling_is_read_and_told_of(tmp_path, caplog):
    path = write(tmp_path, GOOD)
    module = read_module(path)
    assert not caplog.records
    path.write_text(GOOD.replace("[color.", "[colour."), encoding="utf-8")
    assert read_module(path) == module
    assert [record.getMessage() for record in caplog.records] == [
        f"{path}: colour is read as color; write color."
    ]
    path.write_text(GOOD.replace("[color.R]", "[colour.R]"), encoding="utf-8")
    with pytest.raises(
        ModuleError, match="color stands beside colour, its older spelling.*Keep color"
    ) as raised:
        read_module(path)
    assert "\n" not in str(raised.value)
