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
