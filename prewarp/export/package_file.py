"""A file of a package before it is written, with all that the manifest says of it."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from prewarp.export.build import DeviceBuild
from prewarp.files import sha256_of_bytes
from prewarp.mesh import PanelMesh

# Manifests are JSON: what a key holds is known to whoever reads it.
JsonObject = dict[str, Any]

PANEL_FRAME = (
    "panel px; origin at the top-left corner of the active area, first pixel's centre (0.5, 0.5), v down"
)
CONTENT_FRAME = "content px; origin at the picture's top-left corner, first pixel's centre (0.5, 0.5), v down"
DIRECTION_FRAME = "tangents X/Z, Y/Z in the eye's frame; +x to the wearer's right, +y up, +z forward"
PUPIL_FRAME = "mm from the eye-box centre, axes as for directions; +z toward the optics"
# What every manifest says of frames and units.
FRAMES = {
    "panel": PANEL_FRAME,
    "content": CONTENT_FRAME,
    "direction": DIRECTION_FRAME,
    "pupil": PUPIL_FRAME,
    "weight": "drive of white, fraction of linear light, 0 to 1: blend weight times gain",
    "light": "linear and relative, 0 to 1, unless a name says encoded",
}


@dataclass(frozen=True)
class ArrayNote:
    """One array in a file.

    `shape` with the slowest axis first; `axes` names them; `unit`, `frame`; `texels` says where its elements
    lie.
    """

    name: str
    shape: tuple[int, ...]
    axes: tuple[str, ...]
    type: str
    unit: str
    frame: str = ""
    texels: str = ""

    def as_dict(self) -> JsonObject:
        """Return the note for the manifest."""
        return {**asdict(self), "shape": list(self.shape), "axes": list(self.axes)}


@dataclass(frozen=True)
class PackageFile:
    """A file: `path` in the package (with /), content, `kind` for programs, `what` for people, and more."""

    path: str
    data: bytes
    kind: str
    what: str
    arrays: tuple[ArrayNote, ...] = ()
    details: Mapping[str, Any] = field(default_factory=dict)

    def entry(self) -> JsonObject:
        """Return what the manifest says of it."""
        return {
            "path": self.path,
            "sha256": sha256_of_bytes(self.data),
            "bytes": len(self.data),
            "kind": self.kind,
            "what": self.what,
            "arrays": [note.as_dict() for note in self.arrays],
            "details": dict(self.details),
        }


def map_file(
    build: DeviceBuild,
    mesh: PanelMesh,
    pupil: int,
    path: str,
    data: bytes,
    kind: str,
    what: str,
    note: ArrayNote,
    /,
    **details: object,
) -> PackageFile:
    """Return the file of one map: a channel and colour for one of the build's pupil positions.

    `path` with {} where the map's name goes; `details`: what the manifest says of it besides.
    """
    stem = f"{build.stem(mesh.channel)}_{build.colour_stem(mesh.colour)}_p{pupil:03d}"
    own = {"channel": mesh.channel, "color": mesh.colour, "pupil": pupil}
    return PackageFile(path.format(stem), data, kind, what, (note,), {**own, **details})
