"""Rows of one channel in, coefficients per colour and what the fit says of itself out."""

from dataclasses import dataclass, replace

import numpy as np

from prewarp.checks import BoolArray, FloatArray, IntArray, finite_rows
from prewarp.errors import FitError
from prewarp.fitting.base import added, differences, trend_of
from prewarp.fitting.certainty import map_pupils, sigma_map
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.lack_of_fit import lack_of_fit
from prewarp.fitting.mesh_fit import MeshFit, fit_mesh, helps, lacks_fit
from prewarp.fitting.models import PolynomialModel
from prewarp.fitting.outlying import outlying
from prewarp.fitting.polynomial import PolynomialFit, fit_polynomial
from prewarp.fitting.residuals import pixel_metric
from prewarp.fitting.samples import Samples, prepare_samples
from prewarp.fitting.search import TREND_SEARCH
from prewarp.fitting.unseen import unseen_functions
from prewarp.frames import cosine_from_tangent, reference_pupil

FAMILIES = ("auto", "polynomial", "mesh")
FEWEST_SAMPLES = 24
# A polynomial this good is not asked whether a mesh does better. Pixels, cross-validated RMS.
FINE_PX = 0.02


@dataclass(frozen=True)
class FitResult:
    """Coefficients of one channel and how they came about.

    `expansions` one per colour; `model` the choice in words; `parameters` numbers estimated, for all colours
    together; `samples` samples used; `sigma_px` (colours,) noise per axis; `misfit_px` (colours,) what the
    model leaves besides, per axis, NaN where views have too few dots to tell the two apart (`sigma_px` then
    holds both); `advice` what to capture more of, where a misfit is sure;
    `floor_px` the RMS error of the map that this noise alone leaves, sigma sqrt(parameters / samples);
    `residual_px` (n,) residual length, NaN for samples not used; `outlier` (n,); `rms_cv_px` cross-validated
    RMS of the chosen model; `pupil_functions` for each degree of the wavefront over the pupil, from 1: how
    many functions the fit has, and how many there are; `unseen` (m, count, 2) what the others may add, as
    `unseen_functions` of the first colour; `certainty_px` (colours, pupils, nodes, nodes) 1-sigma map and
    `certainty_pupil_mm` (pupils, 2), a lattice in the plane z = 0: see `certainty.sigma_between`.
    """

    expansions: tuple[Expansion, ...]
    model: str
    parameters: int
    samples: int
    sigma_px: FloatArray
    misfit_px: FloatArray
    advice: str
    floor_px: float
    residual_px: FloatArray
    outlier: BoolArray
    rms_cv_px: float
    certainty_px: FloatArray
    certainty_pupil_mm: FloatArray
    pupil_functions: tuple[tuple[int, int], ...]
    unseen: FloatArray


@dataclass(frozen=True)
class ChannelSamples:
    """Samples of one channel, ready to be fitted, and what must be known of the rows they were made of.

    `samples.row` are places among the channel's rows, of which there are `rows`; `pupils_mm` (pupils, 2)
    pupil positions in the plane z = 0, of the map that says how sure the fit is.
    """

    samples: Samples
    rows: int
    pupils_mm: FloatArray


def prepare_channel(
    *,
    channel: str,
    panel_size_px: tuple[int, int],
    pixel: FloatArray,
    tangent: FloatArray,
    pupil_mm: FloatArray,
    sigma_px: FloatArray | None,
    colour: IntArray,
    colour_names: tuple[str, ...],
    pupils_estimated: bool = False,
    base: tuple[Expansion, ...] | None = None,
    most_pupil_degree: int | None = None,
) -> ChannelSamples:
    """Make the samples of one channel in all its colours; none of the arrays given is kept.

    Parameters
    ----------
    channel : str
        For messages.
    panel_size_px : (int, int)
        Width and height.
    pixel : (n, 2), tangent : (n, 2), pupil_mm : (n, 3) float arrays
        Panel points (px), directions (tangents) and pupils (mm); rows that are not finite are left out.
    sigma_px : (n,) float array or None
        Standard uncertainty of each sample, px; relative sizes count.
    colour : (n,) int array
        Codes into `colour_names`; code 0 is the reference that the others are fitted as differences from.
    pupils_estimated : bool
        Pupil positions come from these samples: cross-validation leaves out dots alone.
    base : tuple of Expansion, optional
        A known map, one expansion per colour: only what the samples differ by from it is to be fitted.
    most_pupil_degree : int, optional
        Highest degree over the pupil that is tried; as the positions show where left out.

    Raises
    ------
    FitError
        Too few samples of a colour.
    """
    usable = finite_rows(pixel, tangent, pupil_mm)
    if sigma_px is not None:
        usable &= np.isfinite(sigma_px) & (sigma_px > 0.0)
    counts = np.bincount(colour[usable], minlength=len(colour_names))
    for name, count in zip(colour_names, counts, strict=True):
        if count < FEWEST_SAMPLES:
            raise FitError(
                f"channel '{channel}', {name}: {count} usable samples; expected at least {FEWEST_SAMPLES}. "
                "Capture more, or leave the colour out.",
                channel=channel,
                colour=name,
            )
    places = np.flatnonzero(usable)
    if len(places) < len(usable):  # else they need no copy
        pixel, tangent, pupil_mm = (array.take(places, axis=0) for array in (pixel, tangent, pupil_mm))
    samples = prepare_samples(
        panel_size_px=panel_size_px,
        pixel=pixel,
        cosine=cosine_from_tangent(tangent),
        reference_mm=reference_pupil(tangent, pupil_mm),
        pupil_mm=pupil_mm,
        sigma_px=np.ones(len(places)) if sigma_px is None else sigma_px[places],
        colour=colour[places],
        colours=len(colour_names),
        pupils_estimated=pupils_estimated,
        frames=None if base is None else (base[0].frame, trend_of(base[0]).half),
    )
    if most_pupil_degree is not None:
        samples = replace(samples, pupil=samples.pupil.up_to(most_pupil_degree))
    if len(places) < len(usable):
        samples = replace(samples, row=places.astype(np.int32)[samples.row])
    return ChannelSamples(samples, len(usable), map_pupils(samples.frame, pupil_mm))


