"""Results of poses kept on disk, so that a run that was interrupted goes on: by the digest of all inputs."""

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np

from prewarp import __version__
from prewarp.capture.camera import camera_text
from prewarp.capture.extract.pose import PoseResult, PoseTask, Rows
from prewarp.capture.extract.seams import Pairs
from prewarp.capture.paths import path_inside
from prewarp.errors import PrewarpError
from prewarp.files import npz_bytes, read_npz, sha256_of_file, write_bytes

_FORMAT = "prewarp pose 5"
_LIMIT_BYTES = 256 << 20
WHAT = "the result of a pose"


def digest_of(task: PoseTask, /) -> str:
    """Return the SHA-256 of all that a pose's result depends on: its photographs, plan, marks and camera."""
    total = hashlib.sha256(f"{_FORMAT} {__version__}\n".encode())
    total.update(camera_text(task.camera).encode())
    # Dots of other channels too: photographs are told from theirs.
    for part in (task.marks.panel_px, task.marks.radius_px, task.marks.mark):
        total.update(np.ascontiguousarray(part, dtype=np.float64).tobytes())
    total.update("".join((*task.marks.channel.tolist(), *task.marks.code)).encode())
    for step, seam in sorted(task.seams.items()):
        total.update(f"{step} {seam.channels} {seam.colour} {seam.radius_px}".encode())
        total.update(np.ascontiguousarray([seam.pixel_a, seam.pixel_b], dtype=np.float64).tobytes())
    total.update(f"{sorted(task.sines.items())} {task.dense if task.sines else ''}".encode())
    for row in task.rows:
        total.update(repr(row).encode())
        total.update(_digest_of_file(task.folder, row.file).encode())
    return total.hexdigest()


def _digest_of_file(folder: Path, name: str) -> str:
    try:
        path = path_inside(folder, name)
        return sha256_of_file(path) if path.is_file() else "missing"
    except (OSError, PrewarpError):
        return "missing"


def save_result(path: Path, result: PoseResult, digest: str, /) -> None:
    """Write the result of a pose (NPZ)."""
    told = {
        "format": _FORMAT,
        "digest": digest,
        "name": result.name,
        "pose": result.pose,
        "turn_deg": list(result.turn_deg),
        "findings": result.findings,
        "refused_views": result.refused_views,
        "figures": result.figures,
        "refused": result.refused,
    }
    arrays = {f"row_{name}": getattr(result.rows, name) for name in Rows.__dataclass_fields__}
    arrays |= {f"pair_{name}": getattr(result.pairs, name) for name in Pairs.__dataclass_fields__}
    arrays |= {"pupil_mm": result.pupil_mm, "walk_mm": result.walk_mm}
    arrays["told"] = np.frombuffer(json.dumps(told, sort_keys=True).encode("utf-8"), dtype=np.uint8)
    write_bytes(path, npz_bytes(arrays))


def load_result(path: Path, digest: str | None = None, /) -> PoseResult | None:
    """Return a result that was saved, None where there is none of this digest or it cannot be read."""
    if not path.is_file():
        return None
    try:
        arrays = read_npz(path, limit_bytes=_LIMIT_BYTES, what=WHAT)
        told: dict[str, Any] = json.loads(arrays["told"].tobytes().decode("utf-8"))
        if told["format"] != _FORMAT or (digest is not None and told["digest"] != digest):
            return None
        return PoseResult(
            name=told["name"],
            pose=told["pose"],
            pupil_mm=arrays["pupil_mm"],
            turn_deg=tuple(told["turn_deg"]),
            rows=Rows(*(arrays[f"row_{name}"] for name in Rows.__dataclass_fields__)),
            walk_mm=arrays["walk_mm"],
            findings=told["findings"],
            refused_views=told["refused_views"],
            figures=told["figures"],
            refused=told["refused"],
            pairs=Pairs(*(arrays[f"pair_{name}"] for name in Pairs.__dataclass_fields__)),
        )
    # A damaged result is no harm: the pose is measured again.
    except (PrewarpError, KeyError, ValueError, TypeError):
        return None
