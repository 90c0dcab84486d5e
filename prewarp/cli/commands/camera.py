"""`prewarp camera`."""

from pathlib import Path

import click

from prewarp.capture.calibration.board import CHESSBOARD, DOTS, Board
from prewarp.capture.calibration.calibrate import Calibration, calibrate_camera, calibration_bytes
from prewarp.capture.camera import write_cameras
from prewarp.capture.distortion import COUNTS
from prewarp.capture.image_files import SUFFIXES, told_size_px
from prewarp.cli.arguments import FILE, Counts, output_option, require_output_file
from prewarp.cli.talk import Talk, number, talking
from prewarp.errors import CaptureError, InputFileError
from prewarp.memory import require_memory
from prewarp.records import Name


@click.command()
@click.argument("photographs", metavar="[NAME=]PHOTOGRAPHS...", nargs=-1, required=True)
@click.option(
    "--board",
    "kind",
    type=click.Choice((DOTS, CHESSBOARD)),
    default=DOTS,
    show_default=True,
    help="What the flat board shows.",
)
@click.option(
    "--count",
    type=Counts(2, 200),
    required=True,
    help="Number of dots, or of inner corners, across and down.",
)
@click.option(
    "--pitch",
    type=click.FloatRange(0.01, 1000.0),
    required=True,
    help="Distance from one dot or corner to the next, mm.",
)
@click.option("--dark", "dark_paths", type=FILE, multiple=True, help="Dark frames: a file or a folder.")
@click.option(
    "--plan",
    "stage_table",
    type=FILE,
    help="Table of where the stage put the camera while the board stood still: file, and the six pose "
    "columns of a plan.",
)
@click.option("--stage-mm", type=click.FloatRange(0.0, 10.0), default=0.02, show_default=True,
              help="Uncertainty of the stage's positions, 1-sigma, mm.")  # fmt: skip
@click.option("--stage-arcmin", type=click.FloatRange(0.0, 600.0), default=0.5, show_default=True,
              help="Uncertainty of the stage's turns, 1-sigma, arcmin.")  # fmt: skip
@click.option("--aperture", type=click.FloatRange(0.0, 100.0), help="Diameter of the entrance pupil, mm.")
@click.option("--distortion", type=click.Choice([str(count) for count in COUNTS]), default="5",
              show_default=True,
              help="How many numbers of OpenCV's distortion model to find: k1, k2, p1, p2, k3, k4 to k6, s1 "
              "to s4.")  # fmt: skip
@click.option(
    "--walk", is_flag=True, help="Also find how the entrance pupil moves along the axis with field angle."
)
@output_option("Camera file to write (TOML).")
@talking
def camera(
    talk: Talk,
    photographs: tuple[str, ...],
    kind: str,
    count: tuple[int, int],
    pitch: float,
    dark_paths: tuple[Path, ...],
    stage_table: Path | None,
    stage_mm: float,
    stage_arcmin: float,
    aperture: float | None,
    distortion: str,
    walk: bool,
    output: Path,
) -> None:
    """Find a camera's focal length, centre and distortion from photographs of a flat board.

    PHOTOGRAPHS is a folder of PNG, TIFF or raw files of one camera, 8 or 16 bits (raw: a sensor without
    colour filters, and the extra 'raw'). Take some 15, each showing the whole board, with the board turned by
    up to 40 degrees both ways and reaching into the sensor's corners.
    NAME=FOLDER, given once per camera, writes several cameras into one file.

    What the photographs do not show is not written, and the command says what it needs. The place of the
    entrance pupil along the axis needs a stage that turns the camera before a board that stands still
    (--plan).

    \b
    Example:
      prewarp camera board --board chessboard --count 11x8 --pitch 15 --aperture 3 -o camera.toml
    """
    folders = dict(_named(text) for text in photographs)
    if len(folders) < len(photographs) or ("" in folders and len(folders) > 1):
        raise CaptureError("several cameras need a name each; expected NAME=FOLDER for every one.")
    require_output_file(output)
    across, down = count
    board = Board(kind, (across, down), pitch)
    dark = [file for path in dark_paths for file in _files(path)]
    found: dict[str, Calibration] = {}
    shown = {
        name: [file for file in _files(folder) if not any(file.samefile(one) for one in dark)]
        for name, folder in folders.items()
    }
    for files in shown.values():
        _require_memory(files, board, int(distortion), walk)
    for name, folder in folders.items():
        files = shown[name]
        with talk.progress(f"finding the board in {folder}", total=len(files)) as step:
            found[name] = calibrate_camera(
                files,
                board,
                dark=dark,
                stage_table=stage_table,
                stage_sigma_mm=stage_mm,
                stage_sigma_arcmin=stage_arcmin,
                coefficients=int(distortion),
                walk=walk,
                aperture_mm=aperture,
                progress=step,
            )
    write_cameras(output, {name: one.camera for name, one in found.items()})
    for name, one in found.items():
        _tell(talk, name, one)
    talk.text(f"{output}: written.")
    if "" in found:
        talk.json(found[""].as_dict())
    else:
        talk.json({"cameras": {name: one.as_dict() for name, one in found.items()}})


