"""Shader text for devices: pruning, constants, dialects, compiler, validator, translations."""

import subprocess
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from prewarp.encoding import TransferFunction
from prewarp.errors import ShaderError
from prewarp.export.shader_checks import constants_in
from prewarp.export.shader_files import (
    DIALECTS,
    NOT_ASKED,
    not_available,
    picture_files,
    shader_package_files,
)
from prewarp.export.shader_text import VULKAN, Constant, device_shader, literal
from prewarp.export.shader_translation import translated_files
from prewarp.export.texture_table import texture_scale
from prewarp.lookup import Family
from tests.closed_form import PlaneChannel, plane_set
from tests.export.device_builds import chebyshev_lookup, small_build
from tests.lookup.small_lookups import small_lookup
from tests.support import require_tool


def options_of(**changed):
    return {"PREWARP_ENCODING": 0, "PREWARP_MIXED": 0, "PREWARP_DITHERED": 0, **changed}


PANEL = Constant("vec2", (640.0, 480.0), "panel: width, height", "px")
LARGEST = Constant("float", (255.0,), "largest code", "codes")
CONTENT = Constant("vec2", (400.0, 250.0), "content picture: width, height", "content px")


def made(piece="device_mesh.frag", dialect="glsl330", options=None, **changed):
    given = {
        "dialect": dialect,
        "options": options_of() if options is None else options,
        "constants": {"u_panel_px": PANEL, "u_largest_code": LARGEST, "u_content_px": CONTENT},
        "meanings": {"t_content_linear": "content"},
        "head": "For people.\nTwo lines.",
    }
    return device_shader(piece, **{**given, **changed})


def test_constants_carry_names_meanings_and_units():
    text = made().text
    assert "const vec2 u_panel_px = vec2(640.0, 480.0); // panel: width, height; px\n" in text
    assert "const float u_largest_code = 255.0; // largest code; codes\n" in text
    assert text.startswith("#version 330 core\n// For people.\n// Two lines.\n")
    sizes = {"u_panel_px": [640.0, 480.0], "u_content_px": [400.0, 250.0]}
    assert constants_in(text) == {**sizes, "u_largest_code": [255.0]}
    assert "uniform vec" not in text and "uniform float" not in text


def test_only_the_chosen_branches_are_left():
    text = made().text
    for gone in ("#if PREWARP_ENCODING", "u_gamma;", "t_dither;", "u_mixing;", "#ifndef PREWARP_MIXED"):
        assert gone not in text
    # The one switch that is left to whoever compiles.
    assert "#ifndef PREWARP_ROWS_UP" in text and "#if PREWARP_ROWS_UP == 1" in text
    assert text.count("#if") == text.count("#endif")
    meanings = {name: name for name in ("t_content_linear", "t_light", "t_dither")}
    dithered = made(options=options_of(PREWARP_DITHERED=1), meanings=meanings)
    assert "prewarp_dithered(light_linear" in dithered.text and "sampler2D t_light" not in dithered.text


def test_dialects_differ_where_they_must():
    desktop, es, vulkan = (made(dialect=dialect) for dialect in DIALECTS)
    assert es.text.startswith("#version 300 es\n") and "precision highp float;" in es.text
    assert vulkan.text.startswith("#version 450\n")
    assert "layout(set = 0, binding = 0) uniform sampler2D t_content_linear; // content\n" in vulkan.text
    assert "layout(location = 1) in vec3 v_green;" in vulkan.text and "\nin vec3 v_green;" in desktop.text
    for one in (desktop, es, vulkan):
        assert "layout(location = 0) out vec4 out_encoded;" in one.text
        assert one.samplers == ((0, "t_content_linear"),)
    picture = {file.path.split("/")[1]: file.data.decode() for file in picture_files(DIALECTS)}
    assert "gl_VertexIndex" in picture[VULKAN] and "gl_VertexID" in picture["glsl330"]


def test_what_is_missing_is_named():
    with pytest.raises(
        ShaderError, match="no value for 'u_largest_code'; there are u_panel_px, u_content_px"
    ):
        made(constants={"u_panel_px": PANEL, "u_content_px": CONTENT})
    with pytest.raises(ShaderError, match="nothing said of 't_content_linear'. Did you mean 't_content'"):
        made(meanings={"t_content": "x"})
    with pytest.raises(ShaderError, match="dialect is 'hlsl'; expected one of glsl330, glsl300es, vulkan450"):
        made(dialect="hlsl")
    with pytest.raises(ShaderError, match="option 'PREWARP_DITHER' is not known"):
        made(options={"PREWARP_DITHER": 1})


@pytest.mark.parametrize(
    "value", [0.0, -0.0, 1.0, 1 / 3, -1e-7, 6.02e23, 65535.0, 16777216.0, 0.1, 1e-4, 1e7, 123456.789]
)
def test_literals_read_back(value):
    text = literal(value)
    assert np.float32(text) == np.float32(value) and ("." in text or "e" in text)


def test_literals_refuse_what_is_no_number():
    for value in (np.nan, np.inf, 1e39):
        with np.errstate(over="ignore"), pytest.raises(ShaderError, match="expected a finite number"):
            literal(value)


