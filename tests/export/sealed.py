"""Changing the manifest of a package as a tool would that knows of its digest."""

import json

from prewarp.export.sealing import DIGEST, SIGNATURE, manifest_text, write_seal


def read_manifest(folder):
    return json.loads((folder / "manifest.json").read_text(encoding="utf-8"))


def write_manifest(folder, manifest, sign=None):
    """Write a manifest with its digest, and its signature where there is a key."""
    (folder / "manifest.json").write_text(manifest_text(manifest), encoding="utf-8")
    for name in (DIGEST, SIGNATURE):
        (folder / name).unlink(missing_ok=True)
    write_seal(folder, manifest, sign)
