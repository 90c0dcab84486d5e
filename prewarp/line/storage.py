"""A family as a file: NPZ without pickles, the same family the same bytes."""

import json
from pathlib import Path

import numpy as np

from prewarp.errors import InputFileError, PrewarpError
from prewarp.files import MEBIBYTE, arrays_digest, npz_bytes, read_npz, write_bytes
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.pupil import PupilFrame
from prewarp.line.basis import FamilyBasis
from prewarp.line.family import ChannelFamily, Family, departures_of, figure_terms_of
from prewarp.line.tracing import RayLattice
from prewarp.trace import design_entries, design_from_entries

FORMAT = "prewarp family 2"
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
        arrays |= {f"channel{place}_{key}": getattr(one.lattice, key) for key in _RAYS}
        entries.append(
            {
                "name": name,
                "rest_px": one.rest_px,
                "pitch_um": one.pitch_um,
                "rays_half_mm": list(one.lattice.half_mm),
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
        )
    header = {
        "format": FORMAT,
        "channels": entries,
        "colors": list(family.colours),
        "wavelengths_nm": list(family.wavelengths_nm),
        "design": design_entries(family.design),
        "provenance": dict(family.provenance),
    }
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
    design = design_from_entries(header["design"], path=path)
    box = arrays["pupil_box_mm"].astype(float)
    channels = {}
    for place, entry in enumerate(header["channels"]):
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
        nominal, modes, figure_modes, border, captured = (
            arrays[f"channel{place}_{key}"].astype(float) for key in _ARRAYS
        )
        tangent, pupil = (arrays[f"channel{place}_{key}"].astype(float) for key in _RAYS)
        half_mm = (float(entry["rays_half_mm"][0]), float(entry["rays_half_mm"][1]))
        which = departures_of(design, str(entry["name"]))
        terms = figure_terms_of(design, str(entry["name"]))
        if (modes.shape[2], figure_modes.shape[1]) != (len(which), len(terms)):
            raise ValueError(f"{modes.shape[2]} modes for {len(which)} tolerances")
        channels[str(entry["name"])] = ChannelFamily(
            nominal_basis,
            basis,
            nominal,
            modes,
            which,
            figure_modes,
            terms,
            float(entry["rest_px"]),
            border,
            captured,
            float(entry["pitch_um"]),
            RayLattice(tangent, pupil, half_mm),
        )
    return Family(
        channels,
        tuple(str(one) for one in header["colors"]),
        tuple(float(one) for one in header["wavelengths_nm"]),
        box,
        design,
        dict(header["provenance"]),
    )