def fit_channel(
    prepared: ChannelSamples,
    /,
    *,
    family: str = "auto",
    base: tuple[Expansion, ...] | None = None,
    start: PolynomialModel | None = None,
) -> FitResult:
    """Fit all colours of one channel.

    Parameters
    ----------
    prepared : ChannelSamples
        Made with the same `base`.
    family : str
        One of `FAMILIES`.
    base : tuple of Expansion, optional
        A known map, one expansion per colour: only what the samples differ by from it is fitted, by a
        polynomial.
    start : PolynomialModel, optional
        A model from which the search for a polynomial without a base goes on.

    Raises
    ------
    FitError
        An unknown family, or a mesh asked for as a difference.
    """
    require_family(family, is_difference=base is not None)
    samples = prepared.samples
    fit: PolynomialFit | MeshFit
    if base is None:
        fit = _fit_family(samples, family, start)
        expansions, text = fit.expansions, fit.text()
    else:
        fit = fit_polynomial(differences(samples, base), metric=pixel_metric(samples, base[0]))
        expansions = tuple(added(own, one) for own, one in zip(base, fit.expansions, strict=True))
        text = f"difference to an earlier fit: {fit.text()}"
    certainty = sigma_map(fit, samples, prepared.pupils_mm, whole=expansions)
    residual = np.full(prepared.rows, np.nan)
    residual[samples.row] = np.hypot(*fit.rest_px)
    outlier = np.zeros(prepared.rows, dtype=bool)
    outlier[samples.row] = outlying(samples, fit.rest_px)
    used = int(np.sum(fit.weight > 0.5))
    lack = lack_of_fit(samples, fit)
    sigma = np.where(np.isfinite(lack.sigma_px), lack.sigma_px, fit.sigma_px)
    return FitResult(
        expansions=expansions,
        model=text,
        parameters=fit.parameters,
        samples=used,
        sigma_px=sigma,
        misfit_px=lack.misfit_px,
        advice=lack.advice,
        floor_px=float(np.sqrt(np.mean(sigma**2) * fit.parameters / used)),
        residual_px=residual,
        outlier=outlier,
        rms_cv_px=fit.rms_cv_px,
        certainty_px=certainty,
        certainty_pupil_mm=prepared.pupils_mm,
        pupil_functions=_pupil_functions(samples, fit.expansions[0].pupil_degree),
        unseen=unseen_functions(samples, fit.expansions[0]),
    )


def require_family(family: str, /, *, is_difference: bool) -> None:
    """Raise `FitError` for a family that there is not, or a mesh asked for as a difference to a known map."""
    if family not in FAMILIES:
        raise FitError(f"family is '{family}'; expected one of {', '.join(FAMILIES)}.")
    if is_difference and family == "mesh":
        raise FitError("a difference to a known map is fitted by a polynomial; leave the family out.")


def _pupil_functions(samples: Samples, degree: int) -> tuple[tuple[int, int], ...]:
    """Return, for each degree of the wavefront up to `degree` + 1, the functions in use and all there are."""
    orders = samples.pupil.order[~samples.pupil.is_curl]
    return tuple((int(np.sum(orders == order)), order + 2) for order in range(degree + 1))


def _fit_family(samples: Samples, family: str, start: PolynomialModel | None) -> PolynomialFit | MeshFit:
    """Return the fit of a family; "auto" asks for splines where residuals of the polynomial hang together."""
    if family == "mesh":
        return fit_mesh(samples, fit_polynomial(samples, search=TREND_SEARCH))
    polynomial = fit_polynomial(samples, start=start)
    if family == "polynomial" or polynomial.rms_cv_px <= FINE_PX:
        return polynomial
    if not lacks_fit(samples, polynomial.rest_px, polynomial.weight):
        return polynomial
    mesh = fit_mesh(samples, fit_polynomial(samples, search=TREND_SEARCH))
    return mesh if helps(samples, mesh, polynomial) else polynomial
