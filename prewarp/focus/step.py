"""The focus step across the seam: what no warp can mend."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from prewarp.checks import FloatArray
from prewarp.field.known import motion_not_known
from prewarp.focus.certainty import focus_sigma
from prewarp.focus.wavefront import FocusResult, focus_from_slope

if TYPE_CHECKING:
    from prewarp.field import FieldSet

NO_WARP = (
    "A warp moves the picture within its image plane; it does not move the plane. A focus step across "
    "the seam stays, whatever the correction or the eye tracker: only the optics or the panels' places "
    "change it."
)


@dataclass(frozen=True)
class FocusStep:
    """Focus of two channels in common directions (n, 2), and the step between them.

    `step_dioptres` (n,) second less first: positive where the second channel's image is nearer;
    `sigma_dioptres` (n,) its 1-sigma, NaN where the fit does not say.
    """

    channels: tuple[str, str]
    first: FocusResult
    second: FocusResult
    step_dioptres: FloatArray
    sigma_dioptres: FloatArray

    def as_dict(self) -> dict[str, Any]:
        """Return the step for machines; units are in the keys, None stands for what is not known."""
        size = np.abs(self.step_dioptres)
        known = np.isfinite(size)
        if not known.any():
            return {"channels": list(self.channels), "directions": 0}
        place = int(np.nanargmax(size))
        x, y = np.degrees(np.arctan(self.first.tangent[place]))
        sigma = self.sigma_dioptres[known]
        return {
            "channels": list(self.channels),
            "directions": int(known.sum()),
            "image_vergence_dioptres": {
                name: float(np.mean(one.dioptres[known]))
                for name, one in zip(self.channels, (self.first, self.second), strict=True)
            },
            "image_vergence_axial_dioptres": {
                name: float(np.mean(one.axial_dioptres[known]))
                for name, one in zip(self.channels, (self.first, self.second), strict=True)
            },
            "focus_step_mean_dioptres": float(np.mean(self.step_dioptres[known])),
            "focus_step_rms_dioptres": float(np.sqrt(np.mean(size[known] ** 2))),
            "focus_step_max_dioptres": float(size[place]),
            "focus_step_max_dir_x_deg": float(x),
            "focus_step_max_dir_y_deg": float(y),
            "focus_step_sigma_dioptres": float(np.sqrt(np.mean(sigma**2)))
            if np.isfinite(sigma).all()
            else None,
            "warp_mends_it": False,
        }


def focus_step(
    fields: "FieldSet",
    channels: tuple[str, str],
    tangent: ArrayLike,
    /,
    *,
    pupil_mm: ArrayLike = (0.0, 0.0, 0.0),
    colour: str | None = None,
) -> FocusStep:
    """Return the focus of two channels in directions (n, 2), tangents, and the step between them.

    Parameters
    ----------
    fields : FieldSet
    channels : (str, str)
    tangent : (n, 2) float array
        Directions that both channels show (`prewarp.seam.overlaps`); NaN where one does not, and everywhere
        where a capture does not show every motion of the pupil.
    pupil_mm : (3,) float array
        Pupil position, mm.
    colour : str, optional
        The reference colour if not given.
    """
    colour = fields.colours[0] if colour is None else colour
    tangent = np.asarray(tangent, dtype=float).reshape(-1, 2)
    results, variance = [], np.zeros(len(tangent))
    for name in channels:
        field = fields.field(name, colour)
        found = field.inverse(tangent, pupil_mm=pupil_mm)
        slope = field.pupil_jacobian(found.pixel, pupil_mm=pupil_mm)
        if motion_not_known(fields, [name], "focus step") is not None:
            slope = np.full_like(slope, np.nan)
        results.append(focus_from_slope(tangent, slope))
        middle = np.array(field.panel_size_px) / 2.0
        sigma = focus_sigma(fields, name, colour, np.where(found.valid[:, None], found.pixel, middle))
        variance = variance + np.where(found.valid, sigma**2, np.nan)
    first, second = results
    return FocusStep(
        (channels[0], channels[1]), first, second, second.dioptres - first.dioptres, np.sqrt(variance)
    )
