"""A family as a file: NPZ without pickles, the same family the same bytes."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from prewarp.errors import InputFileError, PrewarpError
from prewarp.files import MEBIBYTE, arrays_digest, npz_bytes, read_npz, write_bytes
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.pupil import PupilFrame
from prewarp.line.basis import FamilyBasis
from prewarp.line.family import (
    ChannelFamily,
    ChannelOptics,
    Family,
    FigureTerm,
    Learned,
    Remainder,
    departures_of,
)
from prewarp.line.tracing import RayLattice
from prewarp.trace import Design, design_entries, design_from_entries

FORMAT = "prewarp family 3"
LIMIT_BYTES = 1024 * MEBIBYTE
_DIGEST = "digest"
_ARRAYS = ("nominal", "modes", "figure_modes", "border_px", "captured_tangent")
_RAYS = ("tangent", "pupil_mm")


def family_bytes(family: Family, /) -> bytes:
    """Return a family as the bytes of its file."""
    arrays = {"pupil_box_mm": family.pupil_box_mm}
    entries = []
    for place, (name, one) in enumerate(family.channels.items()):
        arrays |= {f"channel{place}_{key}": getattr(one, key) for key in _ARRAYS}
        entry: dict[str, Any] = {
            "name": name,
            "rest_px": one.rest_px,
            "labels": list(one.labels),
            "figure_terms": [[term.label, term.step_um, term.variance] for term in one.figure_terms],
            "bases": [
                {
                    "size_px": list(basis.panel.size_px),
                    "degree": basis.degree,
                    "half_px": list(basis.panel.half),
                    "half_mm": list(basis.frame.half_mm),
                    "pupil_degree": basis.pupil_degree,
                }
                for basis in (one.nominal_basis, one.basis)
            ],
        }
        if one.optics is not None:
            lattice = one.optics.lattice
            arrays |= {f"channel{place}_{key}": getattr(lattice, key) for key in _RAYS}
            entry |= {"pitch_um": one.optics.pitch_um, "rays_half_mm": list(lattice.half_mm)}
        if one.remainder is not None:
            arrays[f"channel{place}_remainder"] = one.remainder.columns
            entry["remainder_common"] = one.remainder.common
        entries.append(entry)
    header: dict[str, Any] = {
        "format": FORMAT,
        "channels": entries,
        "colors": list(family.colours),
        "wavelengths_nm": list(family.wavelengths_nm),
        "shared": list(family.shared),
        "provenance": dict(family.provenance),
    }
    if family.design is not None:
        header["design"] = design_entries(family.design)
    if family.learned is not None:
        header["learned"] = asdict(family.learned)
    text = json.dumps(header, sort_keys=True, allow_nan=False).encode("utf-8")
    arrays = {"header": np.frombuffer(text, dtype=np.uint8), **arrays}
    return npz_bytes({**arrays, _DIGEST: arrays_digest(arrays)})


def write_family(path: Path, family: Family, /) -> None:
    """Write a family."""
    write_bytes(path, family_bytes(family))


def read_family(path: Path | str, /) -> Family:
    """Read a family that `write_family` wrote.

    Raises
    ------
    InputFileError
        The file is no such family, is damaged or altered, or is too large.
    """
    path = Path(path)
    arrays = read_npz(path, limit_bytes=LIMIT_BYTES, what="a family (NPZ written by 'prewarp line family')")
    digest = arrays.pop(_DIGEST, None)
    if digest is None or not np.array_equal(digest, arrays_digest(arrays)):
        raise InputFileError(
            f"{path}: not a family as 'prewarp line family' writes one. Name its file, or write it again.",
            path=str(path),
        )
    try:
        return _from_arrays(arrays, str(path))
    except (KeyError, ValueError, TypeError, IndexError, AttributeError, PrewarpError) as cause:
        raise InputFileError(
            f"{path}: not a family that this version can read ({type(cause).__name__}: {cause}). Write it "
            "again by 'prewarp line family'.",
            path=str(path),
        ) from cause


def _from_arrays(arrays: dict[str, np.ndarray], path: str) -> Family:
    header = json.loads(arrays["header"].astype(np.uint8).tobytes().decode("utf-8"))
    if header["format"] != FORMAT:
        raise ValueError(f"format is {header['format']!r}; expected {FORMAT!r}")
    design = design_from_entries(header["design"], path=path) if "design" in header else None
    learned = _learned(header["learned"]) if "learned" in header else None
    if (design is None) == (learned is None):
        raise ValueError("neither a design's nor one from fits")
    shared = tuple(str(one) for one in header["shared"])
    channels = {
        str(entry["name"]): _channel(entry, arrays, f"channel{place}_", design, len(shared))
        for place, entry in enumerate(header["channels"])
    }
    return Family(
        channels,
        tuple(str(one) for one in header["colors"]),
        tuple(float(one) for one in header["wavelengths_nm"]),
        arrays["pupil_box_mm"].astype(float),
        design,
        dict(header["provenance"]),
        shared,
        learned,
    )


def _learned(entry: dict[str, Any]) -> Learned:
    found = Learned(
        int(entry["units"]),
        int(entry["unsolved"]),
        float(entry["inside_freedom"]),
        float(entry["rest_scatter"]),
    )
    if not (found.inside_freedom > 4.0 and found.rest_scatter >= 0.0):
        raise ValueError("what units left out showed is not told")
    return found


def _channel(
    entry: dict[str, Any], arrays: dict[str, np.ndarray], prefix: str, design: Design | None, shared: int
) -> ChannelFamily:
    nominal_basis, basis = (
        FamilyBasis(
            ChebyshevPanel(
                (int(one["size_px"][0]), int(one["size_px"][1])),
                int(one["degree"]),
                (float(one["half_px"][0]), float(one["half_px"][1])),
            ),
            PupilFrame((0.0, 0.0), (float(one["half_mm"][0]), float(one["half_mm"][1]))),
            int(one["pupil_degree"]),
        )
        for one in entry["bases"]
    )
    nominal, modes, figure_modes, border, captured = (arrays[prefix + key].astype(float) for key in _ARRAYS)
    labels = tuple(str(one) for one in entry["labels"])
    terms = tuple(
        FigureTerm(str(label), float(step), float(found)) for label, step, found in entry["figure_terms"]
    )
    if (modes.shape[1:], figure_modes.shape) != (
        (basis.count, len(labels) + shared),
        (basis.count, len(terms)),
    ):
        raise ValueError(f"{modes.shape[2]} modes for {len(labels) + shared} labels")
    optics = remainder = None
    if design is not None:
        which = departures_of(design, str(entry["name"]))
        if len(which) != len(labels):
            raise ValueError(f"{len(labels)} modes for {len(which)} tolerances")
        tangent, pupil = (arrays[prefix + key].astype(float) for key in _RAYS)
        half_mm = (float(entry["rays_half_mm"][0]), float(entry["rays_half_mm"][1]))
        optics = ChannelOptics(which, float(entry["pitch_um"]), RayLattice(tangent, pupil, half_mm))
    else:
        columns = arrays[prefix + "remainder"].astype(float)
        if columns.shape != (basis.count, basis.count):
            raise ValueError(f"a remainder of shape {columns.shape}")
        remainder = Remainder(columns, float(entry["remainder_common"]))
    return ChannelFamily(
        nominal_basis,
        basis,
        nominal,
        modes,
        labels,
        figure_modes,
        terms,
        float(entry["rest_px"]),
        border,
        captured,
        optics,
        remainder,
    )
