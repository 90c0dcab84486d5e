"""`live_eyes`: what the page draws the eyes of a display from, or why it does not draw them."""

import numpy as np

from prewarp.errors import PrewarpError
from prewarp.export.build import DeviceBuild
from prewarp.report.live.eye_data import JsonObject, eye_data
from prewarp.report.page.display import Display, EyeStudy, PackageFound

_NO_PACKAGE = "it needs the tables of a device package (--package FOLDER, or leave out --no-package)"


def live_eyes(display: Display, /) -> tuple[list[JsonObject], list[str]]:
    """Return what the page draws every eye from that has a package, and why it does not draw the others."""
    packages = {package.eye: package for package in display.packages}
    drawn, missing = [], []
    for study in display.studies:
        try:
            drawn.append(_eye(study, packages.get(study.eye.side or "one")))
        except PrewarpError as cause:
            missing.append(f"{study.eye.name}: {cause}")
    return drawn, missing


def _eye(study: EyeStudy, package: PackageFound | None) -> JsonObject:
    if package is None:
        raise PrewarpError(_NO_PACKAGE)
    if package.lookup is None:
        raise PrewarpError(f"there is no package to draw it from ({_why_none(package).rstrip('.')})")
    eye = study.eye
    late = all(scan is not None for scan in eye.scans.values())
    build = DeviceBuild(eye, np.zeros((1, 3)), package.dither, late=late)
    return eye_data(build, package.lookup)


def _why_none(package: PackageFound) -> str:
    if package.problem or package.result is None:
        return package.problem or "it holds no tables"
    failed = [f"{one.artefact}, {one.what}" for one in package.result.failures]
    return f"checks of it failed: {'; '.join(failed)}" if failed else "it holds no tables"
