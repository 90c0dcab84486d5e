"""The one call from an eye to a package: what it does where first tables or meshes are not good enough."""

from types import SimpleNamespace

import numpy as np
import pytest

from prewarp.errors import PackageError
from prewarp.export import write as writing
from prewarp.export.write import write_package
from tests.export.device_builds import LIMIT_PX, chebyshev_lookup, small_build

ASKED_PX = LIMIT_PX
LOOKUP = {
    "max_light_percent": 1.0,
    "max_error_px": ASKED_PX,
    "formats": ("lookup",),
    "provenance": {},
    "sampling": "exact",
}


@pytest.fixture(autouse=True)
def no_compiler(monkeypatch):
    monkeypatch.setattr("prewarp.export.lookup_files.find_compiler", lambda: None)


def searched(asked):
    """Return a search that notes what it is asked for and finds the small tables."""

    def optimise(fields, /, *, max_error_px, **options):
        asked.append(max_error_px)
        return SimpleNamespace(lookup=chebyshev_lookup())

    return optimise


def test_meshes_are_made_finer_where_the_request_needs_it(tmp_path):
    """Triangles 16 px apart are too coarse for 0.002 px; the step that was found is finer, and is told."""
    eye, told = small_build().eye, []
    request = {"max_error_px": 0.002, "formats": ("gltf",), "pupils_mm": np.zeros((1, 3)), "provenance": {}}
    done = write_package(tmp_path / "visor", eye, **request, progress=told.append)
    (line,) = {one for one in told if one.startswith("meshes again")}
    assert 1.0 <= float(line.split()[-3]) < 16.0
    assert done.verification.worst_place.measured <= 0.002
    with pytest.raises(PackageError, match=r"nodes 16 px apart are .* Use a smaller --step, such as"):
        write_package(tmp_path / "pinned", eye, **request, step_px=16.0)
    assert [one.name for one in tmp_path.iterdir()] == ["visor"]


def test_tables_are_searched_again_where_random_points_show_more(tmp_path, monkeypatch):
    """Between the points of a search a table may be worse than it: then less is asked for."""
    asked, worst = [], iter([1.02 * ASKED_PX, 0.98 * ASKED_PX])

    def worst_at_truth(lookup, truth, seam, /):
        # The measure itself: of tables that were searched for `LIMIT_PX`, on points of its own.
        assert 0.0 < measure(lookup, truth) < 1.05 * LIMIT_PX
        return next(worst)

    measure = writing.worst_at_truth
    monkeypatch.setattr(writing, "optimise_lookup", searched(asked))
    monkeypatch.setattr(writing, "worst_at_truth", worst_at_truth)
    done = write_package(tmp_path / "visor", small_build().eye, **LOOKUP)
    assert asked == pytest.approx([ASKED_PX, 0.99 * ASKED_PX / 1.02])
    assert {one["details"].get("sampling") for one in done.manifest["files"]} == {None}
    assert done.manifest["requested"]["max_error_px"] == ASKED_PX and done.verification.ok


def test_tables_that_never_keep_it_are_told(tmp_path, monkeypatch):
    monkeypatch.setattr(writing, "worst_at_truth", lambda *given: 3.0 * ASKED_PX)
    asked = []
    monkeypatch.setattr(writing, "optimise_lookup", searched(asked))
    with pytest.raises(PackageError, match=r"0\.3 px off at random points; expected at most 0\.1 px"):
        write_package(tmp_path / "visor", small_build().eye, **LOOKUP)
    assert list(tmp_path.iterdir()) == [] and len(asked) == 4 and asked == sorted(asked, reverse=True)


def test_filtered_content_takes_its_part_of_the_error(tmp_path, monkeypatch):
    """The texture unit's rounding, half of 1/256 content px both ways, is taken off what tables may miss."""
    asked = []
    monkeypatch.setattr(writing, "optimise_lookup", searched(asked))
    monkeypatch.setattr(writing, "worst_at_truth", lambda *given: 0.9 * ASKED_PX)
    limit = 1.2 * ASKED_PX
    options = {**LOOKUP, "formats": ("lookup", "shaders"), "sampling": None, "dialects": ("glsl330",)}
    options["max_error_px"] = limit
    done = write_package(tmp_path / "visor", small_build().eye, **options)
    rounding = limit - asked[0]
    # 80 degrees in 400 content px, some 40 in 320 panel px.
    assert 0.5 / 512 < rounding < 5.0 / 512
    stages = [one["details"] for one in done.manifest["files"] if one["kind"] == "shader"]
    assert {one["sampling"] for one in stages if one["path"] == "mesh"} == {"filtered"}
    (check,) = (one for one in done.verification.checks if one.what == "maps and filtered content")
    assert check.ok and check.measured > rounding and check.requested == limit
    options["max_error_px"] = 0.02
    monkeypatch.setattr(writing, "worst_at_truth", lambda *given: 0.9 * 0.02)
    asked.clear()
    with pytest.raises(PackageError):
        write_package(tmp_path / "finer", small_build().eye, **options)
    assert asked == [0.02]


def test_tables_leave_room_for_triangles_of_the_gpu(tmp_path, monkeypatch):
    asked = []
    monkeypatch.setattr(writing, "optimise_lookup", searched(asked))
    monkeypatch.setattr(writing, "worst_at_truth", lambda *given: 0.7 * ASKED_PX)
    monkeypatch.setattr("prewarp.export.shader_checks._tool", lambda name: None)
    given = {**LOOKUP, "formats": ("lookup", "shaders", "gpu"), "dialects": ("vulkan450",)}
    done = write_package(tmp_path / "visor", small_build().eye, **given)
    # Triangles may add 0.3 of it.
    assert asked == pytest.approx([0.7 * ASKED_PX])
    assert done.verification.ok and done.verification.worst_place.measured <= ASKED_PX
