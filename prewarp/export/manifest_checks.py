"""Checks of the manifest itself: its digest, its signature, and what it says of the display.

What it says of the display is held to what the rest of the package holds: `truth.npz` carries the same facts
beside what the fit says, the blob of tables its own, and lengths follow from others.
"""

from collections import Counter
from collections.abc import Iterable, Iterator

import numpy as np

from prewarp.export import lookup_files
from prewarp.export.judgement import AS_WRITTEN, Check
from prewarp.export.manifest import FACTS
from prewarp.export.package_file import FRAMES
from prewarp.export.package_reading import MANIFEST, OLDER_VERSION, Package
from prewarp.export.reached import Reached
from prewarp.export.sealing import DIGEST, SIGNATURE, canonical_bytes, read_seal
from prewarp.export.signing import Trust
from prewarp.export.truth import KIND as TRUTH
from prewarp.export.truth import PATH as TRUTH_PATH
from prewarp.export.truth import read_facts
from prewarp.files import sha256_of_bytes
from prewarp.lookup.blob_reading import lookup_from_blob

ARTEFACT = "manifest"
# Numbers of the blob are 32-bit floats.
_SINGLE = 1e-6
# A length that follows from others: the order of the sums may differ.
_SAME = 1e-9


def seal_checks(package: Package, trust: Trust | None, /) -> Iterator[Check]:
    """Judge digest and signature."""
    canonical = canonical_bytes(package.written)
    digest, signature = (read_seal(package.folder, name) for name in (DIGEST, SIGNATURE))
    if digest is None and package.written["version"] == OLDER_VERSION:
        yield Check(ARTEFACT, "digest", None, note="none: written by an earlier version. Export again")
    else:
        good = digest == f"{sha256_of_bytes(canonical)}\n".encode()
        why = f"{DIGEST} is missing" if digest is None else f"{MANIFEST} is not the one that was exported"
        yield Check(ARTEFACT, "digest", good, note="as exported" if good else why)
    if trust is not None:
        good = signature is not None and trust(signature, canonical)
        why = "not signed" if signature is None else "not by the trusted key, or changed since it was signed"
        yield Check(ARTEFACT, "signature", good, note="by the trusted key" if good else why)
    elif signature is not None:
        yield Check(ARTEFACT, "signature", None, note="signed; judged with --trust KEY")


def display_checks(package: Package, /) -> Iterator[Check]:
    """Hold what the manifest says of the display to what the package holds."""
    manifest = package.manifest
    wrong = []
    if manifest["frames"] != FRAMES:
        wrong.append("frames")
    focal = package.content.focal_px
    if not abs(float(manifest["content"]["focal_px"]) - focal) <= _SAME * focal:
        wrong.append("content.focal_px")
    (entry,) = package.entries(TRUTH)
    package.data(entry)
    facts = read_facts(package.path(entry))
    if facts is None and package.written["version"] == OLDER_VERSION:
        yield Check(ARTEFACT, "display", None, note=f"not known: needs facts in {TRUTH_PATH}; export again")
    elif facts is None:
        wrong.append(f"no facts in {TRUTH_PATH}")
    else:
        wrong += [name for name in FACTS if manifest.get(name) != facts.get(name)]
    if facts is not None or wrong:
        note = f"differs from the package: {', '.join(dict.fromkeys(wrong))}"
        yield Check(ARTEFACT, "display", not wrong, note=note if wrong else "agrees with the package")
    for blob in package.entries(lookup_files.BLOB):
        different = list(_unlike_blob(package, package.data(blob), blob["path"]))
        note = f"differ from the manifest: {', '.join(different)}" if different else "agree with the manifest"
        yield Check(ARTEFACT, "tables", not different, note=note)


def claim_checks(recorded: Iterable[Reached], checks: Iterable[Check], /) -> Iterator[Check]:
    """Every error that the manifest claims, once, is one that was measured again (`as_written_checks`)."""
    claims = Counter((one.kind, one.channel, one.colour) for one in recorded)
    twice = [" ".join(key) for key, count in claims.items() if count > 1]
    # What could not be read back is a failed row already.
    shown = {check.artefact for check in checks if check.what == AS_WRITTEN or check.ok is False}
    unshown = sorted({kind for kind, _, _ in claims} - shown)
    why = [f"claimed twice: {', '.join(twice)}"] if twice else []
    why += [f"claimed, and nothing here shows it: {', '.join(unshown)}"] if unshown else []
    yield Check(ARTEFACT, "claimed errors", not why, note="; ".join(why) or f"{len(claims)} measured again")


def _unlike_blob(package: Package, blob: bytes, source: str) -> Iterator[str]:
    lookup = lookup_from_blob(blob, source=source)
    if list(lookup.channels) != package.channels:
        yield "channels"
    elif list(lookup.panel_sizes_px) != [package.panel_size_px(name) for name in package.channels]:
        yield "panel_size_px"
    if list(lookup.colours) != package.colours:
        yield "colors"
    if not _alike(lookup.pupil_box_mm, package.manifest["pupil_box_mm"]):
        yield "pupil_box_mm"
    own, told = lookup.content, package.content
    if own is not None and not (
        own.projection == told.projection
        and own.size_px == told.size_px
        and _alike(own.field_x_deg, told.field_x_deg)
    ):
        yield "content"


def _alike(one: object, other: object) -> bool:
    try:
        a, b = np.asarray(one, dtype=float), np.asarray(other, dtype=float)
    except (TypeError, ValueError):
        return False
    return a.shape == b.shape and bool(np.all(np.abs(a - b) <= _SINGLE * np.maximum(np.abs(a), 1.0)))