def _named(text: str) -> tuple[str, Path]:
    name, equals, folder = text.partition("=")
    if not equals:
        return "", Path(text)
    if Name().accept(name)[1]:
        raise CaptureError(f"{text}: camera is {name!r}; expected {Name().expected}, then =FOLDER.")
    return name, Path(folder)


def _files(path: Path) -> list[Path]:
    """Return the photographs of a folder by name, or the one file."""
    if path.is_file():
        return [path]
    if not path.is_dir():
        raise InputFileError(f"{path}: no such folder; expected one of photographs.", path=str(path))
    files = sorted(one for one in path.rglob("*") if one.suffix.lower() in SUFFIXES)
    if not files:
        raise InputFileError(f"{path}: holds no {', '.join(SUFFIXES)} file.", path=str(path))
    return files


def _require_memory(files: list[Path], board: Board, coefficients: int, walk: bool) -> None:
    """Raise where photographs of a camera do not fit into memory; the first that tells its size counts."""
    size = next((size for size in map(told_size_px, files) if size is not None), None)
    if size is None:
        return
    needed, of_pixels = (
        calibration_bytes(size, count, board, coefficients=coefficients, walk=walk)
        for count in (len(files), 0)
    )
    less = "a camera with fewer pixels"
    if needed > of_pixels:
        less = "fewer photographs, or a board with fewer marks (--count)"
    require_memory(
        needed,
        f"finding {board.marks} marks in {len(files)} photographs of {size[0]} x {size[1]} px",
        f"End other programs, or take {less}.",
    )


def _tell(talk: Talk, name: str, found: Calibration) -> None:
    figures = found.as_dict()
    sigma, missing = figures["sigma"], figures["not_known"]
    rows = []
    for key in sigma:
        value = figures[key]
        if key in missing:
            rows.append((key, "not known", missing[key]))
        elif isinstance(value, list):
            marks = sigma[key] or [None] * len(value)
            rows.append((key, ", ".join(number(v, 7) for v in value), ", ".join(number(s, 2) for s in marks)))
        else:
            rows.append((key, number(value, 7), number(sigma[key], 2)))
    rows.append(("shift_bits", str(figures["shift_bits"]), "-"))
    title = f"Camera{f' {name}' if name else ''}, {figures['width_px']} x {figures['height_px']} px"
    talk.table(title, ("", "value", "1-sigma, or what it needs"), [("", rows)], text_columns=3)
    talk.text(
        f"{len(found.files)} photographs, {figures['marks']} marks, {figures['outliers']} left out; noise "
        f"{number(figures['noise_px'], 3)} px an axis."
    )
    if found.entrance is not None:
        right, up = found.entrance.place_mm[:2]
        talk.text(
            f"the entrance pupil lies {right:.3f} mm right and {up:.3f} mm up of the point that "
            f"the stage turns about; stage misfit {found.entrance.misfit:.2f} (1: as stated)."
        )
    talk.text(*(f"refused: {file}: {reason}" for file, reason in found.refused))
