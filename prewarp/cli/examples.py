"""Example displays to try the way from targets to a package with, before a bench is there."""

from pathlib import Path

from prewarp.capture.camera import Camera, camera_text
from prewarp.resources import resource_path

EXAMPLES = ("coaxial", "folded")
# Three megapixels for 77 x 44 degrees: half a pixel a panel pixel, so that dots do not beat with the panel.
_CAMERA = Camera(
    width_px=2400,
    height_px=1200,
    focal_px=(1500.0, 1500.0),
    centre_px=(1200.0, 600.0),
    aperture_mm=3.0,
    entrance_mm=0.0,
    full_scale=4095.0,
)


def example_files(name: str, module_path: Path, /) -> dict[Path, str]:
    """Return the files of one of `EXAMPLES`: a module's, its design's and a camera's to simulate."""
    text = {
        kind: resource_path("calib", f"{name}.{kind}.toml").read_text(encoding="utf-8")
        for kind in ("design", "module")
    }
    return {
        module_path: text["module"],
        module_path.with_suffix(".design.toml"): text["design"],
        module_path.with_suffix(".camera.toml"): camera_text(_CAMERA),
    }
