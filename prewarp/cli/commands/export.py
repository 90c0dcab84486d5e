"""`prewarp export`."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import numpy as np

from prewarp.cli.arguments import (
    FILE,
    Percent,
    Pixels,
    PupilPosition,
    module_option,
    output_option,
    pupils_option,
)
from prewarp.cli.checks import print_checks
from prewarp.cli.displays import (
    BOTH,
    SIDES,
    channels_in,
    extrapolate_option,
    feather_option,
    read_display,
    say_gaps,
    within_capture,
)
from prewarp.cli.settings import settings_options
from prewarp.cli.talk import Talk, number, talking
from prewarp.export.build import MAX_PUPILS
from prewarp.export.judgement import LARGEST_LIGHT_PERCENT, LEAST_LIGHT_PERCENT
from prewarp.export.lookup_files import BLOB
from prewarp.export.package import DEFAULT_FORMATS, FORMATS
from prewarp.export.package_file import PackageFile
from prewarp.export.shader_files import DIALECTS, NOT_ASKED, SAMPLINGS
from prewarp.export.signing import read_signing_key
from prewarp.export.texture_table import STORAGES
from prewarp.export.working import require_package_memory
from prewarp.export.write import WrittenPackage, write_package
from prewarp.eye import Eye, assemble_eye, assemble_eyes
from prewarp.files import sha256_of_file
from prewarp.folders import output_folder, require_output_folder
from prewarp.grids import read_grid
from prewarp.lookup import OptimisationResult, Pins
from prewarp.mesh import NODE_STEP_PX
from prewarp.photometry.dither import KINDS as DITHERS
from prewarp.photometry.white import KINDS as WHITES
from prewarp.report.trade import trade_picture, trade_table


@click.command()
@click.argument("fit_path", metavar="FIT", type=FILE)
@module_option(required=True)
@pupils_option(
    "3x3x1",
    most=64,
    what="Positions per axis over the eye box for meshes and textures; the lookup covers the whole box.",
)
@click.option(
    "--pupil",
    "positions",
    type=PupilPosition(),
    multiple=True,
    help="One pupil position, mm, instead of --pupils.",
)
@click.option(
    "--eye",
    "side",
    type=click.Choice(SIDES),
    help="Which eye, where the module has two; both: a package for each, in folders named left and right.",
)
@click.option(
    "--step",
    "step_px",
    type=click.FloatRange(1.0, 512.0),
    help=f"Largest distance between mesh nodes, panel px [default: {NODE_STEP_PX:g}, less where --max-error "
    "needs it].",
)
@click.option(
    "--format",
    "formats",
    type=click.Choice(FORMATS),
    multiple=True,
    help="What to write; may be given several times [default: lookup and shaders, what a device needs].",
)
@click.option(
    "--max-error",
    "limit_px",
    type=Pixels(0.001, 100.0),
    default="0.25px",
    show_default=True,
    help="Largest error that any artefact may have over panel, eye box and colours.",
)
@click.option(
    "--max-light",
    "max_light_percent",
    type=Percent(LEAST_LIGHT_PERCENT, LARGEST_LIGHT_PERCENT),
    default="0.5%",
    show_default=True,
    help="Largest luminance step and ripple that a uniform field may have across the seam, in percent "
    "of its luminance.",
)
@settings_options(Pins, "pins", flags={"mesh_columns": "--mesh"})
@click.option(
    "--trade",
    is_flag=True,
    help="Also search every family of tables at several errors; prints a table, and writes trade.png "
    "into the folder.",
)
@feather_option
@click.option("--light", "light_path", type=FILE, help="Grid with luminance: match the channels by gains.")
@click.option(
    "--white", type=click.Choice(WHITES), default="none", show_default=True, help="White match, with --light."
)
@click.option(
    "--dither", type=click.Choice(DITHERS), default="none", show_default=True, help="Dither in shaders."
)
@click.option(
    "--late-rotation",
    "late",
    is_flag=True,
    help="Shaders turn every line with the head until it is lit; the module must declare each panel's scan.",
)
@click.option(
    "--texture",
    type=click.Choice(list(STORAGES)),
    default="snorm16",
    show_default=True,
    help="How KTX2 tables are stored; half is for devices without 16-bit normalised textures, and "
    "less exact.",
)
@click.option(
    "--sampling",
    type=click.Choice(SAMPLINGS),
    help="How shaders read content between its pixels. exact: by fetches and arithmetic; filtered: "
    "faster, by the texture unit [default: filtered, where its rounding takes at most a tenth of "
    "--max-error].",
)
@click.option(
    "--dialect",
    "dialects",
    type=click.Choice(DIALECTS),
    multiple=True,
    help="Dialect of shaders; may be given several times [default: all].",
)
@click.option(
    "--sign",
    "key_path",
    type=FILE,
    help="Private Ed25519 key (PEM, PKCS 8) that signs the manifest, for 'prewarp verify --trust'.",
)
@output_option("Folder to write.")
@extrapolate_option
@talking
def export(
    talk: Talk,
    fit_path: Path,
    module_path: Path,
    pupils: tuple[int, int, int],
    positions: tuple[np.ndarray, ...],
    side: str | None,
    step_px: float | None,
    formats: tuple[str, ...],
    limit_px: float,
    max_light_percent: float,
    pins: Pins,
    trade: bool,
    feather_deg: float | None,
    light_path: Path | None,
    white: str,
    dither: str,
    late: bool,
    texture: str,
    sampling: str | None,
    dialects: tuple[str, ...],
    key_path: Path | None,
    output: Path,
    extrapolate: bool,
) -> None:
    """Write a device package: small tables with a C evaluator, shaders, a guide, and a manifest of them;
    meshes, textures and more by --format.

    Before the folder takes its place, it is read back, run where this machine can, compared with the fit, and
    judged by what was asked for; 'prewarp verify' does the same again later. If any part does not keep the
    request, the command names it, ends with an error and writes nothing. The manifest holds the request,
    units, frames, array shapes, the errors reached and the hash of every file.

    \b
    Formats:
      lookup         the blob of tables, its layout, the C evaluator
      shaders        vertex-mesh and polynomial paths; with ktx2 the table path too
      gpu            meshes and blend weights made on the GPU from the blob's numbers, and a compute form;
                     needs lookup and shaders. The device uploads nothing but a pupil position
      translations   shaders as HLSL and MSL
      blocks         what shaders are given per pupil position: blend weights, gains, uniform blocks
      csv, gltf      meshes, per pupil position
      png, ktx2      tables as textures, per pupil position
      masks          field of view and visibility mask, of the eye box and per pupil position: JSON and C
      st             ST maps (OpenEXR), per pupil position: 12 bytes per panel pixel and colour

    With --eye both, the folder holds one whole package per eye; it takes its place once all are verified.

    \b
    Examples:
      prewarp export visor.fit.npz --module visor.toml --max-error 0.25px -o visor_package
      prewarp export visor.fit.npz --module visor.toml --eye both -o visor_packages
    """
    if white != "none" and light_path is None:
        raise click.UsageError("--white needs --light with a grid that holds luminance.")
    require_output_folder(output)
    sign = None if key_path is None else read_signing_key(key_path)
    fields, module = read_display(fit_path, module_path)
    places = np.array(positions) if positions else module.eye_box.lattice(pupils)
    if len(places) > MAX_PUPILS:
        raise click.UsageError(
            f"{len(places)} pupil positions; at most {MAX_PUPILS} are written: "
            "give fewer by --pupils or --pupil."
        )
    # Tables serve the whole eye box, meshes the positions asked for.
    served = np.concatenate([places, module.eye_box.corners])
    extrapolated = within_capture(
        talk,
        fields,
        channels_in(fields, module, None if side == BOTH else side),
        served,
        extrapolate=extrapolate,
    )
    for one in module.eyes if side == BOTH else (side,):
        require_package_memory(
            [
                fields.field(name, fields.colours[0]).panel_size_px
                for name in channels_in(fields, module, one)
            ],
            len(fields.colours),
            NODE_STEP_PX if step_px is None else step_px,
            formats or DEFAULT_FORMATS,
        )
    luminance = None if light_path is None else read_grid(light_path)

    def write(folder: Path, eye: Eye, step: Callable[[str], None]) -> WrittenPackage:
        return write_package(
            folder,
            eye,
            max_error_px=limit_px,
            max_light_percent=max_light_percent,
            pupils_mm=places,
            dither=dither,
            step_px=step_px,
            pins=pins,
            trade=trade,
            formats=formats or DEFAULT_FORMATS,
            texture=texture,
            sampling=sampling,
            dialects=dialects or DIALECTS,
            late=late,
            provenance={
                "fit": dict(fields.provenance),
                "fit_file": {"name": fit_path.name, "sha256": sha256_of_file(fit_path)},
                "module_file": {"name": module_path.name, "sha256": sha256_of_file(module_path)},
                "module": module.name,
                "extrapolated": extrapolated,
            },
            sign=sign,
            extra=lambda found: _trade_files(found, module.name) if trade else (),
            progress=step,
        )

    if side != BOTH:
        with talk.progress("exporting") as step:
            eye = assemble_eye(
                fields, module, side=side, luminance=luminance, white=white, feather_deg=feather_deg
            )
            done = write(output, eye, lambda text: step(text, 0))
        say_gaps(talk, eye, places)
        _print_package(talk, output, done)
        talk.json(done.manifest)
        return
    written: dict[str, WrittenPackage] = {}
    with output_folder(output) as folder:
        eyes = assemble_eyes(fields, module, luminance=luminance, white=white, feather_deg=feather_deg)
        for eye in eyes:
            name = str(eye.side)
            with talk.progress(f"exporting the {name} eye") as step:
                written[name] = write(folder / name, eye, lambda text: step(text, 0))
            say_gaps(talk, eye, places)
    for name, done in written.items():
        _print_package(talk, output / name, done)
    talk.json({"eyes": {name: done.manifest for name, done in written.items()}})


def _print_package(talk: Talk, folder: Path, done: WrittenPackage) -> None:
    """Say what was written into a folder, and how it compares with the fit."""
    found = done.search
    # Other artefacts may need the search too, and the blob not be asked for.
    if found is not None and any(file["kind"] == BLOB for file in done.manifest["files"]):
        _print_lookup(talk, found, done.manifest)
    print_checks(talk, f"{folder}, read back and compared with the fit", done.verification)
    missing = done.manifest["not_available"]
    for one in missing:
        if one["why"] != NOT_ASKED:
            where = "" if one["channel"] is None else f" of channel '{one['channel']}'"
            talk.text(f"Not available: {one['what']}{where}: {one['why']}.")
    others = [one["what"] for one in missing if one["why"] == NOT_ASKED and one["what"] in FORMATS]
    if others:
        talk.text(f"Not asked for (--format): {', '.join(others)}.")
    talk.text(f"{folder}: {len(done.manifest['files'])} files written and verified.")


def _trade_files(found: OptimisationResult, title: str) -> tuple[PackageFile, ...]:
    return (
        PackageFile(
            "trade.png", trade_picture(found, title=title), "picture", "bytes against error of every family"
        ),
    )


def _print_lookup(talk: Talk, found: OptimisationResult, manifest: dict[str, Any]) -> None:
    if found.trade:
        head = ("family", "bytes", "error px", "what it is")
        talk.table("Bytes against error", head, trade_table(found.trade))
    worst = max(one["largest_error_px"] for one in manifest["errors_reached"] if one["kind"] == BLOB)
    families = sorted({table.family.label for table in found.lookup.maps})
    text = f"Lookup: {found.byte_count} bytes of {' and '.join(families)}, at most {number(worst, 3)} px off"
    whole = next(file["bytes"] for file in manifest["files"] if file["kind"] == BLOB)
    talk.text(f"{text}. With blend weights and gains the blob takes {whole} bytes.")
