"""A whole fit: fields of all channels and colours, what the fit found, where it came from; saved as NPZ."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from dataclasses import field as default
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray, as_pupil, as_tangent, nearest_name
from prewarp.errors import FitError, InputFileError, ShapeError
from prewarp.field.captured import Captured
from prewarp.field.field import Field
from prewarp.field.mount import UNMOUNTED, Mount
from prewarp.field.storage import expansion_arrays, expansion_from_arrays, lit_arrays, lit_from_arrays
from prewarp.files import arrays_digest, npz_bytes, read_npz, respelt, write_bytes
from prewarp.frames import degrees_from_tangent
from prewarp.grids import Grid

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FORMAT = "prewarp field 5"
# Differs in the spelling of keys alone.
OLDER_FORMAT = "prewarp field 4"
# Name of the array that holds the digest of all others.
DIGEST = "sha256"
LIMIT_BYTES = 512 << 20


@dataclass(frozen=True)
class ChannelReport:
    """What the fit of one channel found.

    `outlier_rows` row numbers of the grid's file; `dropped` rows that were not finite; `sigma_px`,
    `misfit_px` (None: not known) and `rms_px` per colour; `certainty_px` (colours, pupils, nodes, nodes)
    1-sigma map, `certainty_pupil_mm` (pupils, 2). Others as in `FitResult`.
    """

    channel: str
    colours: tuple[str, ...]
    model: str
    parameters: int
    samples: int
    dropped: int
    sigma_px: tuple[float, ...]
    rms_px: tuple[float, ...]
    floor_px: float
    rms_cv_px: float
    outlier_rows: tuple[int, ...]
    certainty_px: FloatArray
    certainty_pupil_mm: FloatArray
    misfit_px: tuple[float | None, ...] = ()
    advice: str = ""

    def as_dict(self) -> dict[str, object]:
        """Return the report for machines, without the certainty map."""
        return {
            "channel": self.channel,
            "model": self.model,
            "parameters": self.parameters,
            "samples": self.samples,
            "dropped": self.dropped,
            "sigma_px": dict(zip(self.colours, self.sigma_px, strict=True)),
            "misfit_px": dict(zip(self.colours, self.misfit_px, strict=False)),
            "advice": self.advice,
            "residual_rms_px": dict(zip(self.colours, self.rms_px, strict=True)),
            "floor_px": self.floor_px,
            "cross_validated_rms_px": self.rms_cv_px,
            "outliers": list(self.outlier_rows),
        }


@dataclass(frozen=True)
class FieldSet:
    """Fields by (channel, colour); `pupil_box_mm` (2, 3), lowest and highest captured pupil position.

    `provenance`: input file and its hash, options, version. `reports`: one per channel. `captured`: what each
    channel's capture determines, by channel; a channel that is not in it is taken as known everywhere.

    Examples
    --------
    >>> import prewarp
    >>> grid = prewarp.read_grid("calib/coaxial.grid.npz")
    >>> module = prewarp.read_module("calib/coaxial.module.toml")
    >>> fields = prewarp.fit_grid(grid, panel_size_px=module.panel_sizes_px)
    >>> direction = fields.field("inner", "G").forward([1280.0, 1024.0], pupil_mm=[0.0, 0.0, 0.0])
    >>> fields.save("visor.fit.npz")
    >>> prewarp.FieldSet.load("visor.fit.npz").channels
    ('inner', 'outer')
    """

    fields: Mapping[tuple[str, str], Field]
    pupil_box_mm: FloatArray
    reports: tuple[ChannelReport, ...]
    provenance: Mapping[str, object]
    captured: Mapping[str, Captured] = default(default_factory=dict)

    def __post_init__(self) -> None:
        if not self.fields:
            raise FitError(
                "a set of fields holds none. Fit a grid with fit_grid, or load a fit with FieldSet.load."
            )

    def __repr__(self) -> str:
        low, high = self.pupil_box_mm
        box = ", ".join(f"{a:.4g} to {b:.4g}" for a, b in zip(low, high, strict=True))
        quality = "; ".join(
            f"{one.channel}: noise {max(one.sigma_px):.2g} px, map error due to noise {one.floor_px:.2g} px"
            for one in self.reports
        )
        return (
            f"FieldSet of '{self.provenance.get('grid', 'memory')}': channels {', '.join(self.channels)}; "
            f"colours {', '.join(self.colours)}; pupils x, y, z {box} mm"
            + (f"; {quality}" if quality else "")
        )

    def _repr_html_(self) -> str:
        """Return the reports as a table, for notebooks."""
        head = (
            "channel",
            "colour",
            "samples",
            "noise px",
            "residual RMS px",
            "map error due to noise px",
            "outliers",
        )
        rows = [
            (
                one.channel,
                colour,
                one.samples,
                f"{sigma:.3g}",
                f"{rms:.3g}",
                f"{one.floor_px:.3g}",
                len(one.outlier_rows),
            )
            for one in self.reports
            for colour, sigma, rms in zip(one.colours, one.sigma_px, one.rms_px, strict=True)
        ]
        lines = ["".join(f"<th>{name}</th>" for name in head)]
        lines += ["".join(f"<td>{escape(str(cell))}</td>" for cell in row) for row in rows]
        table = "".join(f"<tr>{line}</tr>" for line in lines)
        return f"<p>{escape(repr(self))}</p><table>{table}</table>"

    @property
    def channels(self) -> tuple[str, ...]:
        """Channel names, in the order of the fit."""
        return tuple(dict.fromkeys(channel for channel, _ in self.fields))

    @property
    def colours(self) -> tuple[str, ...]:
        """Colour names, in the order of the fit."""
        return tuple(dict.fromkeys(colour for _, colour in self.fields))

    def field(self, channel: str, colour: str, /) -> Field:
        """Return one field; `FitError` names the nearest when it is missing."""
        try:
            return self.fields[channel, colour]
        except KeyError:
            have = [f"{one}/{other}" for one, other in self.fields]
            raise FitError(
                f"no field for channel '{channel}', colour '{colour}'; the fit holds {', '.join(have)}."
                + nearest_name(f"{channel}/{colour}", have)
            ) from None

    def fields_of(self, channel: str, /) -> dict[str, Field]:
        """Return the fields of a channel by colour."""
        return {
            colour: self.field(channel, colour) for colour in self.colours if (channel, colour) in self.fields
        }

    def outside_mm(self, channel: str, tangent: ArrayLike, /, *, pupil_mm: ArrayLike) -> FloatArray:
        """Return how far outside the captured pupils of a channel rays lie, (...), mm; 0 inside.

        Parameters
        ----------
        channel : str
        tangent : (..., 2) array
            Viewing directions, tangents, eye frame.
        pupil_mm : (..., 3) array
            Pupil positions, mm; leading axes broadcast with those of `tangent`.

        Notes
        -----
        A ray counts where it crosses z = 0 (`Captured.outside_mm`).
        """
        captured = self.captured.get(channel)
        tangent, pupil_mm = as_tangent(tangent), as_pupil(pupil_mm)
        if captured is None:
            return np.zeros(np.broadcast_shapes(tangent.shape[:-1], pupil_mm.shape[:-1]))
        mount = self.field(channel, self.colours[0]).mount
        return captured.outside_mm(mount.pupil_inward(pupil_mm), mount.inward(tangent))

    def mounted(self, mounts: Mapping[str, Mount], /, *, provenance: Mapping[str, object]) -> "FieldSet":
        """Return the same fit, channels mounted as in `mounts`, with more `provenance`; nothing is fitted."""
        for name in mounts:
            self.field(name, self.colours[0])
        fields = {
            (channel, colour): field.mounted(mounts[channel]) if channel in mounts else field
            for (channel, colour), field in self.fields.items()
        }
        return replace(self, fields=fields, provenance={**self.provenance, **provenance})

    def summary(self) -> dict[str, object]:
        """Return what the fit found, for machines: totals at the top, one entry per channel under `channels`.

        `floor_px` is the RMS over all channels of sigma sqrt(parameters / samples): what the noise found in
        the residuals leaves in the map, however good the model. `parameters` counts every estimated number,
        both components of direction.
        """
        samples = np.array([report.samples for report in self.reports], dtype=float)
        floors = np.array([report.floor_px for report in self.reports])
        return {
            "parameters": sum(report.parameters for report in self.reports),
            "samples": int(samples.sum()),
            "dropped": sum(report.dropped for report in self.reports),
            "floor_px": float(np.sqrt(np.sum(samples * floors**2) / samples.sum())),
            "outliers": sorted(row for report in self.reports for row in report.outlier_rows),
            "channels": [
                {**report.as_dict(), "captured": self._captured_dict(report.channel)}
                for report in self.reports
            ],
        }

    def _captured_dict(self, channel: str) -> dict[str, object] | None:
        """Return what a channel's capture holds, for machines; None where it is not known."""
        captured = self.captured.get(channel)
        if captured is None:
            return None
        tangent = self.field(channel, self.colours[0]).captured_tangent
        return {
            **captured.as_dict(),
            "directions_deg": degrees_from_tangent(tangent).tolist(),
            "lit_percent": self.lit_percent(channel),
        }

    def lit_percent(self, channel: str, /) -> dict[str, float]:
        """Return by colour how much of the captured part of a channel's panel is lit, per cent.

        From the middle of the captured pupils.
        """
        middle = self.pupil_box_mm.mean(axis=0)
        return {
            colour: field.lit_percent(pupil_mm=middle) if field.lit else 100.0
            for colour, field in self.fields_of(channel).items()
        }

    def plot(self, grid: Grid | None = None, /, *, title: str = "") -> "Figure":
        """Return a matplotlib figure: the residuals of `grid`, as `prewarp fit --picture` draws them.

        Without a grid how sure the fit is: 1-sigma of each channel, px (`ChannelReport.certainty_px`).

        Raises
        ------
        GridError
            The grid holds no finite sample of the first colour.
        ShapeError
            There is no grid, and the fit holds no reports.
        """
        from prewarp.report.certainty import certainty_figure
        from prewarp.report.residuals import residual_figure

        return (
            certainty_figure(self, title=title) if grid is None else residual_figure(self, grid, title=title)
        )

    def save(self, path: Path | str, /) -> None:
        """Write the fit as NPZ: no pickles, no time stamps; the same fit gives the same bytes."""
        arrays = self._arrays()
        write_bytes(Path(path), npz_bytes({**arrays, DIGEST: arrays_digest(arrays)}))

    def _arrays(self) -> dict[str, np.ndarray]:
        arrays: dict[str, np.ndarray] = {}
        entries = []
        for place, ((channel, colour), field) in enumerate(self.fields.items()):
            description, own = expansion_arrays(field.expansion)
            own |= {"captured_tangent": field.captured_tangent, "border_pixel": field.border_pixel}
            arrays |= {f"field{place}_{name}": array for name, array in own.items()}
            size = list(field.panel_size_px)
            entry = {"channel": channel, "color": colour, "panel_size_px": size, "expansion": description}
            if field.lit:
                entry["lit"], regions = lit_arrays(field.lit)
                arrays |= {f"field{place}_{name}": array for name, array in regions.items()}
            if not field.mount.is_identity:
                mount = field.mount
                entry["mount"] = {
                    "turn_deg": list(mount.turn_deg),
                    "scale": mount.scale,
                    "axis": list(mount.axis),
                }
            entries.append(entry)
        reports = []
        for place, report in enumerate(self.reports):
            arrays[f"report{place}_certainty_px"] = report.certainty_px.astype(np.float32)
            arrays[f"report{place}_certainty_pupil_mm"] = report.certainty_pupil_mm
            arrays[f"report{place}_outlier_rows"] = np.array(report.outlier_rows, dtype=np.int64)
            reports.append({**report.as_dict(), "outliers": None, "colors": list(report.colours)})
        captures = []
        for place, (channel, captured) in enumerate(self.captured.items()):
            arrays[f"captured{place}_corners_mm"] = captured.corners_mm
            arrays[f"captured{place}_motions"] = captured.motions
            arrays[f"captured{place}_unseen"] = captured.unseen
            captures.append(
                {
                    "channel": channel,
                    "positions": captured.positions,
                    "spacing_mm": captured.spacing_mm,
                    "pupil_functions": [list(pair) for pair in captured.pupil_functions],
                }
            )
        header = {
            "format": FORMAT,
            "captured": captures,
            "fields": entries,
            "reports": reports,
            "provenance": dict(self.provenance),
        }
        text = json.dumps(header, sort_keys=True, allow_nan=False).encode("utf-8")
        return {"header": np.frombuffer(text, dtype=np.uint8), "pupil_box_mm": self.pupil_box_mm, **arrays}

    @staticmethod
    def load(path: Path | str, /) -> "FieldSet":
        """Read a fit that `save` wrote.

        Raises
        ------
        InputFileError
            The file is not such a fit, is damaged or altered, or is too large.
        """
        path = Path(path)
        arrays = read_npz(path, limit_bytes=LIMIT_BYTES, what="a fit (NPZ written by 'prewarp fit')")
        digest = arrays.pop(DIGEST, None)
        try:
            found = _from_arrays(arrays)
        except (KeyError, ValueError, TypeError, IndexError, AttributeError, RecursionError) as cause:
            raise InputFileError(
                f"{path}: not a fit that this version can read ({type(cause).__name__}: {cause}). Fit again.",
                path=str(path),
            ) from cause
        if digest is None or not np.array_equal(digest, arrays_digest(arrays)):
            why = "it holds no digest of itself" if digest is None else "its digest does not agree"
            raise InputFileError(
                f"{path}: not the fit that was written ({why}): something was altered. Fit again.",
                path=str(path),
            )
        return found


