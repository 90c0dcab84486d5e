"""A unit from two camera positions: what is said of it against its trace, and the flags."""

import numpy as np
import pytest

from prewarp.grids import read_grid, write_grid
from prewarp.line.estimate import estimate
from prewarp.line.figures import Judge
from prewarp.line.flags import THRESHOLD, flags_of
from prewarp.line.storage import family_bytes, read_family
from prewarp.line.unit import LineSettings, UnitWork
from prewarp.trace import departures
from tests.line_units import captured_unit, faulty_unit, unit_design
from tests.long.line_units import TWO, held_out, removed


@pytest.fixture(scope="module")
def work(line):
    return UnitWork(line[0], LineSettings())


def found_in(work, grid):
    views, shots = work.views(grid)
    return estimate(views, work.family.count + 6 * shots)


def test_a_unit_is_known_as_well_as_is_claimed(work, line, optics):
    family, _, grids = line
    judge, module, design = Judge.of(family), *optics
    ratios, lengths, seams = [], [], []
    for number in range(1, 6):
        found = found_in(work, read_grid(grids / f"U{number}.npz"))
        assert found.noise_px == pytest.approx(0.05, rel=0.1)
        flags = flags_of(found, work.named, work.rest_px)
        assert min(flags.outside_p, flags.inside_p) > THRESHOLD
        error, motions, seam = held_out(unit_design(design, number), module, family, found)
        left = np.linalg.norm(removed(error, motions).reshape(-1, 2), axis=1)
        ratios.append(np.mean(left**2) / judge.rms_px(found.covariance[: family.count, : family.count]) ** 2)
        lengths.append(left)
        seams.append(seam)
    assert np.median(np.concatenate(lengths)) < 0.1
    assert np.quantile(np.concatenate(seams), 0.95) < 0.2
    # Five units, one fifth as many dots as a capture: a factor of 1.5 either way is chance.
    assert 0.5 < np.sqrt(np.mean(ratios)) < 1.5


@pytest.mark.parametrize("fault", ["spacing", "glass"])
def test_a_wrong_lens_is_flagged(work, optics, fault):
    module, design = optics
    grid = captured_unit(faulty_unit(unit_design(design, 77), fault, 0), module, TWO, 77, directions=(13, 13))
    assert not flags_of(found_in(work, grid), work.named, work.rest_px).fits


def test_flags_are_not_judged_from_more_positions_than_they_were_held_to_truth_at(work, optics, tmp_path):
    module, design = optics
    three = np.vstack([TWO, [0.0, 0.0, 0.0]])
    grid = captured_unit(
        faulty_unit(unit_design(design, 77), "glass", 0), module, three, 77, directions=(13, 13)
    )
    write_grid(tmp_path / "U77.npz", grid)
    row = work.row("U77", tmp_path / "U77.npz")
    assert row.status == "bad"
    assert "flags cannot be judged from 3 camera positions" in row.reason


def test_modes_are_those_of_the_tolerances(line, optics):
    family, (_, design) = line[0], optics
    assert len(family.named) == len(departures(design))
    # One sigma of every mode moves the picture; all keep their priors.
    own = family.channels["inner"]
    assert own.modes.shape[2] > len(own.labels)
    assert family.places_of("outer").start == own.modes.shape[2]


def test_the_posterior_is_that_of_a_plain_solution(work, line):
    views, shots = work.views(read_grid(line[2] / "U1.npz"))
    unknowns = work.family.count + 6 * shots
    found = estimate(views, unknowns)
    whole = np.zeros((sum(len(view.side) for view in views), unknowns))
    start = 0
    for view in views:
        whole[start : start + len(view.side), view.places] = view.matrix
        start += len(view.side)
    side = np.concatenate([view.side for view in views])
    spread = whole @ whole.T + found.noise_px**2 * np.eye(len(side))
    plain = whole.T @ np.linalg.solve(spread, side)
    # No dot is an outlier here: the weights are one.
    assert found.outliers == 0
    assert np.abs(plain - found.mean).max() < 0.02


def test_a_family_is_read_as_written(line):
    family, path, _ = line
    assert family_bytes(read_family(path)) == path.read_bytes() == family_bytes(family)
