"""Tables of units from those of their family, and packages of a line."""

import shutil
from dataclasses import replace

import numpy as np
import pytest

from prewarp.export.verify import verify_package
from prewarp.frames import cosine_from_tangent
from prewarp.line.moved import MovedFields
from prewarp.line.package import FOLDER, PackageSettings, fields_of
from prewarp.line.run import run_line, units_of
from prewarp.line.tables import FamilyTables
from prewarp.line.unit import LineSettings
from prewarp.lookup import Lookup, prepare
from prewarp.lookup.chebyshev_terms import chebyshev_table, graded_coefficients, rounded_codes
from prewarp.lookup.series import field_series
from prewarp.quality.units_table import read_units
from tests.support import long_form

STEP_PX = 0.002


@pytest.fixture(scope="module")
def tables(line):
    """Return tables of the nominal fields, rounded finely; made without a search."""
    family = line[0]
    nominal = fields_of(MovedFields(family), np.zeros(family.count), {})
    channels, maps = tuple(family.channels), []
    for place, name in enumerate(channels):
        field = nominal.field(name, "G")
        wanted = graded_coefficients(
            field_series(field, family.pupil_box_mm, panel_nodes=24, pupil_nodes=(5, 5, 3))
        )
        step = float(np.float32(STEP_PX / 58.0 * np.pi / 180.0))
        maps.append(replace(chebyshev_table(rounded_codes(wanted, step), step), channel=place))
    sizes = tuple(nominal.field(name, "G").panel_size_px for name in channels)
    return FamilyTables(Lookup(channels, ("G",), sizes, family.pupil_box_mm, tuple(maps)), nominal)


@pytest.mark.parametrize("sigmas", [0.0, 1.0, 3.0])
def test_tables_of_a_unit_are_its_field(line, tables, sigmas):
    """Evaluated as a device does, over panel and eye box; what rounds is the same however far a unit is."""
    family, random = line[0], np.random.default_rng(9)
    fields = fields_of(MovedFields(family), sigmas * random.normal(size=family.count), {})
    lookup, px_per_radian = tables.of_unit(fields), 58.0 * 180.0 / np.pi
    for place, name in enumerate(lookup.channels):
        field = fields.field(name, "G")
        pixel = random.uniform([0.0, 0.0], field.panel_size_px, (60, 2))
        for pupil in random.uniform(*family.pupil_box_mm, (4, 3)):
            wanted = cosine_from_tangent(field.forward(pixel, pupil_mm=pupil))
            own, nominal = (
                np.abs(cosine_from_tangent(seen.astype(float)) - wanted).max() * px_per_radian
                for seen in (
                    prepare(one, place, pupil).direction_from_panel(pixel) for one in (lookup, tables.lookup)
                )
            )
            assert own < 40.0 * STEP_PX
            assert nominal > 0.5 * sigmas


@long_form
def test_every_unit_gets_a_verified_package_and_one_that_is_gone_is_written_again(line, optics, tmp_path):
    module, (_, family, grids) = optics[0], line
    settings, wanted = LineSettings(positions=2), PackageSettings(module, 0.5)
    units = units_of([grids / "U1.npz", grids / "U2.npz"])
    done = run_line(family, units, tmp_path / "line", settings, workers=1, packages=wanted)
    assert done.counts == {"pass": 2}
    found = read_units(tmp_path / "line" / "units.csv")
    assert found.serial == ("U1", "U2")
    for serial in found.serial:
        assert verify_package(tmp_path / "line" / FOLDER / serial).ok
    shutil.rmtree(tmp_path / "line" / FOLDER / "U2")
    again = run_line(family, units, tmp_path / "line", settings, workers=1, packages=wanted)
    assert again.worked_on == 1
    assert verify_package(tmp_path / "line" / FOLDER / "U2").ok
