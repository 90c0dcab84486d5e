"""All mistakes of a module file in one error, each once, and none that is not there."""

import re

import pytest

from prewarp.errors import ModuleError
from prewarp.module import read_module
from prewarp.records import problems_of
from prewarp.records.problems import MOST_TOLD
from tests.test_module import GOOD, write

# What stands in the good file, what replaces it, and what is said of it.
WRONG = (
    ("half_x_mm = 5", "half_x_mm = -5", "eye_box.half_x_mm is -5"),
    ("half_y_mm = 4.0\n", "", "eye_box.half_y_mm is missing"),
    ('projection = "flat"', 'projection = "round"', "content.projection is 'round'"),
    ("wavelength_nm = 630.0", "wavelength_nm = 0.63", "color.R.wavelength_nm is 0.63"),
    ("wavelength_nm = 532.0", "wavelenght_nm = 532.0", "color.G.wavelenght_nm is not a known key"),
    ('eye = "left"', 'eye = "both"', "channel.outer.eye is 'both'"),
    ("bit_depth = 10", "bit_depth = 10.5", "channel.outer.panel.bit_depth is 10.5"),
    ("[-6.0, 40.0]", "[40.0, -6.0]", "channel.inner.reach.dir_x_deg is"),
    ('name = "bridge wing visor"', 'title = "x"', "title is not a known key"),
)


def told(folder, text):
    path = write(folder, text)
    with pytest.raises(ModuleError) as raised:
        read_module(path)
    return path, raised.value


def test_all_mistakes_are_told_each_once(tmp_path):
    text = GOOD
    for old, new, _ in WRONG:
        assert old in text
        text = text.replace(old, new, 1)
    path, error = told(tmp_path, text)
    lines = str(error).split("\n")
    assert all(line.startswith(f"{path}: ") for line in lines)
    for _, _, said in WRONG:
        assert sum(line.startswith(f"{path}: {said}") for line in lines) == 1, said
    # The name of the display is missing besides: "title" is too far from it to be taken for a slip.
    assert len(lines) == len(WRONG) + 1 == len(problems_of(error))
    assert error.path == str(path)
    assert {problem.fields["path"] for problem in problems_of(error)} == {str(path)}


@pytest.mark.parametrize(("old", "new", "said"), WRONG[:-1])
def test_one_mistake_is_one_line(tmp_path, old, new, said):
    path, error = told(tmp_path, GOOD.replace(old, new, 1))
    assert str(error).startswith(f"{path}: {said}") and "\n" not in str(error)
    assert problems_of(error) == (error,)


def test_a_misspelt_table_is_told_once(tmp_path):
    _, error = told(tmp_path, GOOD.replace("[eye_box]", "[eyebox]"))
    assert "\n" not in str(error) and "'eyebox' stands there" in str(error)


def test_a_key_that_is_right_is_not_taken_for_one_that_is_missing(tmp_path):
    _, error = told(tmp_path, re.sub(r"half_z_mm = .*", "", GOOD, count=1))
    assert "half_z_mm is missing" in str(error) and "was it meant" not in str(error)


def test_a_file_full_of_mistakes_is_cut(tmp_path):
    extra = "".join(f"[color.X{i}]\nwavelength_nm = {i}\nunit{i} = 1\n" for i in range(6))
    wrong = re.sub(r"= [\d.-]+$", "= -1e9", GOOD + extra, flags=re.MULTILINE)
    _, error = told(tmp_path, wrong)
    assert len(problems_of(error)) > MOST_TOLD
    lines = str(error).split("\n")
    assert len(lines) == MOST_TOLD + 1 and re.search(r"\d+ more mistakes\. Mend these first", lines[-1])
