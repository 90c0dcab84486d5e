"""How each channel's panel lies: mirror images, half and quarter turns, and what proves them right.

An image mirrored by the optics (an odd number of mirrors) and a column with a wrong sign look alike on the
panel. The pupil tells the sign of directions: an image stands ahead, so its directions move against the pupil
along both axes. No mend is proposed here that would mirror the picture of a device that is right.
"""

from collections.abc import Iterator, Mapping

import numpy as np

from prewarp.checking.affine import Frame
from prewarp.checking.pupil_trend import PupilTrend
from prewarp.checking.pupils import LEAST_DIOPTRES
from prewarp.checking.result import Finding, finding
from prewarp.checking.samples import Samples
from prewarp.checks import FloatArray
from prewarp.module import DisplayModule

_TEXT = {
    "u backwards": "u runs against +x (mirror image)",
    "v upwards": "v runs up (mirror image)",
    "half turn": "u runs against +x and v runs up (panel turned by half a turn)",
    "quarter turn": "u runs along y and v along x (panel turned by a quarter turn)",
    "quarter turn mirrored": "u runs along y and v along x (mirror image, or two columns swapped)",
}
_MIRRORED = ("u backwards", "v upwards", "quarter turn mirrored")


def orientations(references: Mapping[int, FloatArray], frame: Frame) -> dict[int, str]:
    """Return how the panel of each channel lies: "usual" (u right, v down) or a key of the texts here."""
    return {channel: _orientation(reference, frame) for channel, reference in references.items()}


def is_mirrored(orientation: str) -> bool:
    """Return whether an orientation is a mirror image."""
    return orientation in _MIRRORED


def _orientation(reference: FloatArray, frame: Frame) -> str:
    (xu, xv), (yu, yv) = reference[:, 1:] / frame.half
    mirrored = xu * yv - xv * yu > 0.0  # usual: u right, v down, so the determinant is negative
    if abs(xv) + abs(yu) > abs(xu) + abs(yv):
        return "quarter turn mirrored" if mirrored else "quarter turn"
    if mirrored:
        return "u backwards" if xu < 0.0 else "v upwards"
    return "half turn" if xu < 0.0 else "usual"


def declared_mirrored(module: DisplayModule | None, channel: str) -> bool | None:
    """Return whether a module declares the panel of a channel mirrored; None where it says nothing."""
    if module is None:
        return None
    return next((one.panel.mirrored for one in module.channels if one.name == channel), None)


def check_orientation(
    samples: Samples,
    lies: Mapping[int, str],
    trends: Mapping[int, PupilTrend],
    module: DisplayModule | None,
) -> Iterator[Finding]:
    """Yield findings about channels that are not upright: as declared, proven by the pupil, or not known."""
    colours = len(samples.grid.colour_names)
    for channel, value in lies.items():
        name = samples.grid.channel_names[channel]
        declared = declared_mirrored(module, name)
        mirrored = is_mirrored(value)
        if declared is not None and declared != mirrored:
            yield _undeclared(name, value) if mirrored else _not_mirrored(name)
        elif declared and value != "quarter turn mirrored":
            continue
        elif mirrored and declared is None:
            alone = not all(is_mirrored(other) for other in lies.values())
            own = [trend for pair, trend in trends.items() if pair // colours == channel]
            yield _mirrored(name, value, own, alone)
        elif value != "usual":
            yield finding(
                "axis",
                "remark",
                f"{_TEXT[value]}.",
                "Nothing needs mending if the panel is mounted so.",
                channel=name,
            )


def _undeclared(name: str, value: str) -> Finding:
    return finding(
        "axis",
        "error",
        f"{_TEXT[value]}, which the module description does not declare.",
        f"If optics or mounting mirror the picture, set mirrored = true under [channel.{name}.panel]; if "
        "not, find the column with the wrong sign by a picture with letters on the display.",
        channel=name,
    )


def _not_mirrored(name: str) -> Finding:
    return finding(
        "axis",
        "error",
        "the picture is no mirror image, yet the module description declares mirrored = true.",
        f"If optics and mounting do not mirror the picture, take mirrored out of [channel.{name}.panel]; if "
        "they do, find the column with the wrong sign by a picture with letters on the display.",
        channel=name,
    )


def _mirrored(name: str, value: str, trends: list[PupilTrend], alone: bool) -> Finding:
    """Return what is known of a mirror image that nothing declares; `alone`: other channels are upright."""
    declare = f"Declare it in a module description: mirrored = true under [channel.{name}.panel]."
    dioptres = [proven for trend in trends if (proven := _of_one_sign(trend)) is not None]
    if dioptres:
        x, y = np.median(dioptres, axis=0)
        return finding(
            "axis",
            "remark",
            f"{_TEXT[value]}; the pupil's motion says that the directions are right ({x:.2f} and {y:.2f} "
            "dioptres along x and y, of one sign).",
            f"Nothing needs mending if optics or mounting mirror the picture. {declare}",
            channel=name,
        )
    if not alone:
        return finding(
            "axis",
            "remark",
            f"{_TEXT[value]}, as in every channel.",
            f"Nothing needs mending if optics or mounting mirror the picture. {declare}",
            channel=name,
        )
    return finding(
        "axis",
        "warning",
        f"{_TEXT[value]}, unlike in other channels; whether that is right is not known: needs pupil "
        "positions along x and y and an image that is not too far away.",
        f"Look at a picture with letters on the display. If the optics mirror it: {declare[0].lower()}"
        f"{declare[1:]}",
        channel=name,
    )


def _of_one_sign(trend: PupilTrend) -> FloatArray | None:
    """Return the dioptres along x and y where both are known to have one sign."""
    dioptres: FloatArray = np.diag(trend.curvature_dioptres)
    least = max(LEAST_DIOPTRES, 6000.0 * trend.shift_error)
    known = (dioptres > least).all() or (dioptres < -least).all()
    return dioptres if known else None
