"""The step across a seam that `light` expects, against the step that is there.

`python -m tests.long.light_step [DRAWS [FIRST_CASE]]`: for each draw a grid of luminances with new noise,
maps and match from it, and a pupil that was never measured; the light is seen through the closed form of
tests/photometry/truth.py. Printed are how many true steps stay under the stated 95 % bound, and the middle of
what was expected, of the truth and of what the map says of itself.

Last figures, 50 draws each; the map alone says 0.024 % in all of them:

    capture                                 true steps under the bound  expected  bound  true %
    15 x 9 dots, noise 0.3 %                100 %                       0.152     0.249  0.113
    33 x 17 dots, noise 0.3 %               100 %                       0.097     0.157  0.074
    15 x 9 dots, noise 1 %                  100 %                       0.379     0.625  0.324
    15 x 9 dots, noise 0.03 %               100 %                       0.076     0.092  0.073
    33 x 17 dots, lamp drifts by 0.5 %      96 %                        0.341     0.759  0.297
    33 x 17 dots, 3 x 3 pupil positions     100 %                       0.485     1.042  0.108

With 3 x 3 positions at -4, 0 and 4 mm no sample shows x^3 - 16 x: that is in the bound, though not in this
truth.
"""

import sys
from dataclasses import dataclass, replace

import numpy as np

from prewarp.content import ContentProjection
from prewarp.eye import Eye, PanelDrive
from prewarp.module import EyeBox
from prewarp.photometry import SeamProfile, fit_luminance, match_light
from prewarp.photometry.profile import line_tangents
from prewarp.render.seam_light import seam_light
from prewarp.seam import build_seam
from tests.closed_form import EYE_BOX_CORNERS, plane_set, two_channels
from tests.photometry.truth import SIZE, TrueMaps, measured_grid

EYE_BOX = np.vstack([EYE_BOX_CORNERS, np.zeros((1, 3))])
REACH_MM = np.array([3.8, 2.8, 1.8])


def drifting(grid, random):
    """Return the grid as seen by a lamp or an exposure that is a little different in every shot."""
    pupil = np.round(grid.pupil_mm, 6)
    _, shot = np.unique(np.column_stack([pupil, grid.channel]), axis=0, return_inverse=True)
    gain = 1.0 + 0.005 * random.normal(size=int(shot.max()) + 1)
    return replace(grid, luminance=grid.luminance * gain[shot.ravel()])


def three_by_three(grid, random):
    """Return the part at -4, 0 and 4 mm: no sample shows a term x^3 - 16 x."""
    return grid.take(
        np.flatnonzero(np.all(np.isin(np.round(grid.pupil_mm[:, :2]), (-4.0, 0.0, 4.0)), axis=1))
    )


# Captures: panel points across and down at 25 pupil positions, noise as a share of full light.
CASES = {
    "15 x 9 dots, noise 0.3 %": {},
    "33 x 17 dots, noise 0.3 %": {"points": (33, 17)},
    "15 x 9 dots, noise 1 %": {"noise": 0.01},
    "15 x 9 dots, noise 0.03 %": {"noise": 0.0003},
    "33 x 17 dots, lamp drifts by 0.5 % from shot to shot": {"points": (33, 17), "change": drifting},
    "33 x 17 dots, 3 x 3 pupil positions": {"points": (33, 17), "change": three_by_three},
}


@dataclass(frozen=True)
class Step:
    """Largest relative step of any line, percent: stated, and true."""

    by_map: float
    expected: float
    bound: float
    truth: float


def display():
    """Return the closed-form channels in green and their seam."""
    fields = plane_set(*two_channels(SIZE), colours=("G",))
    return fields, build_seam(fields, pupils_mm=EYE_BOX_CORNERS)


def one_step(fields, seam, seed, *, change=None, **capture):
    """Return what `light` says of one capture and one pupil that was not measured, and the truth.

    `change` alters the measured grid.
    """
    grid = measured_grid(seed=seed, colours=("G",), **capture)
    if change is not None:
        grid = change(grid, np.random.default_rng(seed + 2000))
    maps = fit_luminance(grid, panel_sizes_px={name: SIZE for name in fields.channels})
    match = match_light(fields, maps, seam, pupils_mm=EYE_BOX)
    eye = Eye(
        "closed form", None, fields.channels, fields, {name: PanelDrive(SIZE) for name in fields.channels},
        EyeBox(4.0, 3.0, 2.0), ContentProjection("flat", (400, 250), 90.0), match, seam,
    )  # fmt: skip
    pupil = np.random.default_rng(seed + 1000).uniform(-1.0, 1.0, 3) * REACH_MM
    profile = seam_light(eye, pupil_mm=pupil, bits=14, dither="none").after["G"]
    told = profile.as_dict()
    return Step(
        told["step_by_map_percent"],
        told["step_percent"],
        told["step_bound95_percent"],
        float(true_profile(fields, seam, match, profile, pupil).step_percent.max()),
    )


def true_profile(fields, seam, match, profile, pupil):
    """Return the light along a profile's lines, over the target, of drives b tau / T and true luminances."""
    tangent = line_tangents(seam, profile)
    light = np.zeros(tangent.shape[:-1])
    for share, name in zip(seam.weights(tangent), seam.channels, strict=True):
        found = fields.field(name, "G").inverse(tangent, pupil_mm=pupil)
        pixel = np.where(found.valid[..., None], found.pixel, 0.0)
        truth = TrueMaps().map(name, "G").at(pixel, tangent, pupil_mm=pupil)
        light += np.where(found.valid, share * truth, 0.0) / match.maps.map(name, "G").at(
            pixel, tangent, pupil_mm=pupil
        )
    return SeamProfile(
        profile.channels,
        profile.along_deg,
        profile.beside_deg,
        light,
        np.ones_like(light),
        profile.hand_over_deg,
    )


def main(draws, first):
    fields, seam = display()
    for name, capture in list(CASES.items())[first:]:
        steps = [one_step(fields, seam, seed, **capture) for seed in range(draws)]
        held = np.mean([one.truth <= one.bound for one in steps])
        middle = [
            np.median([getattr(one, part) for one in steps])
            for part in ("expected", "bound", "truth", "by_map")
        ]
        print(
            f"{name}: {100.0 * held:.0f} % of {draws} true steps stay under the bound; in the middle "
            "expected {:.3f}, bound {:.3f}, true {:.3f}, by the map alone {:.3f} %".format(*middle)
        )


if __name__ == "__main__":
    main(*(int(one) for one in (*sys.argv[1:], *("50", "0")[len(sys.argv) - 1 :])))
