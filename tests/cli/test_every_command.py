"""Every command on every kind of display and capture: a result, or one clear line; never a traceback.

The kinds below hold every pairing of: one channel, two channels, two eyes of one channel each; three colours,
one; nine pupils, one; luminance, none; registered, not; polynomial, mesh.
"""

import itertools
import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from prewarp.capture.camera import Camera, write_camera
from prewarp.cli.group import COMMANDS
from prewarp.field import FieldSet
from prewarp.field.mount import Mount
from prewarp.grids import write_grid
from tests.cli.conftest import CHANNEL, MODULE, run, small_channels
from tests.cli.test_seam_commands import HEADER
from tests.support import long_form
from tests.synthetic import make_grid, plane_image_inverse, pupil_lattice

EYES = {"one": ("right",), "two": ("right", "right"), "eyes": ("left", "right")}
REACH = {"inner": (-40, 10), "outer": (-10, 40)}
OTHER_COLOURS = ("[color.R]\nwavelength_nm = 630.0\n", "[color.B]\nwavelength_nm = 460.0\n")


@dataclass(frozen=True)
class Kind:
    """A display and how it was captured and fitted."""

    channels: str
    mono: bool
    one_pupil: bool
    lit: bool
    registered: bool
    family: str

    def __str__(self):
        words = [self.channels, "mono" if self.mono else "colours", "pupil" if self.one_pupil else "pupils"]
        words += ["lit"] * self.lit + ["registered"] * self.registered
        return "-".join([*words, self.family])


KINDS = (
    Kind("two", False, False, True, False, "polynomial"),
    Kind("one", True, True, False, True, "mesh"),
    Kind("eyes", False, False, False, True, "polynomial"),
    Kind("eyes", True, True, True, False, "mesh"),
    Kind("one", False, False, False, False, "mesh"),
    Kind("two", True, True, False, True, "polynomial"),
    Kind("one", False, True, True, True, "polynomial"),
    Kind("two", True, False, False, False, "mesh"),
)

# What each command is asked for. {lit}: --light where the capture has luminance; {eye}: --eye of two.
REQUESTS = {
    "targets": "targets {module} --fit {fit} --positions 1 --turn 0 --dots 5x5 --dark 0 -o {new}",
    "photograph": "photograph {plan} --fit {fit} --module {module} --camera {camera} --jobs 1 -o {new}",
    "check": "check {grid} --module {module}",
    "compare": "compare {fit} {grid} --rows {new}.csv",
    "register": "register {fit} {pairs} -o {new}.npz",
    "light": "light {fit} {grid} --module {module} --pupil 0,0,0",
    "blend": "blend {fit} --module {module} --pupils 2x1x1",
    "focus": "focus {fit} --module {module}",
    "sensitivity": "sensitivity {fit} --module {module} --pupils 2x1x1",
    "budget": "budget {fit} --module {module} --samples 1000 --directions 1",
    "eyes": "eyes {fit} --module {module}",
    "sampling": "sampling {fit} --module {module}",
    "preview": "preview {fit} --module {module} {lit} --offscreen --size 64x64 --gl none -o {new}.png",
    "film": "film {fit} --module {module} --size 64x64 --gl none --seconds 0.01 -o {new}",
    "render": "render {fit} --module {module} {lit} --width 64 --gl none -o {new}",
    "export": "export {fit} --module {module} {eye} {lit} --pupils 1x1x1 --format csv -o {new}",
    "report": "report {fit} --module {module} {lit} --no-package --no-figures --samples 1000 --directions 1 "
    "-o {new}.html",
    "verify": "verify {package}",
}
ON_A_GPU = "preview {fit} --module {module} {lit} --offscreen --size 64x64 --gl egl -o {new}.png"
# Numbers with exponents, and keys of JSON: neither stands in what people read. Names of options, columns and
# tables of files, which a reader is to write, and names of files do.
RAW = re.compile(r"\d(?:\.\d+)?e[-+]\d+|(?<![\w/.\[-])(?!sigma_px)[a-z]+(?:_[a-z0-9]+)+\b(?![\w./]|\.[a-z])")
# These take no grid or fit of the reader's, or a package with tables, or run for every kind before others do.
APART = {"demo", "module", "trace", "fit", "camera", "extract", "accept", "line"}


def test_the_kinds_hold_every_pairing():
    values = [tuple(vars(kind).values()) for kind in KINDS]
    for a, b in itertools.combinations(range(6), 2):
        assert {(v[a], v[b]) for v in values} == set(
            itertools.product({v[a] for v in values}, {v[b] for v in values})
        )


