"""`prewarp fit --poses free`: what it prints, what machines read, what it refuses."""

import json

import numpy as np
import pytest

from prewarp.field import FieldSet
from prewarp.grids import write_grid
from tests.cli.conftest import run
from tests.poses.captures import capture, pupil_lattice, stage_errors


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder with captures of one channel: 25 shots by a wrong and a right stage, 9 by a wrong one."""
    path = tmp_path_factory.mktemp("poses")
    for name, across, size in (("deep", 5, 1.0), ("right", 5, 0.0), ("small", 3, 1.0)):
        labels = pupil_lattice(2.0, across)
        random = np.random.default_rng(2)
        errors = stage_errors(len(labels), random, size=size)
        write_grid(path / f"{name}.npz", capture(errors, labels, random, dots=9, channels=("inner",)))
    return path


def fitted(folder, name, *options):
    return run("fit", folder / f"{name}.npz", "--panel", "2560x2048", "-o", folder / "a.fit.npz", *options)


def test_json_tells_poses_and_modes(folder):
    done = fitted(folder, "deep", "--poses", "free", "--json")
    assert done.exit_code == 0, done.stderr
    said = json.loads(done.stdout)
    assert len(said["poses"]) == 25
    for pose in said["poses"]:
        assert {"pupil_mm", "offset_mm", "turn_arcmin", "sigma_mm", "sigma_arcmin"} <= set(pose)
        assert all(len(pose[key]) == 3 for key in ("offset_mm", "turn_arcmin", "sigma_mm", "sigma_arcmin"))
        assert min(pose["sigma_mm"]) > 0.0 and min(pose["sigma_arcmin"]) > 0.0
    assert set(said["modes"]) == {"observable", "weak", "lost"}
    assert [one["name"] for one in said["modes"]["lost"]][:3] == ["shift", "turn", "scale"]
    assert all(one["needs"] for one in said["modes"]["lost"]) and said["capture_next"]
    provenance = FieldSet.load(folder / "a.fit.npz").provenance
    assert provenance["poses"] == "free" and provenance["pose_modes"] == said["modes"]


def test_text_says_it_in_words(folder):
    done = fitted(folder, "deep", "--poses", "free", "--stage-mm", "0.2")
    assert done.exit_code == 0, done.stderr
    assert "poses of 25 shots found" in done.stdout and "(stated 0.2 mm, 1 arcmin)" in done.stdout
    assert "poses, lost: shift (3)" in done.stdout
    assert "Not known: needs one known image distance." in done.stdout


def test_poses_as_labelled_say_nothing_of_poses(folder):
    done = fitted(folder, "right", "--json")
    assert done.exit_code == 0, done.stderr
    assert not {"poses", "modes"} & set(json.loads(done.stdout))


def test_three_by_three_pupils_are_refused(folder):
    done = fitted(folder, "small", "--poses", "free")
    assert done.exit_code == 2 and done.stdout == ""
    assert "enough for pupil degree 2; free poses need degree 4" in done.stderr


def test_priors_belong_to_free_poses(folder):
    done = fitted(folder, "deep", "--stage-mm", "0.2")
    assert done.exit_code == 2 and "belong to --poses free" in done.stderr
