"""The guide that lies beside targets: how to take the photographs, and what may hurt."""

from collections.abc import Mapping
from typing import Any

# The words of `--help` and of the guide. WCAG 2.3.1 holds flashes that a person may see to three a second.
CAUTIONS = (
    "Bright panels: flat and ramp frames light a whole panel. Nobody looks into the optics while they run; "
    "the camera takes the place of the eye.",
    "Code frames are for a camera and not for a person: they change fast and may flash. Do not show them on "
    "a worn display.",
    "Infrared light of panels or illumination is not seen, and no blink protects the eye "
    "from it: measure it before anybody looks.",
)


def guide_text(summary: Mapping[str, Any], /, *, with_seams: bool) -> str:
    """Return the guide, Markdown, for the summary of `Targets.as_dict`."""
    frames = ", ".join(str(one) for one in summary["exposures_panel_frames"])
    lines = [
        f"# Targets of {summary['module']}",
        "",
        "## Cautions",
        *(f"- {one}" for one in CAUTIONS),
        "",
        "## Taking the photographs",
        f"- `plan.csv` has one row per photograph, {summary['photographs']} in all, from "
        f"{summary['poses']} poses ({summary['turned_poses']} turned). Take them in the order "
        "of `order`, and save each under its `file`, below one folder.",
        "- A row shows its `picture` on the panel of its `channel`; every other panel is black. In rows of "
        "kind `dark` all panels are black.",
        "- Show pictures pixel by pixel, without scaling, colour management, dither or warp. The upper bits "
        "of each sample are the panel's code. Panels that are mirrored or turned need nothing special: "
        "pictures are in the panel's own pixels.",
        "- Put the camera's entrance pupil at `eye_x_mm, eye_y_mm, eye_z_mm` from the eye-box centre, +x to "
        "the wearer's right, +y up, +z toward the optics, and turn it by `yaw_deg` (right), `pitch_deg` "
        "(up), `roll_deg` (counter-clockwise, as the wearer sees). Do not move it between rows of one pose.",
        f"- Exposures are {frames} frames of a panel at {summary['refresh_hz']:g} Hz, whole "
        "ones, so that every line is lit equally often. Choose the lens's stop such that the "
        "brightest dot stays below four fifths of full scale in the shortest exposure, then "
        "leave stop, focus and gain alone.",
        "- Let panels warm up. Keep automatic exposure, white balance, sharpening and noise reduction off.",
    ]
    for one in summary["known_distances"]:
        lines.append(
            f"- Measure how far the camera really went from pose {one['pose_a']} to "
            f"{one['pose_b']} (planned {one['planned_mm']:.3f} mm), by a gauge or a calibrated "
            "scale. Nothing in the photographs shows the common scale of all positions, on which "
            "image vergence in dioptres depends."
        )
    lines += [
        "",
        "## Files",
        "- `marks.csv`: where the light of each dot is centred on its panel, px; its radius; "
        "its name, one character per code frame, 1 where the dot is lit.",
        "- `targets.json`: settings, sine periods, ramp codes, and how many positions and dots are needed.",
    ]
    if with_seams:
        lines.append(
            "- `seam.csv`: pairs of dots of frames of kind `seam`, which an earlier fit puts in "
            "one direction. How far they are apart in the photographs is the step that `prewarp "
            "register` takes: `prewarp extract` measures it and writes the pairs."
        )
    lines += [
        "",
        "## Then",
        "`prewarp extract` makes a grid of the photographs; it needs this folder, theirs, and a camera file "
        "as `prewarp camera` writes it.",
    ]
    return "\n".join(lines) + "\n"
