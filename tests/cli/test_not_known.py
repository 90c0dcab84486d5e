"""Commands about a capture that does not show what they ask for: null and why, or a refusal with a place."""

import json

import numpy as np
import pytest

from prewarp.grids import write_grid
from tests.cli.conftest import CHANNEL, MODULE, run, scanned, small_channels
from tests.synthetic import make_grid, pupil_lattice

CAPTURES = {
    "one": pupil_lattice(1),
    "line": np.array([(x, 0.0, 0.0) for x in np.linspace(-3.0, 3.0, 5)]),
    "square": pupil_lattice(3, 3.0),
}
COMMANDS = {
    "focus": (),
    "sensitivity": ("--pupils", "3x3x1"),
    "budget": ("--samples", "5000", "--directions", "8"),
    "blend": ("--pupils", "3x1x1"),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Fits NAME.fit.npz of each capture, what `fit --json` said, visor.toml, wide.toml: 12 mm, and lit.toml,
    which declares scans.
    """
    folder = tmp_path_factory.mktemp("few")
    text = MODULE + CHANNEL.format(name="inner", low=-40, high=10)
    text += CHANNEL.format(name="outer", low=-10, high=40)
    for name, wavelength in (("R", 630.0), ("B", 460.0)):
        text = text.replace(f"[color.{name}]\nwavelength_nm = {wavelength}\n", "")
    (folder / "visor.toml").write_text(text, encoding="utf-8")
    wide = text.replace("half_x_mm = 3.0", "half_x_mm = 12.0")
    (folder / "wide.toml").write_text(wide, encoding="utf-8")
    (folder / "lit.toml").write_text(text + scanned(), encoding="utf-8")
    for name, pupils in CAPTURES.items():
        grid = make_grid(
            "panel", noise_px=0.02, seed=3, points=9, pupils=pupils, channels=small_channels(), colours=("G",)
        )
        write_grid(folder / f"{name}.npz", grid)
        done = run(
            "fit", folder / f"{name}.npz", "--module", folder / "visor.toml",
            "-o", folder / f"{name}.fit.npz", "--family", "polynomial", "--json",
        )  # fmt: skip
        assert done.exit_code == 0, done.output
        (folder / f"{name}.json").write_text(done.stdout, encoding="utf-8")
    return folder


def asked(folder, command, name, *more, module="visor.toml"):
    return run(
        command, folder / f"{name}.fit.npz", "--module", folder / module, *COMMANDS.get(command, ()), *more
    )


@pytest.mark.parametrize("name", ["one", "line"])
@pytest.mark.parametrize("command", COMMANDS)
def test_what_the_pupils_do_not_show_is_null_with_a_reason(folder, command, name):
    done = asked(folder, command, name, "--json")
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert found["not_known"]
    assert all(set(one) == {"quantity", "why", "needs"} and all(one.values()) for one in found["not_known"])
    eye = found["eyes"]["right"]
    if command == "focus":
        assert all(one["image_vergence_mean_dioptres"] is None for one in eye["channels"])
        assert all(one["focus_step_mean_dioptres"] is None for one in eye["seams"])
    elif command == "sensitivity":
        assert all(one["tracked_worst_arcmin_per_mm"] is None for one in eye["seams"])
    elif command == "budget":
        assert all(one["verdict"] is None and one["needed"] is None for one in eye["seams"])
    else:
        assert eye["policies"] is None and eye["overlap"] is None
    text = asked(folder, command, name).stdout
    assert "not known: needs pupil positions that differ" in text
    assert "racker needed" not in text and "No tracker" not in text


def test_a_line_tells_of_motion_along_it(folder):
    """Planes have no astigmatism to speak of: along x the vergence is that of the whole."""
    focus = json.loads(asked(folder, "focus", "line", "--json").stdout)["eyes"]["right"]["channels"]
    square = json.loads(asked(folder, "focus", "square", "--json").stdout)["eyes"]["right"]["channels"]
    for one, other in zip(focus, square, strict=True):
        assert one["vergence_along"] == pytest.approx([1.0, 0.0], abs=1e-6)
        assert one["vergence_along_dioptres"] == pytest.approx(
            other["image_vergence_mean_dioptres"], abs=0.05
        )
    (seam,) = json.loads(asked(folder, "sensitivity", "line", "--json").stdout)["eyes"]["right"]["seams"]
    assert seam["along_motion"]["fixed_worst_arcmin"] >= 0.0
    (seam,) = json.loads(asked(folder, "sensitivity", "one", "--json").stdout)["eyes"]["right"]["seams"]
    assert seam["along_motion"] is None


@pytest.mark.parametrize("command", COMMANDS)
def test_nothing_is_missing_in_a_full_capture(folder, command):
    found = json.loads(asked(folder, command, "square", "--json", module="lit.toml").stdout)
    assert found["not_known"] == [] and found["extrapolated"] == []


@pytest.mark.parametrize("command", ["sensitivity", "budget", "blend"])
def test_without_a_scan_only_time_is_missing(folder, command):
    found = json.loads(asked(folder, command, "square", "--json").stdout)
    (lacking,) = found["not_known"]
    assert lacking["quantity"] == "panels out of step"
    assert "[channel.inner.panel.scan] and [channel.outer.panel.scan]" in lacking["needs"]
    eye = found["eyes"]["right"]
    assert eye["scan_advice"] is None
    seams = [eye] if command == "blend" else eye["seams"]
    assert all(one["panels_out_of_step"] is None for one in seams)
    text = asked(folder, command, "square").stdout
    assert "panels out of step: not known: needs [channel.inner.panel.scan]" in " ".join(text.split())


@pytest.mark.parametrize("command", ["sensitivity", "budget", "blend", "export"])
def test_an_eye_box_beyond_the_capture_is_refused_with_the_place(folder, command, tmp_path):
    more = ("-o", tmp_path / "out") if command == "export" else ()
    done = asked(folder, command, "square", *more, module="wide.toml")
    assert done.exit_code == 2
    assert "9 mm outside what was captured of channel 'inner'" in done.stderr
    assert "--extrapolate" in done.stderr


@pytest.mark.parametrize("command", ["focus", "sampling", "render", "export"])
def test_a_pupil_beyond_the_capture_is_refused_with_the_place(folder, command, tmp_path):
    more = ("-o", tmp_path / "out") if command in ("render", "export") else ()
    done = asked(folder, command, "square", "--pupil", "30,0,0", *more)
    assert done.exit_code == 2
    assert "pupil (30, 0, 0) mm lies 27 mm outside" in done.stderr
    assert not (tmp_path / "out").exists()


def test_asked_for_it_goes_on_and_says_so(folder):
    done = asked(folder, "focus", "square", "--pupil", "6,0,0", "--extrapolate", "--json")
    found = json.loads(done.stdout)
    assert [one["outside_mm"] for one in found["extrapolated"]] == pytest.approx([3.0, 3.0])
    assert all(one["image_vergence_sigma_dioptres"] is None for one in found["eyes"]["right"]["channels"])
    assert found["not_known"][0]["quantity"].startswith("1-sigma")
    assert "3 mm outside what was captured of channel 'inner'" in done.stderr


def test_just_outside_is_marked_and_not_refused(folder):
    done = asked(folder, "sampling", "square", "--pupil", "4,0,0", "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["extrapolated"][0]["outside_mm"] == pytest.approx(1.0)


def test_fit_says_what_was_captured_and_what_is_missing(folder):
    found = {name: json.loads((folder / f"{name}.json").read_text("utf-8")) for name in CAPTURES}
    for name, count in (("one", 1), ("line", 5), ("square", 9)):
        for channel in found[name]["channels"]:
            captured = channel["captured"]
            assert captured["positions"] == count and captured["depth_mm"] == [0.0, 0.0]
            assert len(captured["directions_deg"]) >= 4
            assert set(channel["sigma_px"]) == set(channel["misfit_px"]) == {"G"}
    one, line, square = (found[name]["channels"][0] for name in CAPTURES)
    assert one["captured"]["motions"] == [] and len(line["captured"]["motions"]) == 1
    assert one["pupils_needed"]["positions_each_way"] is None
    assert square["captured"]["pupil_functions"][0] == {"wavefront_degree": 1, "fitted": 2, "all": 2}
    done = run(
        "fit", folder / "line.npz", "--module", folder / "visor.toml", "-o", folder / "again.fit.npz",
        "--family", "polynomial",
    )  # fmt: skip
    assert "the captured pupils show motion of the pupil along x alone" in done.stdout