def test_the_table_holds_every_command():
    assert set(REQUESTS) | APART == set(COMMANDS)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Return what makes the files of a kind, once: grid, module, fit, seam pairs, package."""
    folders = {}

    def of(kind):
        if kind not in folders:
            folders[kind] = make(kind, tmp_path_factory.mktemp("kind"))
        return folders[kind]

    return of


def make(kind: Kind, folder: Path) -> dict[str, Path]:
    channels = dict(itertools.islice(small_channels().items(), len(EYES[kind.channels])))
    pupils = pupil_lattice(1 if kind.one_pupil else 3, 3.0)
    grid = make_grid("panel", noise_px=0.01, seed=3, points=9, pupils=pupils, channels=channels,
                     colours=("G",) if kind.mono else ("R", "G", "B"))  # fmt: skip
    if kind.lit:
        off = (grid.pixel / [640.0, 480.0] * 2.0 - 1.0) ** 2
        grid = replace(grid, luminance=np.where(grid.channel == 0, 0.8, 1.0) / (1.0 + 0.2 * off.sum(axis=1)))
    write_grid(folder / "grid.npz", grid)
    text = MODULE
    for part in OTHER_COLOURS if kind.mono else ():
        text = text.replace(part, "")
    for name, eye in zip(channels, EYES[kind.channels], strict=True):
        low, high = REACH[name]
        text += CHANNEL.format(name=name, low=low, high=high).replace('"right"', f'"{eye}"')
    (folder / "visor.toml").write_text(text, encoding="utf-8")
    places = {"grid": folder / "grid.npz", "module": folder / "visor.toml", "fit": folder / "visor.fit.npz",
              "pairs": folder / "pairs.csv", "package": folder / "package",
              "plan": folder / "targets" / "short.csv", "camera": folder / "camera.toml"}  # fmt: skip
    done = run(
        "fit", places["grid"], "--module", places["module"], "--family", kind.family, "-o", places["fit"]
    )
    assert done.exit_code == 0, done.output
    if kind.registered:
        fields = FieldSet.load(places["fit"])
        turned = fields.mounted(
            {fields.channels[-1]: Mount((0.05, -0.02, 0.1))}, provenance={"registered": "here"}
        )
        turned.save(places["fit"])
    write_pairs(places["pairs"])
    write_capture(places)
    run(*words(REQUESTS["export"], kind, places, places["package"]))
    return places


def write_capture(places: dict[str, Path]) -> None:
    """Write targets, the first photographs of their plan (a dark one, whole frames, codes), and a camera."""
    targets = places["plan"].parent
    run(
        "targets",
        places["module"],
        "--positions",
        1,
        "--turn",
        0,
        "--dots",
        "5x5",
        "--dark",
        1,
        "-o",
        targets,
    )
    lines = (targets / "plan.csv").read_text(encoding="utf-8").splitlines()
    places["plan"].write_text("\n".join(lines[:9]) + "\n", encoding="utf-8")
    write_camera(places["camera"], Camera(64, 48, (40.0, 40.0), (32.0, 24.0), aperture_mm=2.0))


def write_pairs(path: Path) -> None:
    random = np.random.default_rng(1)
    tangent = np.tan(np.radians(random.uniform([-1.5, -10.0], [1.5, 10.0], (12, 2))))
    points = [plane_image_inverse(tangent, np.zeros(3), display) for display in small_channels().values()]
    lines = [f"inner,outer,G,0,0,0,{a[0]},{a[1]},{b[0]},{b[1]}" for a, b in zip(*points, strict=True)]
    path.write_text("\n".join([HEADER, *lines]) + "\n", encoding="utf-8")


def words(request: str, kind: Kind, places: dict[str, Path], new: Path) -> list[str]:
    lit = f"--light {places['grid']}" if kind.lit else ""
    eye = "--eye right" if kind.channels == "eyes" else ""
    said = request.format(**places, new=new, lit=lit, eye=eye).split()
    # The eye box goes beyond a single captured pupil: what is drawn there is a guess, and asked for.
    beyond = kind.one_pupil and said[0] in ("export", "film", "preview")
    return [*said, "--extrapolate"] if beyond else said


def refusal(command: str, kind: Kind) -> str:
    """Return what the line says where a command cannot serve a kind; nothing where it must."""
    if command == "eyes" and kind.channels != "eyes":
        return "no channel for the left eye"
    if command == "eyes" and kind.one_pupil:
        return "not known: needs pupil positions"
    if command == "light" and not kind.lit:
        return "no column 'luminance'"
    if command == "register" and kind.channels == "one":
        return "channel is 'outer', which is not in the fit"
    # One channel an eye is a display like others, but nothing in it can come apart.
    return "seam" if command in ("blend", "budget") and kind.channels != "two" else ""


# Every run takes three kinds, and of slow commands one; PREWARP_LONG takes all.
SLOW = ("report", "photograph", "targets", "extract", "film", "preview")


@pytest.mark.parametrize(
    ("kind", "command"),
    [
        pytest.param(kind, command, marks=long_form if place > (0 if command in SLOW else 2) else ())
        for place, kind in enumerate(KINDS)
        for command in sorted(REQUESTS)
    ],
    ids=str,
)
def test_a_result_or_one_clear_line(made, tmp_path, kind, command):
    done = run(*words(REQUESTS[command], kind, made(kind), tmp_path / "new"))
    assert done.exception is None or isinstance(done.exception, SystemExit), repr(done.exception)
    complaints = [line for line in done.stderr.splitlines() if line.startswith("prewarp: ")]
    expected = refusal(command, kind)
    if done.exit_code == 0 and expected in ("", "seam"):
        assert complaints == [] and done.stdout
        assert RAW.findall(done.stdout.replace(str(tmp_path), "")) == []
    else:
        assert done.exit_code == 2 and expected, done.output
        (line,) = complaints
        assert expected in line and list(tmp_path.iterdir()) == []


@pytest.mark.gl
@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind.one_pupil], ids=str)
def test_a_gpu_draws_one_captured_pupil(made, tmp_path, kind):
    done = run(*words(ON_A_GPU, kind, made(kind), tmp_path / "new"))
    assert done.exit_code == 0, done.output
