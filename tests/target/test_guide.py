"""Figures of a package's GUIDE.md for a small core, held to what is measured: code in flash, instructions.

Of the coaxial demo's tables (`coaxial.prewarp`, from `export --format lookup`) on a Cortex-M4F under QEMU;
all columns: `tests.long.device_targets`.
"""

import re
from pathlib import Path

import pytest

from prewarp.export import guide
from tests.support import missing
from tests.target.measured import FEATURES, FLOAT, INTEGER, Compiled
from tests.target.targets import M4F

TEXT = Path(guide.__file__).with_name("guide.template.md").read_text(encoding="utf-8")
BLOB = Path(__file__).with_name("coaxial.prewarp").read_bytes()
# A figure of the guide is rounded to its last digit; other versions of gcc differ by some per cent.
WITHIN = 0.02
STEPS = {
    "open and check": "open",
    "prepare three colours of a channel": "prepare three maps",
    "three meshes of 65 x 65": "meshes, three of 65 x 65",
    "the same in strips of 8 rows": "the same in strips of 8 rows",
    "a panel point from a direction": "panel from direction",
    "prepare light (all borders)": "prepare light",
    "weights of a direction": "weights",
}


@pytest.fixture(scope="module")
def compiled(tmp_path_factory):
    if not M4F.is_here():
        missing(f"{M4F.compiler} or {M4F.runner[0]} is not installed")
    return Compiled(M4F, tmp_path_factory.mktemp("guide"))


def told(row):
    """Return the cells of a row of the guide's tables, as text."""
    (line,) = (one for one in TEXT.splitlines() if one.startswith(f"| {row} |"))
    return [cell.strip() for cell in line.strip("| ").split("|")[1:]]


@pytest.mark.parametrize(("row", "path"), [("float path", FLOAT), ("integer path", INTEGER)])
def test_code_in_flash_is_what_the_guide_says(compiled, row, path):
    for said, feature in zip(told(row), FEATURES, strict=True):
        code, memory = compiled.code_bytes(path, feature)
        assert float(said) == pytest.approx(code / 1000.0, rel=WITHIN, abs=0.05), feature
        assert memory == 0


@pytest.mark.parametrize(("column", "path"), [(0, FLOAT), (1, INTEGER)])
def test_instructions_and_work_memory_are_what_the_guide_says(compiled, column, path):
    found = compiled.counts(path, BLOB)
    for row, step in STEPS.items():
        cell = told(row)[column]
        if cell != "the same":
            assert float(cell.split(";")[0]) == pytest.approx(
                found[step][0] / 1000.0, rel=WITHIN, abs=0.05
            ), row
    sentence = re.search(r"\(coaxial; folded\): ([\d.]+); [\d.]+ kB in the float path, ([\d.]+)", TEXT)
    assert float(sentence[1 + column]) == pytest.approx(4.0 * found["memory"][1] / 1000.0, abs=0.05)
