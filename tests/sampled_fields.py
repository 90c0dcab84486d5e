"""Real fields without a fit: exact samples of the closed form on Chebyshev nodes, expanded axis by axis.

A fit costs seconds, this costs milliseconds; what is left of the expansion is far under a hundredth of an
arcmin.
"""

import numpy as np

from prewarp.chebyshev import values_2d
from prewarp.field import Field, FieldSet
from prewarp.field.border import hull_corners, panel_corners
from prewarp.fitting.chebyshev import ChebyshevPanel
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.pupil import PupilFrame
from prewarp.frames import cosine_from_tangent
from tests.synthetic import PlaneImage, plane_image_forward

PUPIL_BOX_MM = np.array([[-6.0, -5.0, -2.0], [6.0, 5.0, 2.0]])


def sampled_field(
    name: str,
    forward,
    size_px: tuple[int, int],
    *,
    colour: str = "G",
    degree: int = 11,
    pupil_degree: int = 4,
) -> Field:
    """Return the field of `forward(pixel, pupil_mm)`, expanded to these total degrees."""
    panel = ChebyshevPanel(size_px, degree)
    frame = PupilFrame((0.0, 0.0), tuple(PUPIL_BOX_MM[1, :2]))
    nodes = -np.cos(np.pi * (np.arange(2 * degree) + 0.5) / (2 * degree))
    v, u = np.meshgrid(nodes, nodes, indexing="ij")
    pixel = (np.stack([u.ravel(), v.ravel()], axis=-1) + 1.0) * np.array(size_px) / 2.0
    own = -np.cos(np.pi * (np.arange(2 * pupil_degree + 1) + 0.5) / (2 * pupil_degree + 1))
    y, x = np.meshgrid(own, own, indexing="ij")
    pupil = np.stack([x.ravel(), y.ravel(), 0.0 * x.ravel()], axis=-1) * PUPIL_BOX_MM[1]
    cosine = cosine_from_tangent(forward(pixel[:, None], pupil[None]))
    in_panel = np.linalg.pinv(panel.values(pixel).T, rcond=1e-12)
    in_pupil = np.linalg.pinv(values_2d(x.ravel(), y.ravel(), pupil_degree).T)
    coefficients = np.einsum("ip,pec,je->ijc", in_panel, cosine, in_pupil, optimize=True)
    captured = hull_corners(forward(pixel, np.zeros(3)))
    expansion = Expansion(panel, frame, pupil_degree, np.ascontiguousarray(coefficients))
    return Field(name, colour, size_px, expansion, captured, panel_corners(size_px))


def sampled_set(channels: dict[str, PlaneImage], colours=("G",)) -> FieldSet:
    """Return closed-form channels as a `FieldSet` without reports; colours are copies of one."""
    fields = {}
    for name, display in channels.items():
        one = sampled_field(name, lambda p, e, d=display: plane_image_forward(p, e, d), display.size_px)
        for colour in colours:
            fields[name, colour] = Field(
                name, colour, one.panel_size_px, one.expansion, one.captured_tangent, one.border_pixel
            )
    return FieldSet(fields, PUPIL_BOX_MM, (), {"made": "by a test"})
