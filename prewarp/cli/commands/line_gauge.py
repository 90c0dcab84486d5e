"""`prewarp line gauge`."""

from pathlib import Path

import click

from prewarp.cli.arguments import FILE, output_option
from prewarp.cli.talk import Talk, number, talking
from prewarp.files import json_text, write_bytes, write_text
from prewarp.folders import output_folder, require_output_folder
from prewarp.quality.anova import centre, crossed
from prewarp.quality.gauge import Component, gauge_study
from prewarp.quality.gauge_table import read_gauge_table

NO_VERDICT = 1


@click.command()
@click.argument("table_path", metavar="TABLE", type=FILE)
@click.option("--lower", type=float, help="Lower limit of the values, if there is one.")
@click.option("--upper", type=float, help="Upper limit of the values, if there is one.")
@output_option("Folder to write: gauge.png, gauge.json.")
@talking
def gauge(talk: Talk, table_path: Path, lower: float | None, upper: float | None, output: Path) -> int:
    """Say how much of the spread of measured units is the measurement's own.

    TABLE (CSV or NPZ) has the columns part, appraiser, trial, value: every appraiser (a bench, a camera, a
    person) measures every part equally often, in random order. Repeatability and reproducibility come from an
    analysis of variance (crossed, random effects), with 95 % intervals.

    The fraction of the tolerance needs a limit; without one the fraction of the spread is judged. Above 30 %,
    this gauge gives no verdict on units (common practice): exit code 1.

    \b
    Example:
      prewarp line gauge study.csv --upper 0.5 -o gauge
    """
    require_output_folder(output)
    table = read_gauge_table(table_path)
    study = gauge_study(
        crossed(table.values), lower=lower, upper=upper, mean=centre(table.values.reshape(-1))
    )
    figures = {"table": table_path.name, **study.as_dict()}
    with output_folder(output) as folder:
        # The plot library is slow to import; it is loaded only where it is used.
        from prewarp.report.gauge import gauge_picture

        write_bytes(folder / "gauge.png", gauge_picture(table, study, title=table_path.name))
        write_text(folder / "gauge.json", json_text(figures))
    found: list[tuple[str, Component | None]] = [
        ("repeatability (EV)", study.ev),
        ("reproducibility (AV)", study.av),
        ("both (GRR)", study.grr),
        ("parts (PV)", study.pv),
    ]
    rows = [
        (name, number(one.sigma), number(one.low), number(one.high), f"{one.percent:.1f}")
        for name, one in found
        if one is not None
    ]
    sums = study.sums
    talk.table(
        f"Gauge study: {sums.parts} parts, {sums.appraisers} appraisers, {sums.trials} trials",
        ("", "1-sigma", "95 % from", "to", "% of variance"),
        [("", rows)],
    )
    if study.av is None:
        talk.text("reproducibility is not known: needs two appraisers or more.")
    elif study.pooled:
        talk.text("no interaction of appraiser and part is seen: it is counted with the repeats.")
    if study.categories is not None:
        talk.text(f"distinct categories of parts: {study.categories} (5 or more is common practice).")
    talk.text(study.sentence, f"{output}: written.")
    talk.json(figures)
    return 0 if study.is_usable else NO_VERDICT
