"""The tables that people read hold the same numbers, under the same names, as the JSON."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest

from prewarp.grids import read_grid, write_grid
from tests.cli.conftest import run


@pytest.fixture
def both(capture):
    """Return what runs a command on the small capture twice: its cells by row and title, and its JSON."""

    def asked(command: str, *more):
        arguments = (command, capture / "visor.fit.npz", *more)
        if command == "fit":
            arguments = (command, *more)
        printed, machine = run(*arguments), run(*arguments, "--json")
        assert printed.exit_code == machine.exit_code == 0, printed.output + machine.output
        return rows_of(printed.stdout), json.loads(machine.stdout)

    return asked


def rows_of(text: str) -> dict[str, list[str]]:
    """Return the cells of a row by the text in its first column; columns are two spaces apart or more."""
    cells = [re.split(r" {2,}", line.strip()) for line in text.splitlines()]
    return {row[0]: row[1:] for row in cells if len(row) > 1}


def shown(cells: list[str], figures: list[float], digits: int):
    assert [float(cell) for cell in cells] == pytest.approx(
        figures, rel=0.51 * 10.0 ** (1 - digits), abs=1e-12
    )
    assert len(set(figures)) == len(figures), "equal figures show no swap"


def test_compare(both, capture):
    rows, found = both("compare", capture / "grid.csv")
    names = [f"{kind}_{unit}" for unit in ("px", "arcmin") for kind in ("rms", "p95", "max")]
    shown(rows["all"][2:], [found["all"][name] for name in names], 4)
    (green,) = [one for one in found["groups"] if (one["channel"], one["color"]) == ("outer", "G")]
    assert rows["outer G"][:2] == ["729", "0"]
    shown(rows["outer G"][2:], [green[name] for name in names], 4)


def test_fit(both, capture, tmp_path):
    rows, found = both("fit", capture / "grid.csv", "--panel", "640x480", "-o", tmp_path / "a.npz")
    for channel in found["channels"]:
        own = rows[channel["channel"]]
        assert own[:3] == ["G", str(channel["samples"]), str(channel["parameters"])]
        noise, misfit, residual, floor = own[3:7]
        figures = [channel["sigma_px"]["G"], channel["residual_rms_px"]["G"], channel["floor_px"]]
        shown([noise, residual, floor], figures, 3)
        shown([misfit], [channel["misfit_px"]["G"]], 2)
        assert own[7] == str(len(channel["outliers"]))


def test_budget(both, capture):
    rows, found = both(
        "budget", "--module", capture / "visor.toml", "--samples", 1000, "--directions", 1, "--accuracy", 0.5
    )
    (seam,) = found["eyes"]["right"]["seams"]
    for label, key in (
        ("with the given tracker", "tracked"),
        ("fixed correction, no tracker", "fixed"),
    ):
        shown(rows[label], [seam[key][f"p{share}_arcmin"] for share in (50, 90, 95, 99)], 3)


def test_sampling(both, capture):
    rows, found = both("sampling", "--module", capture / "visor.toml")
    first = found["channels"][0]
    own = rows[f"{first['channel']} {first['color']}"]
    for cell, (kind, unit) in zip(
        own[:3],
        (("panel", "px_per_deg"), ("content", "px_per_deg"), ("scale", "content_px_per_panel_px")),
        strict=True,
    ):
        shown(cell.split(" to "), [first[f"{kind}_least_{unit}"], first[f"{kind}_most_{unit}"]], 3)
    shown(own[3:], [first["content_undersampled_percent"], first["panel_finer_percent"]], 3)


def test_light(both, capture, tmp_path):
    grid = read_grid(capture / "grid.csv")
    write_grid(tmp_path / "lit.npz", replace(grid, luminance=np.where(grid.channel == 0, 1.0, 0.8)))
    rows, found = both(
        "light", tmp_path / "lit.npz", "--module", capture / "visor.toml", "--pupil", "0,0,0", "--bits", 12
    )
    (seam,) = found["eyes"]["right"]["seam"]
    for name, view in seam["colors"].items():
        figures = [
            view[when][f"{kind}_percent"] for when in ("before", "after") for kind in ("step", "ripple")
        ]
        shown(rows[f"pupil (0, 0, 0) mm, {name}"], figures, 3)


def test_eyes_vergence_is_the_disparity_over_the_pupil_distance(capture, tmp_path):
    """Two channels of one right eye, named as two eyes: an arcmin over a pupil distance in metres."""
    text = (capture / "visor.toml").read_text(encoding="utf-8")
    text = text.replace('[channel.inner]\neye = "right"', '[channel.inner]\neye = "left"')
    (tmp_path / "eyes.toml").write_text(text, encoding="utf-8")
    asked = ("eyes", capture / "visor.fit.npz", "--module", tmp_path / "eyes.toml", "--pupil-distance", 60)
    done = run(*asked, "--json")
    assert done.exit_code == 0, done.output
    for state in json.loads(done.stdout)["states"].values():
        across = state["horizontal_max_arcmin"] / 60.0 * np.pi / 180.0
        assert state["vergence_max_dioptres"] == pytest.approx(across / 0.060)
        assert state["vergence_max_dioptres"] > 0.0
