"""The OpenGL ES dialect drawn by a browser's WebGL 2 from a package's files alone, held to the CPU's twin."""

from dataclasses import replace

import pytest

from tests.export.browser import drawn_in_browser, find_browser
from tests.export.device_builds import chebyshev_lookup, small_build, write_small
from tests.export.drawing_jobs import PATHS, codes_of, expected_codes, job_of, require_close
from tests.support import missing

DIALECT = "glsl300es"
# Half floats: the software renderer of browsers lacks 16-bit normalised textures, as devices may.
FORMATS = ("lookup", "shaders", "blocks", "ktx2", "gltf")
# (which package, channel, path, pupil)
DRAWN = [("plain", channel, path, pupil) for channel, pupil in (("left", 0), ("right", 1)) for path in PATHS]
DRAWN += [("matched", "right", path, 1) for path in PATHS]


@pytest.fixture(scope="module")
def packages(tmp_path_factory):
    find_browser()
    made = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("prewarp.export.lookup_files.find_compiler", lambda: None)
        for name, dither, matched in (("plain", "none", False), ("matched", "blue", True)):
            folder = tmp_path_factory.mktemp(name) / "visor"
            build, lookup = small_build(dither, matched=matched), chebyshev_lookup(matched=matched)
            write_small(
                folder, build=build, lookup=lookup, formats=FORMATS, dialects=(DIALECT,), texture="half"
            )
            made[name] = folder, build, lookup
    return made


@pytest.fixture(scope="module")
def pictures(packages):
    """One start of the browser draws everything, and one text that must be refused."""
    jobs = []
    for name, channel, path, pupil in DRAWN:
        folder, build, _ = packages[name]
        jobs.append(job_of(folder, channel, path, pupil, DIALECT, build.content))
    jobs.append(
        replace(jobs[0], fragment=jobs[0].fragment.replace("prewarp_wanted(red,", "no_such_function(red,"))
    )
    return dict(zip([*DRAWN, "refused"], drawn_in_browser(jobs), strict=True))


@pytest.mark.outside
@pytest.mark.parametrize("key", DRAWN, ids=lambda key: " ".join(map(str, key)))
def test_every_path_in_the_browser_is_its_twin(packages, pictures, key):
    name, channel, path, pupil = key
    folder, build, lookup = packages[name]
    values = pictures[key]
    if isinstance(values, str) and "no WebGL 2" in values:
        missing(f"this browser cannot draw it ({values})")
    assert not isinstance(values, str), values
    expected = expected_codes(folder, build, lookup, channel, path, pupil)
    require_close(codes_of(values, build.bit_depth(channel)), expected, dithered=name == "matched")


@pytest.mark.outside
def test_the_browser_refuses_a_wrong_text(pictures):
    assert "no_such_function" in pictures["refused"]