def _from_arrays(arrays: dict[str, np.ndarray]) -> FieldSet:
    text = arrays["header"].astype(np.uint8).tobytes().decode("utf-8")
    header = json.loads(text)
    if header["format"] == OLDER_FORMAT:
        header = json.loads(text, object_hook=respelt)
    elif header["format"] != FORMAT:
        raise ValueError(f"format is {header['format']!r}; expected {FORMAT!r}")
    fields = {}
    for place, entry in enumerate(header["fields"]):
        prefix = f"field{place}_"
        own = {name.removeprefix(prefix): array for name, array in arrays.items() if name.startswith(prefix)}
        width, height = (int(value) for value in entry["panel_size_px"])
        if not (1 <= width <= 32768 and 1 <= height <= 32768):
            raise ValueError(f"panel of {width} x {height} px")
        fields[str(entry["channel"]), str(entry["color"])] = Field(
            channel=str(entry["channel"]),
            colour=str(entry["color"]),
            panel_size_px=(width, height),
            expansion=expansion_from_arrays(entry["expansion"], own, (width, height)),
            captured_tangent=_finite(own["captured_tangent"], 2),
            border_pixel=_finite(own["border_pixel"], 2),
            mount=_mount(entry.get("mount")),
            lit=lit_from_arrays(entry.get("lit", ()), own, (width, height)),
        )
    reports = []
    for place, entry in enumerate(header["reports"]):
        colours = tuple(str(name) for name in entry["colors"])
        reports.append(
            ChannelReport(
                channel=str(entry["channel"]),
                colours=colours,
                model=str(entry["model"]),
                parameters=int(entry["parameters"]),
                samples=int(entry["samples"]),
                dropped=int(entry["dropped"]),
                sigma_px=tuple(float(entry["sigma_px"][name]) for name in colours),
                rms_px=tuple(float(entry["residual_rms_px"][name]) for name in colours),
                floor_px=float(entry["floor_px"]),
                rms_cv_px=float(entry["cross_validated_rms_px"]),
                outlier_rows=tuple(int(row) for row in arrays[f"report{place}_outlier_rows"]),
                certainty_px=arrays[f"report{place}_certainty_px"].astype(float),
                certainty_pupil_mm=_finite(arrays[f"report{place}_certainty_pupil_mm"], 2),
                misfit_px=tuple(
                    None if entry["misfit_px"][name] is None else float(entry["misfit_px"][name])
                    for name in colours
                    if name in entry["misfit_px"]
                ),
                advice=str(entry["advice"]),
            )
        )
    box = _finite(arrays["pupil_box_mm"], 3)
    if not fields or box.shape != (2, 3):
        raise ValueError("no fields, or no pupil box")
    captured = {
        str(entry["channel"]): _captured(entry, arrays, f"captured{place}_")
        for place, entry in enumerate(header["captured"])
    }
    return FieldSet(fields, box, tuple(reports), dict(header["provenance"]), captured)


def _captured(entry: Mapping[str, Any], arrays: dict[str, np.ndarray], prefix: str) -> Captured:
    try:
        return Captured(
            corners_mm=_finite(arrays[f"{prefix}corners_mm"], 3),
            positions=int(entry["positions"]),
            spacing_mm=float(entry["spacing_mm"]),
            motions=_finite(arrays[f"{prefix}motions"], 2),
            unseen=arrays[f"{prefix}unseen"].astype(float),
            pupil_functions=tuple((int(fitted), int(every)) for fitted, every in entry["pupil_functions"]),
        )
    except ShapeError as cause:
        raise ValueError(str(cause)) from cause


def _mount(entry: Mapping[str, Any] | None) -> Mount:
    if entry is None:
        return UNMOUNTED
    try:
        return Mount(tuple(entry["turn_deg"]), float(entry["scale"]), tuple(entry["axis"]))
    except ShapeError as cause:
        raise ValueError(str(cause)) from cause


def _finite(array: np.ndarray, last: int) -> FloatArray:
    array = array.astype(float)
    if array.ndim != 2 or array.shape[1] != last or not np.isfinite(array).all():
        raise ValueError(f"an array of shape {array.shape}; expected finite numbers (k, {last})")
    return array