@lru_cache(maxsize=4)
def variant(name):
    """Return (build, lookup); every encoding, dither, white match, gain, projection is in one of them."""
    build = small_build()
    lookup = chebyshev_lookup()
    if name == "matched":
        build, lookup = small_build("blue", matched=True), chebyshev_lookup(matched=True)
    elif name == "measured":
        measured = TransferFunction("table", table=(0.0, 0.02, 0.3, 1.0))
        eye = small_build("none", projection="equidistant").eye
        panels = {**eye.panels, "left": replace(eye.panels["left"], transfer=measured)}
        build = replace(build, eye=replace(eye, panels=panels))
    elif name == "unblended":
        build = replace(build, eye=replace(build.eye, channels=("left",)))
        lookup = replace(lookup, claims=None, borders=())
    return build, lookup


@lru_cache(maxsize=4)
def files_of(name):
    """Return every file of the shaders of a variant, the shared vertex stage too."""
    return tuple(_files_of(*variant(name)))


def _files_of(build, lookup):
    for channel in build.channels:
        shared = {colour: texture_scale(build, channel, colour) for colour in build.colours}
        yield from shader_package_files(build, channel, DIALECTS, lookup, shared)
    yield from picture_files(DIALECTS)


@pytest.mark.outside
@pytest.mark.parametrize("name", ["plain", "matched", "measured", "unblended"])
def test_the_reference_compiler_takes_every_stage(name, tmp_path):
    files = [file for file in files_of(name) if file.kind == "shader"]
    assert len(files) == 3 * (1 + (1 if name == "unblended" else 2) * 4)
    require_compiled(files, tmp_path)


def require_compiled(files, folder):
    """Khronos: glslangValidator takes every stage, and spirv-val what it makes of the Vulkan texts."""
    compiler, validator = require_tool("glslangValidator"), require_tool("spirv-val")
    plain = []
    for place, file in enumerate(files):
        ending = {"vertex": "vert", "fragment": "frag", "compute": "comp"}[file.details["stage"]]
        path = folder / f"stage{place}.{ending}"
        if file.details["dialect"] == VULKAN:
            path.write_bytes(file.data)
            binary = folder / f"stage{place}.spv"
            accepted(compiler, "-V", "-o", binary, path)
            accepted(validator, "--target-env", "vulkan1.0", binary)
            continue
        for switch in ("", "#define PREWARP_ROWS_UP 1\n"):
            path = folder / f"stage{place}{'up' if switch else ''}.{ending}"
            path.write_text(file.data.decode().replace("\n", "\n" + switch, 1))
            plain.append(path)
    accepted(compiler, *plain)


def accepted(*command):
    done = subprocess.run([str(part) for part in command], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_stages_fit_together():
    """What the vertex stage hands over, by number and name, the fragment stage takes."""
    found = {
        (f.details["path"], f.details["stage"]): f.details for f in files_of("plain") if f.kind == "shader"
    }
    assert found["mesh", "vertex"]["outputs"] == found["mesh", "fragment"]["inputs"]
    names = {one["name"]: one["location"] for one in found["mesh", "vertex"]["inputs"]}
    assert sorted(names.values()) == list(range(7)) and names["in_panel_px"] == 0
    for details in found.values():
        bindings = [one["binding"] for one in (*details["samplers"], *details["blocks"])]
        assert sorted(bindings) == list(range(len(bindings)))


def test_a_path_that_is_not_available_says_why():
    build = small_build()
    spline = small_lookup(Family.SPLINE)
    named = {one["what"]: one["why"] for one in not_available(build, None, {})}
    assert named["polynomial shader"] == "no lookup is exported; it holds the polynomials"
    assert named["table shader"] == NOT_ASKED
    one = replace(build, eye=replace(build.eye, fields=_one_colour(), channels=("left",), known_seam=None))
    (left,) = not_available(one, spline, {"left": {"G": 1}, "right": {"G": 1}})
    assert (
        left["channel"] == "left"
        and "B-spline mesh with pupil modes, no polynomial over the panel" in left["why"]
    )
    assert "--family chebyshev" in left["why"]


def _one_colour():
    return plane_set(PlaneChannel("left"), PlaneChannel("right"), colours=("G",))


@pytest.mark.outside
def test_translations_are_marked_and_hlsl_compiles(tmp_path):
    require_tool("spirv-cross")
    compiler = require_tool("glslangValidator")
    count = 0
    for file in files_of("matched"):
        for translated in translated_files(file):
            count += 1
            text = translated.data.decode()
            assert text.startswith(f"// TRANSLATED by spirv-cross from {file.path}")
            assert translated.details["translated_from"] == file.path
            if translated.details["dialect"] == "hlsl":
                # The reference compiler reads HLSL as well.
                stage = "vert" if translated.details["stage"] == "vertex" else "frag"
                path = tmp_path / "stage.hlsl"
                path.write_text(text)
                command = [
                    compiler,
                    "-D",
                    "-V",
                    "-e",
                    "main",
                    "-S",
                    stage,
                    "-o",
                    str(tmp_path / "x.spv"),
                    str(path),
                ]
                done = subprocess.run(command, capture_output=True, text=True, check=False)
                assert done.returncode == 0, (translated.path, done.stdout)
            else:
                assert "#include <metal_stdlib>" in text
    assert count == 2 * (1 + 2 * 4)
