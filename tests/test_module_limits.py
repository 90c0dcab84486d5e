"""Limits and outside measurements in a module file: what is read, what may be left out, what is refused."""

import dataclasses

import pytest

from prewarp.errors import ModuleError
from prewarp.limits import Limits, Measured
from prewarp.module import read_module
from tests.test_module import GOOD, write

LIMITS = """
[limits]
place_px = 0.5
place_arcmin = 0.7
seam_error_p95_arcmin = 1
luminance_step_percent = 2.0
focus_step_dioptres = 0.25
field_lost_percent = 0.0
"""
MEASURED = """
[measured]
transmittance_percent = 62.0
transmittance_sigma_percent = 1.5
ghost_percent = 0.4
luminance_cd_m2 = 900.0
note = "spectroradiometer, mid-field"
"""


def test_both_tables_may_be_left_out(tmp_path):
    module = read_module(write(tmp_path, GOOD))
    assert module.limits == Limits() and module.measured == Measured()
    assert set(dataclasses.asdict(module.limits).values()) == {None}


def test_what_is_written_is_what_is_read(tmp_path):
    module = read_module(write(tmp_path, GOOD + LIMITS + MEASURED))
    assert module.limits == Limits(0.5, 0.7, 1.0, 2.0, 0.25, 0.0)
    assert module.measured == Measured(62.0, 1.5, 0.4, None, 900.0, None, "spectroradiometer, mid-field")
    again = "\n".join(
        ["[limits]", *(f"{k} = {v!r}" for k, v in dataclasses.asdict(module.limits).items() if v is not None)]
    )
    assert read_module(write(tmp_path, GOOD + again)).limits == module.limits


def test_some_limits_alone_are_fine(tmp_path):
    assert read_module(write(tmp_path, GOOD + "[limits]\nplace_px = 0.5\n")).limits == Limits(place_px=0.5)


@pytest.mark.parametrize(
    ("line", "instead", "message"),
    [
        ("place_px = 0.5", "place_px = 0.0", "limits.place_px is 0.0 (out of range); expected a number"),
        ("place_px = 0.5", "place_px = nan", "limits.place_px is nan"),
        ("place_px = 0.5", 'place_px = "0.5"', "limits.place_px is '0.5' (text)"),
        ("place_px = 0.5", "place_pix = 0.5", "limits.place_pix is not a known key"),
        ("luminance_step_percent = 2.0", "luminance_step_percent = 101.0", "from 0 to 100 %"),
        ("focus_step_dioptres = 0.25", "focus_step_dioptres = -1.0", "from 0 to 20 dioptres"),
        ("ghost_percent = 0.4", "ghost_sigma_percent = 0.4", "measured.ghost_sigma_percent is given without"),
        ("transmittance_percent = 62.0", "transmittance_percent = 162.0", "measured.transmittance_percent"),
        ('note = "spectroradiometer, mid-field"', 'note = ""', "measured.note is ''"),
    ],
)
def test_what_is_wrong_is_named_with_its_key(tmp_path, line, instead, message):
    text = (LIMITS + MEASURED).replace(line, instead)
    path = write(tmp_path, GOOD + text)
    with pytest.raises(ModuleError) as caught:
        read_module(path)
    assert message in str(caught.value) and str(path) in str(caught.value)


def test_a_table_that_is_none_is_refused(tmp_path):
    with pytest.raises(ModuleError, match="limits is 1; expected a table"):
        read_module(write(tmp_path, "limits = 1\n" + GOOD))
