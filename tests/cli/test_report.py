"""`prewarp report`: a file whatever the verdict, limits, a package, two displays, errors."""

import json
import sys
import tracemalloc

import numpy as np
import pytest

from prewarp import memory
from prewarp.budget import EyeMotion, Tracker
from prewarp.budget.simulate import simulate, simulation_bytes
from prewarp.cli.commands import report as report_command
from tests.budget.scenes import linear_scene
from tests.cli.conftest import run
from tests.report.page.pages import Page

# The package has a function of its name.
simulate_module = sys.modules["prewarp.budget.simulate"]
QUICK = ("--samples", 1000, "--directions", 1, "--no-figures")


@pytest.fixture(scope="module")
def limited(capture, tmp_path_factory):
    """A module file with limits: one that the display keeps, one that it does not."""
    path = tmp_path_factory.mktemp("limited") / "limited.toml"
    text = (capture / "visor.toml").read_text(encoding="utf-8")
    path.write_text(text + "[limits]\nplace_px = 5.0\nplace_arcmin = 0.0001\n", encoding="utf-8")
    return path


def test_two_displays_a_package_and_both_forms_of_the_result(capture, limited, tmp_path):
    package, page = tmp_path / "package", tmp_path / "visor.html"
    fit = capture / "visor.fit.npz"
    asked = ("--format", "csv", "--pupils", "1x1x1", "-q", "-o", package)
    assert run("export", fit, "--module", limited, *asked).exit_code == 0
    compared = ("--package", package, "--no-package", "--compare", fit, capture / "visor.toml")
    done = run("report", fit, "--module", limited, *QUICK, *compared, "--json", "-q", "-o", page)
    assert done.exit_code == 0, done.output
    display, other = json.loads(done.stdout)["displays"]
    assert display["verdict"] == "above limit" and other["verdict"] == "no limit set"
    assert display["sentence"].startswith("The display does not keep its limits.")
    rows = {row["key"]: row for section in display["sections"] for row in section["rows"]}
    assert rows["place_error_px"]["verdict"] == "within limit" and rows["place_error_px"]["value"] > 0.0
    assert rows["place_error_arcmin"]["verdict"] == "above limit"
    assert rows["package_place_px"]["verdict"] == "within limit"
    assert 0.0 < rows["package_place_px"]["value"] <= 0.25
    assert rows["package_bytes"]["value"] > 1.0
    assert rows["ghost_percent"]["verdict"] == "not measured"
    text = page.read_text(encoding="utf-8")
    found = Page(text)
    assert found.wrong == [] and found.all("img") == []
    # Neither has tables to draw it by, which is said; nothing is run.
    assert "No live picture: " in found.text and "it holds no tables" in found.text
    assert "leave out --no-package" in found.text and found.all("script") == []
    assert "✕ above limit" in found.text and "✓ within limit" in found.text
    assert "visor.fit.npz" in found.text and str(tmp_path) not in text and str(capture) not in text
    assert sorted(one.name for one in tmp_path.iterdir()) == ["package", "visor.html"]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--package", "nowhere"), "nowhere"),
        (("--compare-light", "x.csv"), "need --compare"),
        (("--no-package", "--light", "nowhere.csv"), "nowhere.csv"),
        (("--no-package", "--compare", "nowhere.npz", "nowhere.toml"), "nowhere.npz"),
    ],
)
def test_bad_input_is_one_line_and_nothing_is_written(capture, tmp_path, options, message):
    page = tmp_path / "visor.html"
    fit, module = capture / "visor.fit.npz", capture / "visor.toml"
    done = run("report", fit, "--module", module, *options, "-q", "-o", page)
    assert done.exit_code == 2
    assert message in done.stderr and len(done.stderr.strip().splitlines()) == 1
    assert not page.exists()


def test_the_page_does_not_replace_an_input(capture):
    fit = capture / "visor.fit.npz"
    done = run("report", fit, "--module", capture / "visor.toml", "-o", fit)
    assert done.exit_code == 2 and "visor.fit.npz" in done.stderr


@pytest.mark.parametrize(
    ("options", "resident_mb"),
    [
        (("--no-package", "--no-figures", "--samples", 1000, "--directions", 1), 193),
        (("--no-package", "--no-figures", "--samples", 1_000_000, "--directions", 1), 796),
        (("--no-package", "--no-figures", "--samples", 3_000_000, "--directions", 20), 421),
        (("--no-package", "--samples", 1000, "--directions", 1), 233),
        (("--no-figures", "--samples", 1000, "--directions", 1), 668),
    ],
)
def test_memory_is_asked_for_before_work(capture, tmp_path, monkeypatch, options, resident_mb):
    """Resident sizes of reports on the folded demo, on two cores; foreseen within half of them."""
    monkeypatch.setattr(simulate_module, "usable_cores", lambda: 2)
    monkeypatch.setattr(report_command, "_read", lambda *given, **more: pytest.fail("the work began"))
    monkeypatch.setattr(memory, "available_bytes", lambda: int(resident_mb * 1e6 / 1.5))
    page = tmp_path / "visor.html"
    words = ("report", capture / "visor.fit.npz", "--module", capture / "visor.toml", "-o", page)
    done = run(*words, *options)
    assert done.exit_code == 2 and "a report with" in done.stderr and "are free. End other" in done.stderr
    if 1_000_000 in options:
        assert done.stderr.rstrip().endswith("give less --samples, or more --directions.")
    monkeypatch.setattr(memory, "available_bytes", lambda: int(resident_mb * 1e6 * 1.5))
    with pytest.raises(BaseException, match="the work began"):
        run(*words, *options)


@pytest.mark.parametrize(("directions", "samples"), [(1, 100_000), (20, 200_000), (100, 200_000)])
def test_memory_of_time_samples_is_foreseen(monkeypatch, directions, samples):
    monkeypatch.setattr(simulate_module, "usable_cores", lambda: 1)
    across = np.linspace(-0.005, 0.005, directions) if directions > 1 else np.zeros(1)
    scene = linear_scene(np.column_stack([across, np.zeros(directions)]), motion=EyeMotion())
    tracemalloc.start()
    try:
        simulate(scene, Tracker(), samples=samples)
        taken = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert taken / 1.5 < simulation_bytes(samples, directions) < taken * 1.5
