"""The manifest of a package, and its JSON Schema."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from importlib import resources

from prewarp.export.build import DeviceBuild
from prewarp.export.judgement import Request
from prewarp.export.package_file import FRAMES, JsonObject, PackageFile
from prewarp.export.package_reading import FORMAT, VERSION
from prewarp.export.reached import Reached

SCHEMA = "manifest.schema.json"
# What says which display it is, and how its numbers are meant; `truth.npz` holds the same.
FACTS = (
    "eye", "frames", "content", "pupil_box_mm", "pupils_mm", "colors", "channels", "blend", "light"
)  # fmt: skip
_CAUTION_LINES = """\
A wrong map, a stale pupil position or swapped channels show a doubled or displaced picture. Someone who \
steers, walks or operates machinery by it can be hurt: give the device a way back to one unwarped channel.
The errors in this manifest are those of the tables against the fit. The fit's own error against the unit on \
the bench is not in them: verify with fresh captures of every unit.
Luminance, flicker, photobiological safety and comfort are not judged here. Follow local codes and licensed \
practice.
Verify the package again after every copy: 'prewarp verify FOLDER'.
"""
CAUTIONS = tuple(_CAUTION_LINES.splitlines())


def manifest_of(
    build: DeviceBuild,
    entries: Sequence[Mapping[str, object]],
    reached: Sequence[Reached],
    /,
    *,
    eye: str,
    request: Request,
    missing: Sequence[Mapping[str, object]],
    version: str,
    provenance: Mapping[str, object] | None = None,
) -> JsonObject:
    """Return the manifest as it is written.

    Parameters
    ----------
    build : DeviceBuild
    entries : sequence
        `PackageFile.entry` of every file but the manifest itself.
    reached : sequence of Reached
        Errors that the artefacts reach.
    eye, request, missing, version, provenance
        Which eye; what was asked for; what is not available and why; of this software; facts about
        the fit.
    """
    return {
        "format": FORMAT,
        "version": VERSION,
        "made_by": f"prewarp {version}",
        **display_facts(build, eye),
        "requested": request.as_dict(),
        "errors_reached": [one.as_dict() for one in reached],
        "files": list(entries),
        "not_available": list(missing),
        "provenance": dict(provenance or {}),
        "cautions": list(CAUTIONS),
    }


def display_facts(build: DeviceBuild, eye: str, /) -> JsonObject:
    """Return what `FACTS` names."""
    content = build.content
    return {
        "eye": eye,
        "frames": dict(FRAMES),
        "content": {
            "projection": content.projection,
            "size_px": list(content.size_px),
            "field_x_deg": content.field_x_deg,
            "focal_px": content.focal_px,
        },
        "pupil_box_mm": build.pupil_box_mm.tolist(),
        "pupils_mm": build.pupils_mm.tolist(),
        "colors": list(build.colours),
        "channels": [_channel(build, name) for name in build.channels],
        "blend": {
            "kind": "none" if build.seam is None else "fixed in direction",
            "feather_deg": None if build.seam is None else build.seam.feather_deg,
            "edge_deg": 0.0 if build.seam is None else build.seam.edge_deg,
        },
        "light": {
            "match": None if build.match is None else build.match.as_dict(),
            "dither": build.dither,
        },
    }


def schema_file() -> PackageFile:
    """Return the JSON Schema of the manifest, for the package."""
    return PackageFile(SCHEMA, schema_bytes(), "schema", "JSON Schema (draft 2020-12) of manifest.json")


def schema_bytes() -> bytes:
    """Return the JSON Schema that ships with the software."""
    return resources.files("prewarp.export").joinpath(SCHEMA).read_bytes()


def _scan(build: DeviceBuild, name: str) -> JsonObject:
    """Return when a channel's lines are lit, as an entry of its own; nothing where that is not declared."""
    scan = build.scan(name)
    if scan is None:
        return {}
    size = build.panel_size_px(name)
    shared_ms = build.eye.weights_for_ms
    figures: JsonObject = {
        **asdict(scan),
        "lit_s": list(scan.lit_s(size)),
        "weights_for_s": None if shared_ms is None else shared_ms / 1000.0,
        "late_rotation": build.late,
    }
    return {"scan": figures}


def _channel(build: DeviceBuild, name: str) -> JsonObject:
    transfer = build.transfer(name)
    return {
        "channel": name,
        "file_stem": build.stem(name),
        "panel_size_px": list(build.panel_size_px(name)),
        "encoding": transfer.kind,
        "gamma": transfer.gamma if transfer.kind == "power" else None,
        "encoding_table": list(transfer.table),
        "bit_depth": build.bit_depth(name),
        "drive_from_content": build.light(name).mixing.tolist(),
        **_scan(build, name),
    }
