"""`prewarp report`."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import click

from prewarp.budget import Limit, Tracker
from prewarp.budget.budget import FIRST_SAMPLES
from prewarp.budget.simulate import simulation_bytes
from prewarp.cli.arguments import FILE, module_option, output_option, require_output_file
from prewarp.cli.displays import channels_in, extrapolate_option, eye_option, read_display, within_capture
from prewarp.cli.settings import settings_options
from prewarp.cli.talk import Talk, talking
from prewarp.eye import assemble_eyes
from prewarp.field import FieldSet, Outside, outside_capture
from prewarp.files import sha256_of_file, write_text
from prewarp.grids import Grid, read_grid
from prewarp.limits import Limits
from prewarp.memory import PROGRAM_BYTES, require_memory
from prewarp.module import DisplayModule
from prewarp.report.live.eye_data import JsonObject
from prewarp.report.live.make import live_eyes
from prewarp.report.live.part import live_part
from prewarp.report.page.device import build_packages, read_packages
from prewarp.report.page.display import CENTRE_MM, DIRECTIONS, Display, EyeStudy
from prewarp.report.page.html import report_html
from prewarp.report.page.make import display_report
from prewarp.report.page.tree import DisplayReport

# By measurement: fields and chapters of a display; its figures; a package that is built and drawn from.
_DISPLAY_BYTES, _FIGURE_BYTES, _PACKAGE_BYTES = 63e6, 40e6, 475e6
# The budget takes no smaller one; a limit of 0 is judged by its own row.
LEAST_FOCUS_DIOPTRES = 0.01


@click.command()
@click.argument("fit_path", metavar="FIT", type=FILE)
@module_option(required=True)
@output_option("HTML file to write.")
@eye_option
@click.option(
    "--package", "package_path", type=FILE, help="Device package of this fit, from 'prewarp export'."
)
@click.option(
    "--no-package",
    is_flag=True,
    help="Without --package, build none [default: one is built by export's defaults, and "
    "removed afterwards].",
)
@click.option("--light", "light_path", type=FILE, help="Grid with the column 'luminance'.")
@click.option(
    "--compare",
    "compared",
    type=(FILE, FILE),
    metavar="FIT MODULE",
    help="Show a second display side by side with the first.",
)
@click.option(
    "--compare-light",
    "compared_light_path",
    type=FILE,
    help="Grid with the column 'luminance' of the second display.",
)
@click.option(
    "--compare-package", "compared_package_path", type=FILE, help="Device package of the second display."
)
@settings_options(Tracker, "tracker")
@click.option(
    "--samples",
    type=click.IntRange(1000),
    help="Time samples of the tracker budget [default: as many as determine the percentile within 2 %].",
)
@click.option(
    "--directions",
    type=click.IntRange(1, 1000),
    default=DIRECTIONS,
    show_default=True,
    help="How many directions of the seam the tracker budget simulates.",
)
@click.option("--no-figures", is_flag=True, help="Leave the pictures out: a small file of tables.")
@click.option("--no-live", is_flag=True, help="Leave the live picture out; the page then runs no script.")
@extrapolate_option
@talking
def report(
    talk: Talk,
    fit_path: Path,
    module_path: Path,
    output: Path,
    side: str | None,
    package_path: Path | None,
    no_package: bool,
    light_path: Path | None,
    compared: tuple[Path, Path] | None,
    compared_light_path: Path | None,
    compared_package_path: Path | None,
    tracker: Tracker,
    samples: int | None,
    directions: int,
    no_figures: bool,
    no_live: bool,
    extrapolate: bool,
) -> None:
    """Write all that is known of a display into one HTML file: first the verdict by [limits] of the module
    file, then every figure with its uncertainty, or with what it needs to be known.

    The file holds all its pictures, needs no network and opens from disk. Its live picture shows what an eye
    sees while the pupil moves, drawn in the browser (WebGL 2) by the exported shaders and tables. The exit
    code is 0 whenever the file is written, whatever the verdict; --json prints the same content as a JSON
    document. The same input gives the same bytes.

    Caution: limits are yours to choose with qualified people; a limit that is kept does not say that a
    display is safe, comfortable, or fit for a task.

    \b
    Examples:
      prewarp report visor.fit.npz --module visor.toml --light capture.csv -o visor.html
      prewarp report coaxial.fit.npz --module coaxial.toml --compare folded.fit.npz folded.toml -o both.html
    """
    if compared is None and (compared_light_path or compared_package_path):
        raise click.UsageError("--compare-light and --compare-package need --compare.")
    jobs = [(fit_path, module_path, light_path, package_path)]
    if compared is not None:
        jobs.append((*compared, compared_light_path, compared_package_path))
    require_output_file(output, *(path for job in jobs for path in job))
    _require_memory(
        samples or FIRST_SAMPLES,
        directions,
        drawn=not no_figures,
        packages=not no_package or package_path is not None,
    )
    # All that can be wrong with what was given is found before the work begins.
    read = [_read(talk, *job, side=side, extrapolate=extrapolate) for job in jobs]
    found: list[DisplayReport] = []
    eyes: list[JsonObject] = []
    missing: list[str] = []
    with talk.progress("writing the report") as step:
        for one in read:

            def tell(text: str, name: str = one.module.name) -> None:
                step(f"{name}: {text}", len(found))

            display = one.display(tracker, (samples, directions), no_package, side, tell)
            found.append(display_report(display, drawn=not no_figures, progress=tell))
            if not no_live:
                tell("live picture")
                drawn, why = live_eyes(display)
                eyes += drawn
                missing += why
    live = None if no_live else live_part(eyes, missing)
    write_text(output, report_html(found, live=live))
    for done in found:
        talk.text(f"{done.name}: {done.headline}. {done.sentence}")
    talk.text(f"{output}: written.")
    talk.json({"displays": [one.as_dict() for one in found]})


def _require_memory(samples: int, directions: int, *, drawn: bool, packages: bool) -> None:
    """Raise where a report does not fit into memory; what a grid of luminance takes is not in it."""
    simulated = simulation_bytes(samples, directions)
    own = PROGRAM_BYTES + _DISPLAY_BYTES + drawn * _FIGURE_BYTES + packages * _PACKAGE_BYTES
    less = "leave out its package (--no-package)" if packages else "leave out its pictures (--no-figures)"
    if simulated > own:
        less = "give less --samples, or more --directions"
    require_memory(
        max(own, PROGRAM_BYTES + _DISPLAY_BYTES + simulated),
        f"a report with {samples} time samples of {directions} directions",
        f"End other programs, or {less}.",
    )


@dataclass(frozen=True, eq=False)
class _Read:
    """What was read of one display, before anything is worked out."""

    fields: FieldSet
    module: DisplayModule
    luminance: Grid | None
    paths: Mapping[str, Path | None]
    extrapolated: tuple[str, ...]
    extrapolate: bool

    def display(
        self,
        tracker: Tracker,
        drawn: tuple[int | None, int],
        no_package: bool,
        side: str | None,
        tell: Callable[[str], None],
    ) -> Display:
        """Put the eyes together, and read or build their packages."""
        tell("joining channels")
        limit = _limit(self.module.limits)
        eyes = assemble_eyes(self.fields, self.module, side=side, luminance=self.luminance)
        studies = tuple(EyeStudy(eye, tracker, limit, *drawn, self.extrapolate) for eye in eyes)
        package = self.paths["package"]
        if package is not None:
            packages = read_packages(package, self.fields, progress=tell)
        else:
            packages = () if no_package else build_packages(studies, self.fields, progress=tell)
        return Display(
            self.module.name,
            self.module,
            self.fields,
            studies,
            self.luminance,
            packages,
            tuple(self._files()),
            self.extrapolated,
        )

    def _files(self) -> Iterator[tuple[str, str, str]]:
        for what, path in self.paths.items():
            if path is not None and path.is_file():
                yield what, path.name, sha256_of_file(path)
            elif path is not None:
                yield what, path.name, "a folder; its manifest holds the hash of every file"


def _told(outside: Outside, extrapolate: bool) -> str:
    kept = outside.is_far and not extrapolate
    end = "nothing is said of the corners of the eye box" if kept else "figures there are extrapolated"
    return f"{outside.text()}: {end}."


def _limit(limits: Limits) -> Limit:
    """Return what the tracker budget is asked to keep: the module's limits, the usual ones where none are."""
    usual = Limit()
    seam, focus = limits.seam_error_p95_arcmin, limits.focus_step_dioptres
    return Limit(
        seam_arcmin=usual.seam_arcmin if seam is None else seam,
        focus_dioptres=usual.focus_dioptres if focus is None else max(focus, LEAST_FOCUS_DIOPTRES),
    )


def _read(
    talk: Talk,
    fit_path: Path,
    module_path: Path,
    light_path: Path | None,
    package_path: Path | None,
    *,
    side: str | None,
    extrapolate: bool,
) -> _Read:
    fields, module = read_display(fit_path, module_path)
    names = channels_in(fields, module, side)
    within_capture(talk, fields, names, CENTRE_MM, extrapolate=extrapolate)
    told = tuple(_told(one, extrapolate) for one in outside_capture(fields, names, module.eye_box.corners))
    luminance = None if light_path is None else read_grid(light_path)
    paths = {"fit": fit_path, "module": module_path, "luminance": light_path, "package": package_path}
    return _Read(fields, module, luminance, paths, told, extrapolate)
