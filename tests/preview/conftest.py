"""A small display in closed form, ready to be looked at."""

from dataclasses import dataclass

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.photometry import fit_luminance, match_light
from prewarp.preview.subject import subject_of
from prewarp.seam import build_seam
from tests.closed_form import EYE_BOX_CORNERS, PlaneSet, plane_set, two_channels
from tests.eyes import closed_form_eye
from tests.photometry.truth import SIZE as LIT_SIZE
from tests.photometry.truth import measured_grid
from tests.render.conftest import context, session_context  # noqa: F401, the same context serves here

HALF_MM = np.array([4.0, 3.0, 2.0])
# Luminance shown as white, where it is known.
WHITE = {"R": 0.95, "G": 1.0, "B": 0.9}
CONTENT = ContentProjection("flat", (800, 500), 80.0)


@dataclass(frozen=True)
class BoxedSet(PlaneSet):
    """Closed-form channels that also say where pupils were captured."""

    @property
    def pupil_box_mm(self):
        return np.stack([-HALF_MM, HALF_MM])


def make(
    distance_m=(1.5, 1.5),
    transfer=None,
    bits=8,
    step_px=12.0,
    content=CONTENT,
    size_px=(640, 480),
    match=None,
):
    """`match`: (fields, seam) to a `LightMatch`."""
    fields = BoxedSet(plane_set(*two_channels(size_px, distance_m)).fields)
    seam = build_seam(fields, pupils_mm=EYE_BOX_CORNERS)
    eye = closed_form_eye(
        fields,
        seam=seam,
        match=None if match is None else match(fields, seam),
        content=content,
        transfers=dict.fromkeys(fields.channels, transfer or TransferFunction()),
        bits=dict.fromkeys(fields.channels, bits),
    )
    return subject_of(eye, step_px=step_px, white=WHITE)


@pytest.fixture(scope="session")
def subject():
    return make()


@pytest.fixture(scope="session")
def two_depths():
    """Images at 1 m and at 3 m: the seam breaks when the tracker errs."""
    return make(distance_m=(1.0, 3.0))


@pytest.fixture(scope="session")
def lit():
    """Panels whose luminance differs by a quarter and falls off from a point that moves with the pupil."""
    return make(size_px=LIT_SIZE, step_px=20.0, match=light_match)


def light_match(fields, seam):
    """The match of luminance fitted to noisy captures of `tests.photometry.truth`."""
    maps = fit_luminance(measured_grid(), panel_sizes_px=dict.fromkeys(fields.channels, LIT_SIZE))
    return match_light(fields, maps, seam, pupils_mm=np.vstack([EYE_BOX_CORNERS, np.zeros((1, 3))]))


SIZE = (480, 300)


def still(name, size):
    """Scenes without reading files: a hard picture for most, a smooth one for the world behind."""
    from tests.render.scenes import hard_scene

    width, height = size
    if name == "quay_by_day":
        v, u = np.mgrid[0:height, 0:width]
        return np.stack([u * 200 // width, v * 200 // height, np.full_like(u, 90)], axis=-1).astype(np.uint8)
    if name == "white":
        return np.full((height, width, 3), 255, dtype=np.uint8)
    if name == "smooth":
        v, u = np.mgrid[0:height, 0:width]
        waves = 120 + 100 * np.sin(u / width * 20.0) * np.cos(v / height * 14.0)
        return np.stack([waves, 240 - waves, 0.5 * waves + 60], axis=-1).astype(np.uint8)
    return hard_scene(width, height)
