"""Composing shader text: flattening, options, messages, dialects; each piece compiles alone."""

import subprocess
from itertools import takewhile
from pathlib import Path

import pytest

from prewarp.errors import InputFileError, ShaderError
from prewarp.glsl import VERSIONS, compose
from prewarp.resources import resource_folder, resource_path
from tests.support import require_tool

PIECES = sorted(path.name for path in resource_folder("shaders").iterdir())


@pytest.fixture
def folder(tmp_path):
    def write(**pieces):
        for name, text in pieces.items():
            (tmp_path / f"{name}.glsl").write_text(text)
        return tmp_path

    return write


def test_includes_are_flattened_depth_first_and_once(folder):
    place = folder(
        top='#include "left.glsl"\n#include "right.glsl"\nvoid top() {}\n',
        left='#include "shared.glsl"\nvoid left() {}\n',
        right='#include "shared.glsl"\nvoid right() {}\n',
        shared="void shared() {}\n",
    )
    composed = compose("top.glsl", folder=place)
    assert (
        composed.text
        == "#version 330 core\nvoid shared() {}\nvoid left() {}\nvoid right() {}\nvoid top() {}\n"
    )
    assert composed.origin == (
        ("composed", 1),
        ("shared.glsl", 1),
        ("left.glsl", 2),
        ("right.glsl", 2),
        ("top.glsl", 3),
    )


def test_circle_is_reported_as_its_chain(folder):
    place = folder(a='#include "b.glsl"\n', b='#include "c.glsl"\n', c='#include "a.glsl"\n')
    with pytest.raises(ShaderError, match=r"a\.glsl -> b\.glsl -> c\.glsl -> a\.glsl\. Break the circle"):
        compose("a.glsl", folder=place)


def test_missing_piece_gives_the_nearest_name_and_who_asked(folder):
    place = folder(top='#include "splin.glsl"\n', spline="")
    with pytest.raises(
        ShaderError, match=r"top\.glsl: no shader piece 'splin\.glsl'\. Did you mean 'spline\.glsl'"
    ):
        compose("top.glsl", folder=place)


@pytest.mark.parametrize("line", ["#include <a.glsl>", '#include "a.glsl" // why', "#include a.glsl"])
def test_malformed_include_names_its_line(folder, line):
    with pytest.raises(ShaderError, match=r'top\.glsl, line 2: .* expected #include "name\.glsl"'):
        compose("top.glsl", folder=folder(top=f"\n{line}\n", a=""))


def test_a_piece_outside_the_folder_is_never_read(folder):
    place = folder(top='#include "../secret.glsl"\n')
    (place.parent / "secret.glsl").write_text("secret")
    with pytest.raises(ShaderError, match="no shader piece '../secret.glsl'"):
        compose("top.glsl", folder=place)


def test_options_are_set_before_the_pieces(folder):
    place = folder(top="#ifndef PREWARP_TAPS\n#define PREWARP_TAPS 4\n#endif\n#define NOT_AN_OPTION 1\n")
    text = compose("top.glsl", folder=place, options={"PREWARP_TAPS": 9}).text
    assert text.splitlines()[:2] == ["#version 330 core", "#define PREWARP_TAPS 9"]
    assert (
        "#define PREWARP_TAPS 2.0\n" in compose("top.glsl", folder=place, options={"PREWARP_TAPS": 2.0}).text
    )
    for wrong in ("PREWARP_TAP", "NOT_AN_OPTION"):
        with pytest.raises(
            ShaderError, match=f"top.glsl: option '{wrong}' is not known; these pieces list PREWARP_TAPS"
        ):
            compose("top.glsl", folder=place, options={wrong: 1})
    for wrong in (float("nan"), True, "1; evil"):
        with pytest.raises(ShaderError, match="option 'PREWARP_TAPS' is .*; expected a finite number"):
            compose("top.glsl", folder=place, options={"PREWARP_TAPS": wrong})


@pytest.mark.parametrize(
    ("message", "expected"),
    [
        ("0:3(12): error: 'x' undeclared", "b.glsl:2: error: 'x' undeclared"),
        ("0(3) : error C1008: undefined variable", "b.glsl:2 : error C1008: undefined variable"),
        ("ERROR: 0:4: 'y' : undeclared identifier", "ERROR: a.glsl:2: 'y' : undeclared identifier"),
        ("0:99(1): error: past the end", "0:99(1): error: past the end"),
        ("note: 3 things of 4", "note: 3 things of 4"),
    ],
)
def test_messages_name_file_and_line(folder, message, expected):
    composed = compose("a.glsl", folder=folder(a='#include "b.glsl"\nlast\n', b="first\nsecond\n"))
    assert composed.explain(message) == expected


def test_unknown_dialect():
    with pytest.raises(ShaderError, match="dialect is '440'; expected one of 330, es300"):
        compose("spline.glsl", dialect="440")


@pytest.mark.outside
@pytest.mark.parametrize("dialect", list(VERSIONS))
@pytest.mark.parametrize("piece", PIECES)
def test_each_piece_compiles_alone(piece, dialect, tmp_path):
    # Khronos reference compiler; a piece of functions gets an empty main.
    compiler = require_tool("glslangValidator")
    if piece.endswith(".comp") and dialect != "430":
        return
    encodings = (0, 1, 2) if piece in ("encoding.glsl", "panel_pass.frag", "dither.glsl") else (None,)
    for encoding in encodings:
        options = {} if encoding is None else {"PREWARP_ENCODING": encoding}
        text = compose(piece, dialect=dialect, options=options).text
        # Functions of vertex stages say so by name.
        ending = ".vert" if piece.endswith("_vertex.glsl") else Path(piece).suffix
        stage = {".vert": "vert", ".comp": "comp"}.get(ending, "frag")
        if piece.endswith(".glsl"):
            text += "void main() {}\n"
        path = tmp_path / f"piece.{stage}"
        path.write_text(text)
        result = subprocess.run([compiler, str(path)], capture_output=True, text=True, check=False)
        assert result.returncode == 0, result.stdout


@pytest.mark.parametrize("piece", PIECES)
def test_pieces_keep_the_style(piece):
    lines = resource_path("shaders", piece).read_text().splitlines()
    header = list(takewhile(lambda line: line.startswith("//"), lines))
    assert 1 <= len(header) <= 8
    assert max(len(line) for line in lines) <= 130
    assert not any(line.startswith("#version") for line in lines)
    assert ("void main()" in "\n".join(lines)) != piece.endswith(".glsl")


def test_resources_stay_in_their_folder():
    assert resource_path("shaders", "spline.glsl").read_text().startswith("// Provides: prewarp_spline")
    with pytest.raises(InputFileError, match="no file 'splines.glsl'. Did you mean 'spline.glsl'"):
        resource_path("shaders", "splines.glsl")
    with pytest.raises(InputFileError, match="leads out of 'shaders'"):
        resource_path("shaders", "../pyproject.toml")
    with pytest.raises(InputFileError, match="expected one of shaders, calib, demo_scenes"):
        resource_folder("secrets")
