"""The traced optics as the judge of a fit: where content truly appears, errors of the fit included."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray
from prewarp.field import Field
from prewarp.frames import arcmin_between
from prewarp.module import DisplayModule
from prewarp.trace import Design, trace_channel

# The fit's Jacobian is right to a thousandth or better, so every step gains three digits.
STEPS = 4


@dataclass(frozen=True)
class TracedOptics:
    """A design with its module: what the eye would see of a panel point."""

    design: Design
    module: DisplayModule

    def shown(
        self, field: Field, content: FloatArray, /, *, pupil_mm: FloatArray, tracked_pupil_mm: FloatArray
    ) -> FloatArray:
        """Return the directions (n, 2) in which content meant for `content` (n, 2) is truly seen, tangents.

        The system draws it at field.inverse(content, tracked pupil); the eye at `pupil_mm` sees that panel
        point through the traced optics. NaN where the panel cannot show it or the ray is lost.
        """
        found = field.inverse(content, pupil_mm=tracked_pupil_mm)
        return self.seen(field, np.where(found.valid[:, None], found.pixel, np.nan), pupil_mm=pupil_mm)

    def seen(self, field: Field, pixel: FloatArray, /, *, pupil_mm: FloatArray) -> FloatArray:
        """Return the directions (n, 2) in which panel points (n, 2) are truly seen; NaN where one is NaN, or
        the ray is lost. `field` is where the search starts.
        """
        shown = np.full_like(pixel, np.nan)
        here = np.flatnonzero(np.isfinite(pixel[:, 0]))
        pixel = pixel[here]
        tangent = field.forward(pixel, pupil_mm=pupil_mm)
        slope = field.jacobian(pixel, pupil_mm=pupil_mm)
        channel = self.module.channel(field.channel)
        wavelength = self.module.colour(field.colour).wavelength_nm
        for _ in range(STEPS):
            traced = trace_channel(
                self.design.channel(field.channel),
                channel.panel,
                tangent,
                pupil_mm=pupil_mm,
                wavelength_nm=wavelength,
            )
            tangent = tangent + np.einsum("nij,nj->ni", slope, pixel - traced.pixel)
        shown[here] = tangent
        return shown

    def seam_error_arcmin(
        self,
        fields: Mapping[str, Field],
        content: FloatArray,
        /,
        *,
        pupil_mm: FloatArray,
        tracked_pupil_mm: FloatArray,
    ) -> FloatArray:
        """Return the angle (n,) between the two channels' pictures of each content direction, arcmin; NaN
        where not both show it.
        """
        first, second = (
            self.shown(field, content, pupil_mm=pupil_mm, tracked_pupil_mm=tracked_pupil_mm)
            for field in fields.values()
        )
        return arcmin_between(first, second)
