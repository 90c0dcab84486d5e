"""What a display shall keep, and what was measured of it outside this package: tables of the module file.

All entries are optional. A limit that is not given is no limit, and a report says so; which limits hold for
whom is for qualified people to decide. Frames and units: `prewarp.frames`.
"""

from dataclasses import dataclass

from prewarp.errors import ModuleError
from prewarp.records import Number, Text, checked, validate

_PERCENT = Number(0.0, 100.0, "%")


@dataclass(frozen=True)
class Limits:
    """The largest values that a display may have; None where no limit is set.

    `place_px`, `place_arcmin`: error of place of the correction. `seam_error_p95_arcmin`: what 95 % of time
    samples of natural eye movement stay under, with the given eye tracker. `luminance_step_percent`:
    relative step of a uniform field across the seam. `focus_step_dioptres`: largest difference of image
    vergence across the seam. `field_lost_percent`: of the field of view that no channel lights.

    Examples
    --------
    >>> Limits(place_px=0.5).place_px
    0.5
    """

    place_px: float | None = checked(
        Number(1e-6, 1e4, "px"), default=None, means="how far the correction may put a point off its place"
    )
    place_arcmin: float | None = checked(
        Number(1e-6, 1e4, "arcmin"), default=None, means="the same as an angle"
    )
    seam_error_p95_arcmin: float | None = checked(
        Number(0.01, 600.0, "arcmin"),
        default=None,
        means="seam error that 95 % of time samples stay under, with the given eye tracker",
    )
    luminance_step_percent: float | None = checked(
        _PERCENT, default=None, means="relative step of a uniform field across the seam"
    )
    focus_step_dioptres: float | None = checked(
        Number(0.0, 20.0, "dioptres"),
        default=None,
        means="largest difference of image vergence across the seam",
    )
    field_lost_percent: float | None = checked(
        _PERCENT, default=None, means="part of the field of view that no channel lights"
    )

    def __post_init__(self) -> None:
        validate(self, ModuleError)


@dataclass(frozen=True)
class Measured:
    """What instruments said of a display that no distortion grid holds; None where it was not measured.

    `transmittance_percent`: luminous transmittance for the real world seen through the optics, in the middle
    of the field.
    `ghost_percent`: the strongest secondary image, luminance relative to the image it belongs to.
    `luminance_cd_m2`: of full white there. Each with its standard uncertainty, `..._sigma_...`, in the same
    unit; `note` says how, and with what.

    Raises
    ------
    ModuleError
        A value lies outside its range, or an uncertainty is given without its value.
    """

    transmittance_percent: float | None = checked(
        _PERCENT, default=None, means="luminous transmittance for the real world, middle of the field"
    )
    transmittance_sigma_percent: float | None = checked(
        _PERCENT, default=None, means="its standard uncertainty"
    )
    ghost_percent: float | None = checked(
        _PERCENT, default=None, means="strongest secondary image, relative to its image"
    )
    ghost_sigma_percent: float | None = checked(_PERCENT, default=None, means="its standard uncertainty")
    luminance_cd_m2: float | None = checked(
        Number(0.0, 1e6, "cd/m2"), default=None, means="luminance of full white, middle of the field"
    )
    luminance_sigma_cd_m2: float | None = checked(
        Number(0.0, 1e6, "cd/m2"), default=None, means="its standard uncertainty"
    )
    note: str | None = checked(Text(200), default=None, means="how it was measured, and with what")

    def __post_init__(self) -> None:
        validate(self, ModuleError)
        for quantity, unit in (("transmittance", "percent"), ("ghost", "percent"), ("luminance", "cd_m2")):
            value, sigma = f"{quantity}_{unit}", f"{quantity}_sigma_{unit}"
            if getattr(self, value) is None and getattr(self, sigma) is not None:
                raise ModuleError(
                    f"{sigma} is given without {value}; expected both, or neither. Add the value, or take "
                    "the uncertainty out.",
                    key=sigma,
                )
