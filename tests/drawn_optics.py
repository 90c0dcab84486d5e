"""Captures of optics drawn by lot: published lenses as optiland carries them, and the traced demo displays.

What a fit states of terms that no data show is a 1-sigma beforehand, of optics as such. Whether it is one can
be seen of many optics only: of one of them the ratio of error to sigma may be anything up to about 2. Each
lens is scaled to a display's focal length, the eye turned and moved before it by lot.
"""

import warnings
from functools import cache

import numpy as np

from tests.certain_cases import HELD_OUT, NOISE_PX, Case, _directions, _on_panel, demo, erfle
from tests.support import require_module
from tests.synthetic import pupil_lattice

PANEL_PX = 2560
# Classes of optiland.samples.objectives: focal length in mm that they are scaled to, and half the field in
# degrees within which all rays of an eye box of +-4 mm, moved and turned as below, come through.
LENSES = {
    "CookeTriplet": (70.0, 11.0),
    "DoubleGauss": (90.0, 9.0),
    "ReverseTelephoto": (70.0, 6.0),
    "HeliarLens": (90.0, 7.0),
    "TessarLens": (70.0, 12.0),
    "PetzvalLens": (90.0, 7.0),
    "Telephoto": (90.0, 7.0),
    "ObjectiveUS008879901": (100.0, 6.0),
}
# How far the eye is turned, degrees, and moved, mm, about x and y at most; its distance before the lens, mm.
MOST_TURN, MOST_SHIFT, RELIEF = 4.0, 2.0, (4.0, 10.0)


@cache
def _lens(name):
    """Return the surfaces behind the object, scaled, and the focal length in mm."""
    require_module("optiland")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from optiland.samples import objectives

        lens = getattr(objectives, name)()
        focal, _ = LENSES[name]
        lens.scale_system(focal / float(lens.paraxial.f2()))
        return tuple(lens.surfaces.surfaces[1:]), focal


def _drawn(name):
    return moved_image(name)


def moved_image(name, pitch_deg=0.0, yaw_deg=0.0, x_mm=0.0, y_mm=0.0, z_mm=0.0):
    """Return what gives panel points, px, of tangents (n, 2) and pupils (n, 3), mm; half field, degrees.

    The eye is turned and moved by so much more than by lot.
    """
    random = np.random.default_rng(list(LENSES).index(name))
    pitch, yaw = np.radians(random.uniform(-MOST_TURN, MOST_TURN, 2))
    shift = random.uniform(-MOST_SHIFT, MOST_SHIFT, 2)
    relief = random.uniform(*RELIEF)
    middle_turn = _turn(pitch, yaw)
    pitch, yaw = pitch + np.radians(pitch_deg), yaw + np.radians(yaw_deg)
    shift, relief = shift + [x_mm, y_mm], relief + z_mm
    surfaces, focal = _lens(name)
    half = LENSES[name][1]
    turn = _turn(pitch, yaw)
    middle = focal * middle_turn[:2, 2] / middle_turn[2, 2]
    per_mm = 0.5 * PANEL_PX / (1.15 * focal * np.tan(np.radians(half)))

    def image(tangent, pupil):
        from optiland.rays import RealRays

        ray = np.concatenate([tangent, np.ones((len(tangent), 1))], axis=1)
        ray /= np.linalg.norm(ray, axis=1, keepdims=True)
        start = pupil @ turn.T + [*shift, -relief]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            rays = RealRays(*start.T, *(ray @ turn.T).T, np.ones(len(ray)), np.full(len(ray), 0.5876))
            for surface in surfaces:
                surface.trace(rays)
        height = np.stack([np.asarray(rays.x), np.asarray(rays.y)], axis=-1)
        return 0.5 * PANEL_PX + (height - middle) * np.array([1.0, -1.0]) * per_mm

    return image, half


def _turn(pitch, yaw):
    (cp, sp), (cy, sy) = ((np.cos(a), np.sin(a)) for a in (pitch, yaw))
    return np.array([[1, 0, 0], [0, cp, sp], [0, -sp, cp]]) @ np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])


OPTICS = (*LENSES, "eyepiece", "eyepiece, tilted", "coaxial demo", "folded demo")
# Pupil positions and dots across, noise per axis in px.
CAPTURES = {
    "2 x 2 pupils": (2, 17, NOISE_PX),
    "3 x 3 pupils": (3, 17, NOISE_PX),
    "5 x 5 pupils, 13 x 13 dots": (5, 13, NOISE_PX),
    "5 x 5 pupils, no noise": (5, 17, 0.0),
}


@cache
def optics_case(name, capture):
    """Return a capture of some optics, and places within it that are held out."""
    across, points, noise_px = CAPTURES[capture]
    if "demo" in name:
        return demo(across, noise_px, name.split()[0])
    if name in LENSES:
        image, half = _drawn(name)
    else:
        tilted = "tilted" in name
        image, half = (
            (lambda t, p: erfle(t, p, pitch_deg=9.0 * tilted, shift_mm=4.0 * tilted)),
            (15.0 if tilted else 21.0),
        )
    rays = _directions(half, points, pupil_lattice(across))
    random = np.random.default_rng(17)
    tangent = np.tan(np.radians(random.uniform(-half, half, (HELD_OUT, 2))))
    pupil = random.uniform(-4.0, 4.0, (HELD_OUT, 3)) * [1.0, 1.0, 0.0]
    grid = _on_panel(*rays, image(*rays))
    return Case(grid, _on_panel(tangent, pupil, image(tangent, pupil)), np.full(len(grid), noise_px))
