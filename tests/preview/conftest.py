"""A small display in closed form, ready to be looked at."""

from dataclasses import dataclass

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.preview.subject import Subject
from prewarp.render.eyemesh import eye_table, weight_map
from prewarp.seam import build_seam
from tests.closed_form import EYE_BOX_CORNERS, PlaneSet, plane_set, two_channels
from tests.render.conftest import context, session_context  # noqa: F401, the same context serves here

HALF_MM = np.array([4.0, 3.0, 2.0])
CONTENT = ContentProjection("flat", (800, 500), 80.0)


@dataclass(frozen=True)
class BoxedSet(PlaneSet):
    """Closed-form channels that also say where pupils were captured."""

    @property
    def pupil_box_mm(self):
        return np.stack([-HALF_MM, HALF_MM])


def make(distance_m=(1.5, 1.5), transfer=None, bits=8, step_px=12.0, content=CONTENT):
    fields = BoxedSet(plane_set(*two_channels((640, 480), distance_m)).fields)
    seam = build_seam(fields, pupils_mm=EYE_BOX_CORNERS)
    names = fields.channels
    return Subject(
        name="closed form",
        fields=fields,
        channels=names,
        seam=seam,
        content=content,
        half_mm=HALF_MM,
        transfers=dict.fromkeys(names, transfer or TransferFunction()),
        bit_depths=dict.fromkeys(names, bits),
        tables={name: eye_table(fields, name, half_mm=HALF_MM, step_px=step_px) for name in names},
        weights={name: weight_map(seam, content, name) for name in names},
        files=(),
    )


@pytest.fixture(scope="session")
def subject():
    return make()


@pytest.fixture(scope="session")
def two_depths():
    """Images at 1 m and at 3 m: the seam breaks when the tracker errs."""
    return make(distance_m=(1.0, 3.0))


SIZE = (480, 300)


def still(name, size):
    """Scenes without reading files: a hard picture for most, a smooth one for the world behind."""
    from tests.render.scenes import hard_scene

    width, height = size
    if name == "quay_by_day":
        v, u = np.mgrid[0:height, 0:width]
        return np.stack([u * 200 // width, v * 200 // height, np.full_like(u, 90)], axis=-1).astype(np.uint8)
    if name == "smooth":
        v, u = np.mgrid[0:height, 0:width]
        waves = 120 + 100 * np.sin(u / width * 20.0) * np.cos(v / height * 14.0)
        return np.stack([waves, 240 - waves, 0.5 * waves + 60], axis=-1).astype(np.uint8)
    return hard_scene(width, height)
