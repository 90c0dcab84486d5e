"""What is looked at: one eye with the tables that draw it, and the files they came from."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from prewarp.errors import InputFileError, ModuleError
from prewarp.eye import Eye, assemble_eye, eye_of_fit
from prewarp.field import FieldSet, fit_grid
from prewarp.grids import Grid, read_grid
from prewarp.module import DisplayModule, read_module
from prewarp.render.live.depth_map import depth_map
from prewarp.render.live.eye_light import EyeLight, lit_table
from prewarp.render.live.eye_table import NODE_STEP_PX, EyeTable, eye_table
from prewarp.render.live.mesh import LIGHTS
from prewarp.render.live.weight_map import WeightMap, weight_map
from prewarp.render.pictures import field_colours
from prewarp.resources import resource_folder

_MODULE_ENDINGS = (".module.toml", ".toml")
_GRID_ENDINGS = (".grid.npz", ".grid.csv", ".grid.csv.gz", ".npz", ".csv", ".csv.gz")

_JOINING = ("joining the channels", "joining and matching the channels")

Progress = Callable[[str], None]
# Called once files are read, before the work begins.
Before = Callable[[FieldSet, DisplayModule | None], None]


@dataclass(frozen=True)
class Subject:
    """One eye of a display, ready to be looked at.

    Parameters
    ----------
    eye : Eye
        Fields, seam, panels, eye box and content.
    tables, weights : dict
        Channel name to its mesh tables and weights.
    light : EyeLight or None
        How bright the panels are, and their match; None where no luminance is known.
    files : tuple of Path
        Files that make it; when one changes, it can be made again.
    """

    eye: Eye
    tables: dict[str, EyeTable]
    weights: dict[str, WeightMap]
    light: EyeLight | None = None
    files: tuple[Path, ...] = ()

    @property
    def lights(self) -> tuple[str, ...]:
        """How bright panels can be made to look, of `LIGHTS`."""
        return LIGHTS[:1] if self.light is None else LIGHTS


def subject_of(
    eye: Eye,
    /,
    *,
    files: tuple[Path, ...] = (),
    step_px: float = NODE_STEP_PX,
    white: Mapping[str, float] | None = None,
) -> Subject:
    """Make the tables of an eye.

    For `files` and `step_px` see `Subject` and `eye_table`. `white`: the luminance that is shown as white, by
    colour; that of the brightest place from the middle of the eye box where it is not given.
    """
    light = None
    if eye.match is not None:
        light = EyeLight(eye.match, white or eye.brightest(np.zeros(3)), field_colours(eye.fields.colours))
    half = eye.eye_box.half_mm
    tables = {name: eye_table(eye.fields, name, half_mm=half, step_px=step_px) for name in eye.channels}
    if light is not None:
        tables = {name: lit_table(table, light) for name, table in tables.items()}
    targets = None if light is None else light.targets
    depths = depth_map(eye.seam, eye.content, half_mm=half)
    weights = {
        name: weight_map(eye.seam, eye.content, name, targets=targets, depths=depths) for name in eye.channels
    }
    return Subject(eye, tables, weights, light, files)


def load_subject(
    path: Path,
    /,
    *,
    module_path: Path | None = None,
    eye: str | None = None,
    light_path: Path | None = None,
    feather_deg: float | None = None,
    progress: Progress = lambda text: None,
    before: Before = lambda fields, module: None,
) -> Subject:
    """Make a subject from a fit (NPZ), or from a module (TOML) and the fit or grid beside it.

    A fit takes the module given, else the one beside it (same name, ending in .toml or .module.toml), else
    none. A module takes the fit beside it (.fit.npz), else fits the grid beside it. The names of the demo
    modules stand for their files.
    `light_path`: a grid with luminance. `feather_deg`: width of the hand-over; the widest that fits if not
    given. `before`: called once files are read, and may refuse them.

    Raises
    ------
    InputFileError
        A file is missing or unreadable; says what was looked for.
    """
    loaded = _load(path, module_path, light_path, progress)
    before(loaded.fields, loaded.module)
    progress(_JOINING[light_path is not None])
    return subject_of(_assembled(loaded, eye, feather_deg), files=loaded.files)


def load_every_subject(
    path: Path,
    /,
    *,
    module_path: Path | None = None,
    light_path: Path | None = None,
    feather_deg: float | None = None,
    progress: Progress = lambda text: None,
    before: Before = lambda fields, module: None,
) -> list[Subject]:
    """Make a subject of every eye of the module, left before right; see `load_subject`.

    Raises
    ------
    InputFileError
        A file is missing or unreadable.
    ModuleError
        There is no module, which says what eyes there are.
    """
    loaded = _load(path, module_path, light_path, progress)
    if loaded.module is None:
        raise ModuleError(
            f"{path}: a fit alone does not say which eyes there are. Name a module with --module."
        )
    before(loaded.fields, loaded.module)
    progress(_JOINING[light_path is not None])
    eyes = (_assembled(loaded, side, feather_deg) for side in loaded.module.eyes)
    return [subject_of(eye, files=loaded.files) for eye in eyes]


@dataclass(frozen=True, eq=False)
class _Loaded:
    """What a subject is made of, as read from files."""

    fields: FieldSet
    module: DisplayModule | None
    luminance: Grid | None
    files: tuple[Path, ...]


def _load(path: Path, module_path: Path | None, light_path: Path | None, progress: Progress) -> _Loaded:
    path = _demo_file(path)
    light_files = () if light_path is None else (light_path,)
    if light_path is not None:
        progress(f"reading {light_path.name}")
    luminance = None if light_path is None else read_grid(light_path)
    if path.suffix.lower() != ".toml":
        progress(f"reading {path.name}")
        fields = FieldSet.load(path)
        module_path = module_path or _beside(path, (".fit.npz", ".npz"), _MODULE_ENDINGS)
        module = read_module(module_path) if module_path is not None else None
        files = (path,) if module_path is None else (path, module_path)
        return _Loaded(fields, module, luminance, (*files, *light_files))
    module = read_module(path)
    fit_path = _beside(path, _MODULE_ENDINGS, (".fit.npz",))
    if fit_path is not None:
        progress(f"reading {fit_path.name}")
        fields = FieldSet.load(fit_path)
        source = fit_path
    else:
        grid_path = _beside(path, _MODULE_ENDINGS, _GRID_ENDINGS)
        if grid_path is None:
            stem = _stem(path, _MODULE_ENDINGS)
            raise InputFileError(
                f"{path}: neither a fit ({stem}.fit.npz) nor a grid ({stem}.grid.csv or .npz, {stem}.csv) "
                "lies beside this module. Put one there, or give the fit and --module.",
                path=str(path),
            )
        progress(f"fitting {grid_path.name}; this takes a while, 'prewarp fit' keeps the result")
        fields = fit_grid(read_grid(grid_path), panel_size_px=module.panel_sizes_px)
        source = grid_path
    return _Loaded(fields, module, luminance, (source, path, *light_files))


def _assembled(loaded: _Loaded, side: str | None, feather_deg: float | None) -> Eye:
    """Return the eye asked for, else the right one where the module has it."""
    module = loaded.module
    if module is not None:
        return assemble_eye(
            loaded.fields,
            module,
            side=side or module.eyes[-1],
            luminance=loaded.luminance,
            feather_deg=feather_deg,
        )
    if loaded.luminance is not None:
        raise ModuleError("luminance is matched over the eye box of a module. Name one with --module.")
    return replace(eye_of_fit(loaded.fields), feather_deg=feather_deg)


def _demo_file(path: Path) -> Path:
    """Return the module file of a demo's name ("folded"), or the path itself."""
    if path.exists() or len(path.parts) != 1 or path.suffix:
        return path
    demo = resource_folder("calib") / f"{path.name}.module.toml"
    return demo if demo.is_file() else path


def _stem(path: Path, endings: tuple[str, ...]) -> str:
    for ending in endings:
        if path.name.lower().endswith(ending):
            return path.name[: -len(ending)]
    return path.stem


def _beside(path: Path, endings: tuple[str, ...], others: tuple[str, ...]) -> Path | None:
    """Return the file beside `path` that has its name up to the ending and one of the other endings."""
    stem = _stem(path, endings)
    found = (path.with_name(stem + ending) for ending in others)
    return next((other for other in found if other.is_file()), None)
