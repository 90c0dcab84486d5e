"""A small family of the folded demo: one colour, coarse lattices."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from prewarp.grids import write_grid
from prewarp.line.from_design import FamilySettings, family_from_design
from prewarp.line.storage import write_family
from prewarp.module import read_module
from prewarp.trace import read_design
from tests.line_units import captured_unit, unit_design

CALIB = Path(__file__).resolve().parents[2] / "calib"
TWO = np.array([[-2.0, -1.5, 0.0], [2.0, 1.5, 0.0]])
SMALL = FamilySettings(
    directions=(15, 15),
    pupils=(6, 6),
    nominal_degree=12,
    nominal_pupil_degree=4,
    degree=9,
    pupil_degree=3,
    checks=2,
)
UNITS = 5


@pytest.fixture(scope="session")
def optics():
    """Return the module, of green alone, and the design."""
    module = read_module(CALIB / "folded.module.toml")
    return replace(module, colours=module.colours[1:2]), read_design(CALIB / "folded.design.toml")


@pytest.fixture(scope="session")
def line(optics, tmp_path_factory):
    """Return family, its file and a folder of grids U1.npz to U5.npz."""
    module, design = optics
    folder = tmp_path_factory.mktemp("line")
    family = family_from_design(design, module, settings=SMALL)
    write_family(folder / "family.npz", family)
    (folder / "grids").mkdir()
    for number in range(1, UNITS + 1):
        grid = captured_unit(unit_design(design, number), module, TWO, number, directions=(13, 13))
        write_grid(folder / "grids" / f"U{number}.npz", grid)
    return family, folder / "family.npz", folder / "grids"
