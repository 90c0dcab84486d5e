"""`prewarp export`."""

from pathlib import Path

import click
import numpy as np

from prewarp.cli.arguments import FILE, Counts, PupilPosition, module_option, output_option
from prewarp.cli.talk import Talk, number, talking
from prewarp.encoding import transfer_of_panel
from prewarp.export.mesh import MAX_PUPILS, export_mesh
from prewarp.field import FieldSet
from prewarp.mesh import NODE_STEP_PX
from prewarp.module import read_module
from prewarp.seam import build_seam


@click.command()
@click.argument("fit_path", metavar="FIT", type=FILE)
@module_option(required=True)
@click.option(
    "--pupils",
    type=Counts(3, 64),
    default="3x3x1",
    show_default=True,
    help="Positions per axis over the eye box.",
)
@click.option(
    "--pupil", "positions", type=PupilPosition(), multiple=True, help="One position, mm; instead of --pupils."
)
@click.option("--eye", type=click.Choice(("left", "right")), help="Which eye, where the module has two.")
@click.option(
    "--step",
    "step_px",
    type=click.FloatRange(1.0, 512.0),
    default=NODE_STEP_PX,
    show_default=True,
    help="Largest distance between mesh nodes, panel px.",
)
@output_option("Folder to write.")
@talking
def export(
    talk: Talk,
    fit_path: Path,
    module_path: Path,
    pupils: tuple[int, ...],
    positions: tuple[np.ndarray, ...],
    eye: str | None,
    step_px: float,
    output: Path,
) -> None:
    """Write pre-warp meshes (CSV and 16-bit PNG), desktop GLSL shaders that draw from them, and a manifest.

    The folder is read back and compared with the fit before it takes its place. The manifest holds units, frames,
    scales and the hash of every file.

    \b
    Example:
      prewarp export visor.fit.npz --module visor.toml --pupils 3x3x1 -o visor_package
    """
    fields, module = FieldSet.load(fit_path), read_module(module_path)
    if eye is None and len(module.eyes) > 1:
        raise click.UsageError(
            f"the module has channels for both eyes; name one with --eye {' or '.join(module.eyes)}."
        )
    channels = module.channels_of(eye or module.eyes[0])
    if not channels:
        raise click.UsageError(f"the module has no channel for the {eye} eye.")
    names = [channel.name for channel in channels]
    places = np.array(positions) if positions else module.eye_box.lattice(pupils)
    if len(places) > MAX_PUPILS:
        raise click.UsageError(f"{len(places)} pupil positions; at most {MAX_PUPILS} are written.")
    with talk.progress(f"writing {len(places)} pupil positions"):
        manifest = export_mesh(
            output,
            fields,
            module.content,
            pupils_mm=places,
            seam=build_seam(fields, pupils_mm=module.eye_box.corners, channels=names),
            channels=names,
            transfers={channel.name: transfer_of_panel(channel.panel) for channel in channels},
            bit_depths={channel.name: channel.panel.bit_depth for channel in channels},
            step_px=step_px,
            provenance=fields.provenance,
        )
    rounding = max(mesh["largest_rounding_px"] for mesh in manifest["meshes"])
    talk.text(
        f"{output}: {len(manifest['meshes'])} meshes written, read back and compared; "
        f"rounding of the PNG tables at most {number(rounding, 3)} content px."
    )
    talk.json(manifest)
