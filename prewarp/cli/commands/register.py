"""`prewarp register`."""

from pathlib import Path

import click

from prewarp.cli.arguments import FILE, output_option, require_output_file
from prewarp.cli.talk import Talk, number, talking
from prewarp.field import FieldSet
from prewarp.registration import read_pairs, register_channels
from prewarp.registration.model import SCALE, TURNS
from prewarp.wording import spoken

NOT_FIXED = 1


@click.command()
@click.argument("fit_path", metavar="FIT", type=FILE)
@click.argument("pairs_path", metavar="PAIRS", type=FILE)
@click.option("--reference", help="Channel that is not moved [default: the first with pairs].")
@click.option("--scale", is_flag=True, help="Also find a magnification of each channel.")
@click.option(
    "--hold",
    type=click.Choice((*TURNS, SCALE)),
    multiple=True,
    help="Keep this parameter at 0; may be given several times.",
)
@output_option("File to write: the registered fit (NPZ).")
@talking
@click.pass_context
def register(
    ctx: click.Context,
    talk: Talk,
    fit_path: Path,
    pairs_path: Path,
    reference: str | None,
    scale: bool,
    hold: tuple[str, ...],
    output: Path,
) -> None:
    """Register channels that were captured apart, by seam pairs; the channels are not fitted again.

    PAIRS is a table (CSV or NPZ) of the same content seen through two channels from one pupil position:
    channel_a, channel_b, color, eye_x_mm, eye_y_mm, eye_z_mm, panel_a_u_px, panel_a_v_px, panel_b_u_px,
    panel_b_v_px; optional step_x_arcmin and step_y_arcmin, from a's picture to b's, and sigma_arcmin. A pair
    that the others contradict is left out and named. With few pairs, intervals are wide (Student's law).

    Exit code 1, and nothing is written, if the pairs do not determine a parameter, or if it rests on one pair
    alone.

    \b
    Example:
      prewarp register visor.fit.npz pairs.csv -o visor.registered.fit.npz
    """
    require_output_file(output, fit_path, pairs_path)
    fields, pairs = FieldSet.load(fit_path), read_pairs(pairs_path)
    with talk.progress(f"registering by {len(pairs)} pairs"):
        result = register_channels(fields, pairs, reference=reference, scale=scale, hold=hold)
    figures = result.as_dict()
    rows = [
        (
            one.channel,
            spoken(one.name),
            number(one.value, 5),
            number(figures_sigma(one.sigma), 2),
            number(figures_sigma(one.half95), 2),
            "yes" if one.fixed else "NO",
        )
        for one in result.parameters
    ]
    talk.table(
        f"Channels against '{result.reference}'",
        ("channel", "parameter", "value", "1-sigma", "95 % +-", "fixed"),
        [("", rows)],
        text_columns=2,
    )
    talk.text(
        f"mismatch of {len(pairs) - int(result.outlier.sum())} pairs, RMS: "
        f"{number(figures['mismatch_before_rms_arcmin'], 3)} arcmin "
        f"before, {number(figures['mismatch_after_rms_arcmin'], 3)} after; noise per axis "
        f"{number(result.noise_arcmin, 3)}; "
        f"what registration leaves at the seam, 1-sigma: {number(figures['seam_sigma_rms_arcmin'], 3)} "
        f"arcmin (worst {number(figures['seam_sigma_max_arcmin'], 3)}).",
        *(
            [f"left out as outliers: rows {', '.join(map(str, figures['outlier_rows']))}."]
            if figures["outlier_rows"]
            else []
        ),
        *result.findings(),
    )
    written = not result.unfixed
    if written:
        fields.mounted(
            result.mounts,
            provenance={
                "pairs": Path(pairs.source).name,
                "pairs_sha256": pairs.sha256,
                "registered_against": result.reference,
            },
        ).save(output)
        talk.text(f"{output}: written.")
    talk.json({**figures, "written": written})
    ctx.exit(0 if written else NOT_FIXED)


def figures_sigma(sigma: float) -> float | None:
    """Return the 1-sigma, or None where it is infinite."""
    return sigma if sigma < float("inf") else None
