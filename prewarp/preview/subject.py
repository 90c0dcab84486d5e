"""What is looked at: the fields, seam and tables of one eye, from a fit or a module, and the files they came from."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from prewarp.checks import FloatArray, nearest_name
from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.errors import InputFileError, ModuleError
from prewarp.field import FieldSet, fit_grid
from prewarp.grids import Grid, read_grid
from prewarp.module import Channel, DisplayModule, read_module
from prewarp.photometry.lighting import lighting
from prewarp.render.live.eye_light import EyeLight, lit_table
from prewarp.render.live.eye_table import NODE_STEP_PX, EyeTable, eye_table
from prewarp.render.live.mesh import LIGHTS
from prewarp.render.live.weight_map import WeightMap, weight_map
from prewarp.render.pictures import field_colours
from prewarp.resources import resource_folder
from prewarp.seam import Seam, build_seam

# Content of a fit without a module: as fine as this at the middle, over what the channels show.
_CONTENT_PX_PER_DEG = 40.0
_MODULE_ENDINGS = (".module.toml", ".toml")
_GRID_ENDINGS = (".grid.npz", ".grid.csv", ".grid.csv.gz", ".npz", ".csv", ".csv.gz")

_JOINING = ("joining the channels", "joining and matching the channels")

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Subject:
    """One eye of a display, ready to be looked at.

    Parameters
    ----------
    name : str
        For people: module name and eye.
    fields : FieldSet
        All channels and colours.
    channels : tuple of str
        The channels of this eye.
    seam : Seam or None
        None where there is one channel.
    content : ContentProjection
        How content pictures lie on directions.
    half_mm : (3,) float array
        Half sizes of the eye box, mm.
    transfers, bit_depths : dict
        Channel name to what its panel does with codes.
    tables, weights : dict
        Channel name to its mesh tables and weights.
    light : EyeLight or None
        How bright the panels are, and their match; None where no luminance is known.
    files : tuple of Path
        Files that make it; when one changes, it can be made again.
    """

    name: str
    fields: FieldSet
    channels: tuple[str, ...]
    seam: Seam | None
    content: ContentProjection
    half_mm: FloatArray
    transfers: dict[str, TransferFunction]
    bit_depths: dict[str, int]
    tables: dict[str, EyeTable]
    weights: dict[str, WeightMap]
    files: tuple[Path, ...]
    light: EyeLight | None = None

    @property
    def lights(self) -> tuple[str, ...]:
        """How bright panels can be made to look, of `prewarp.render.live.mesh.LIGHTS`."""
        return LIGHTS[:1] if self.light is None else LIGHTS


def make_subject(
    fields: FieldSet,
    /,
    *,
    module: DisplayModule | None = None,
    eye: str | None = None,
    luminance: Grid | None = None,
    files: tuple[Path, ...] = (),
    step_px: float = NODE_STEP_PX,
) -> Subject:
    """Join one eye's channels and make their tables.

    Parameters
    ----------
    fields : FieldSet
        All channels and colours.
    module : DisplayModule, optional
        Eyes, panels, eye box and content; without one all channels are one eye's, panels are sRGB, the eye box is what was
        captured and the content covers what the channels show.
    eye : str, optional
        "left" or "right"; the right eye if the module has it and none is given.
    luminance : Grid, optional
        Captures with luminance: channels then reach no further than they are lit, and are matched by gains. Needs a module.
    files, step_px
        See `Subject` and `eye_table`.

    Raises
    ------
    ModuleError
        The module has no such eye, or names channels that the fit lacks; luminance without a module.
    SeamError
        Channels leave a gap.
    """
    channels: Sequence[Channel] = ()
    if module is None:
        if luminance is not None:
            raise ModuleError("luminance is matched over the eye box of a module. Name one with --module.")
        names, label = fields.channels, "fit without a module"
        half = np.abs(fields.pupil_box_mm).max(axis=0)
        content = _content_of(fields)
        transfers, bits = {name: TransferFunction() for name in names}, dict.fromkeys(names, 8)
    else:
        eye = eye or module.eyes[-1]
        channels = module.channels_of(eye)
        if not channels:
            raise ModuleError(
                f"{module.name}: no channel for the {eye} eye; there is {', '.join(module.eyes)}."
            )
        names, label = tuple(channel.name for channel in channels), f"{module.name}, {eye} eye"
        missing = [name for name in names if name not in fields.channels]
        if missing:
            raise ModuleError(
                f"{module.name}: channel '{missing[0]}' is not in the fit, which has {', '.join(fields.channels)}."
                f"{nearest_name(missing[0], fields.channels)}"
            )
        half, content = module.eye_box.half_mm, module.content
        transfers = {channel.name: channel.panel.transfer for channel in channels}
        bits = {channel.name: channel.panel.bit_depth for channel in channels}
    light = seam = None
    if luminance is not None and module is not None:
        measured = lighting(fields, module, channels, luminance)
        fields, seam = measured.fields, measured.seam if len(names) > 1 else None
        light = EyeLight(measured.match, measured.brightest(np.zeros(3)), field_colours(fields.colours))
    elif len(names) > 1:
        corners = np.stack(np.meshgrid(*([-h, h] for h in half), indexing="ij"), axis=-1).reshape(-1, 3)
        seam = build_seam(fields, pupils_mm=np.unique(corners, axis=0), channels=names)
    tables, weights = channel_tables(fields, names, content, seam, half_mm=half, step_px=step_px, light=light)
    return Subject(
        name=label,
        fields=fields,
        channels=names,
        seam=seam,
        content=content,
        half_mm=np.asarray(half, dtype=float),
        transfers=transfers,
        bit_depths=bits,
        tables=tables,
        weights=weights,
        files=files,
        light=light,
    )


def channel_tables(
    fields: FieldSet,
    channels: Sequence[str],
    content: ContentProjection,
    seam: Seam | None,
    /,
    *,
    half_mm: FloatArray,
    step_px: float = NODE_STEP_PX,
    light: EyeLight | None = None,
) -> tuple[dict[str, EyeTable], dict[str, WeightMap]]:
    """Return the mesh tables and weights of channels, by name; with their luminance where `light` knows it."""
    tables = {name: eye_table(fields, name, half_mm=half_mm, step_px=step_px) for name in channels}
    targets = None
    if light is not None:
        tables = {name: lit_table(table, light) for name, table in tables.items()}
        targets = light.targets
    return tables, {name: weight_map(seam, content, name, targets=targets) for name in channels}


def load_subject(
    path: Path,
    /,
    *,
    module_path: Path | None = None,
    eye: str | None = None,
    light_path: Path | None = None,
    progress: Progress = lambda text: None,
) -> Subject:
    """Make a subject from a fit (NPZ), or from a module (TOML) and the fit or grid beside it.

    A fit takes the module given, else the one beside it (same name, ending in .toml or .module.toml), else none. A module
    takes the fit beside it (.fit.npz), else fits the grid beside it. The names of the demo modules stand for their files.
    `light_path`: a grid with luminance.

    Raises
    ------
    InputFileError
        A file is missing or unreadable; says what was looked for.
    """
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
        progress(_JOINING[luminance is not None])
        return make_subject(fields, module=module, eye=eye, luminance=luminance, files=(*files, *light_files))
    module = read_module(path)
    fit_path = _beside(path, _MODULE_ENDINGS, (".fit.npz",))
    if fit_path is not None:
        progress(f"reading {fit_path.name}")
        fields = FieldSet.load(fit_path)
        source = fit_path
    else:
        source = _beside(path, _MODULE_ENDINGS, _GRID_ENDINGS)
        if source is None:
            stem = _stem(path, _MODULE_ENDINGS)
            raise InputFileError(
                f"{path}: neither a fit ({stem}.fit.npz) nor a grid ({stem}.grid.csv or .npz, {stem}.csv) lies beside this "
                "module. Put one there, or give the fit and --module.",
                path=str(path),
            )
        progress(f"fitting {source.name}; this takes a while, 'prewarp fit' keeps the result")
        sizes = {channel.name: channel.panel.size_px for channel in module.channels}
        fields = fit_grid(read_grid(source), panel_size_px=sizes)
    progress(_JOINING[luminance is not None])
    return make_subject(
        fields, module=module, eye=eye, luminance=luminance, files=(source, path, *light_files)
    )


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


def _content_of(fields: FieldSet) -> ContentProjection:
    """Return an equidistant content picture that covers what the channels show from the eye-box centre."""
    widest = np.zeros(2)
    for field in fields.fields.values():
        edge = np.array([0.0, 0.5, 1.0])
        u, v = (edge * length for length in field.panel_size_px)
        tangent = np.nan_to_num(field.forward_lattice(u, v, pupil_mm=np.zeros(3)))
        widest = np.maximum(widest, np.degrees(np.arctan(np.abs(tangent))).max(axis=(0, 1)))
    span = np.clip(2.0 * widest + 4.0, 4.0, 170.0)
    size = tuple(int(length) for length in np.clip(np.ceil(span * _CONTENT_PX_PER_DEG), 64, 8192))
    return ContentProjection("equidistant", size, float(size[0] / _CONTENT_PX_PER_DEG))
