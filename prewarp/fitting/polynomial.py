"""The polynomial family: from samples to a chosen, robustly fitted model."""

from dataclasses import dataclass, replace

import numpy as np

from prewarp.chebyshev import count_of_degree
from prewarp.checks import FloatArray
from prewarp.fitting import moments as sums
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.gaps import degree_carried
from prewarp.fitting.leastsquares import Factor, assemble, factor
from prewarp.fitting.models import JointColumns, PolynomialModel, columns_of
from prewarp.fitting.moments import Moments
from prewarp.fitting.outlying import colour_scales, robust_weight
from prewarp.fitting.pupil import PupilColumns
from prewarp.fitting.residuals import in_pixels, pixel_metric, residuals
from prewarp.fitting.samples import Samples
from prewarp.fitting.search import (
    SEARCH,
    Search,
    choose_degree,
    choose_difference,
    choose_pupil_degree_and_curl,
    highest_models,
    of_cost,
    product_degrees,
    wants_pupil_degree,
)
from prewarp.fitting.selection import RESOLUTION_PX, split

FIRST_MODEL = PolynomialModel(9, 2, 2, 3, 0, 9, 9)
FIRST_SAMPLES = 30_000
# Robust weights, for the model chosen and for one of the search: at most so many passes, settled when what
# moves is less than this share of the sum of squares. A weight moves when it changes by more than
# WEIGHT_STEP.
ROBUST_PASSES, SEARCH_PASSES = 4, 2
SETTLED, SEARCH_SETTLED = 1e-3, 5e-2
WEIGHT_STEP = 0.02
# Only data that a model follows this well are worth looking at for one that follows them to the last digit.
# Pixels, RMS.
NEAR_RESOLUTION_PX = 0.02


@dataclass(frozen=True)
class PolynomialFit:
    """A fitted model of one channel: an expansion per colour and what the fit says of itself.

    In the order of the samples: `metric` (3, n) what turns cosines into px (`residuals.pixel_metric`),
    `rest_px` (2, n) residuals, `weight` (n,) robust weight. `sigma_px` (colours,) noise per axis; `rms_cv_px`
    cross-validated RMS of the chosen model. `pupil` is what `columns` count over the pupil. `moments`, one
    cell, are of the columns of all that was tried, up to the model `widest`, and of what the samples leave
    over: what was left out can be looked at again. Of the samples themselves rounding, and the pull of
    `leastsquares.RIDGE`, would leave some 0.002 px.
    """

    model: PolynomialModel
    expansions: tuple[Expansion, ...]
    columns: JointColumns
    pupil: PupilColumns
    factor: Factor
    parameters: int
    metric: FloatArray
    rest_px: FloatArray
    weight: FloatArray
    sigma_px: FloatArray
    rms_cv_px: float
    moments: Moments
    widest: PolynomialModel

    def text(self) -> str:
        """Return the choice in words, for people."""
        return self.model.text()


def expansions_of(
    coefficients: FloatArray, columns: JointColumns, samples: Samples, pupil: PupilColumns, degree: int
) -> tuple[Expansion, ...]:
    """Return one expansion per colour from joint coefficients: shared part plus own difference."""
    panel = samples.panel_basis(degree)
    used_pupil_degree = int(pupil.order[columns.pupil].max(initial=0))
    keep = count_of_degree(used_pupil_degree)
    expansions = []
    for colour in range(samples.colours):
        table = np.zeros((panel.count, len(pupil.order)))
        for block in {0, colour}:
            own = np.flatnonzero(columns.block == block)
            table[columns.panel[own], columns.pupil[own]] += coefficients[own]
        full = np.stack([table @ pupil.x, table @ pupil.y], axis=-1)
        expansions.append(
            Expansion(panel, samples.frame, used_pupil_degree, np.ascontiguousarray(full[:, :keep]))
        )
    return tuple(expansions)


def solve_model(
    moments: Moments, model: PolynomialModel, samples: Samples
) -> tuple[tuple[Expansion, ...], JointColumns, Factor]:
    """Return the expansions of one model from moments, with its columns and factor."""
    columns = columns_of(model, samples.colours, moments.pupil)
    solver = factor(assemble(moments.over_cells(slice(None)), columns))
    coefficients = solver.solve(columns.count, refinements=2)
    return expansions_of(coefficients, columns, samples, moments.pupil, model.degree), columns, solver


def first_expansions(samples: Samples) -> tuple[Expansion, ...]:
    """Return a quick unweighted fit on FIRST_SAMPLES samples: enough for local scale and gross outliers."""
    few, _ = samples.thinned(FIRST_SAMPLES)
    unit = np.zeros((3, few.count))
    unit[0] = unit[2] = 1.0
    model = replace(
        FIRST_MODEL,
        pupil_degree=min(FIRST_MODEL.pupil_degree, samples.pupil.degree),
        difference_pupil_degree=samples.difference_pupil_degree,
    )
    model = model.with_degree(degree_carried(few, model.degree))
    moments = sums.accumulate(
        few,
        unit,
        few.cosine.T,
        degree=model.degree,
        pupil_degree=model.pupil_degree,
        product_degrees=product_degrees([model], model.pupil_degree),
    )
    return solve_model(moments, model, few)[0]


def fit_polynomial(
    samples: Samples,
    /,
    *,
    search: Search = SEARCH,
    metric: FloatArray | None = None,
    start: PolynomialModel | None = None,
) -> PolynomialFit:
    """Choose and fit a polynomial model for all colours of a channel.

    The search climbs through `search` while the best degree is the highest one tried; robust weights are
    refreshed with the highest model of each step, so that what a low degree cannot follow is not taken for an
    outlier. `metric` (3, n): what turns residuals into squared px, where the samples themselves do not say
    it: differences to a known map. `start`: what the search's first step would find, where that is known.
    """
    relative = np.median(samples.sigma_px) / samples.sigma_px
    highest_pupil_degree = samples.pupil.degree
    first = first_expansions(samples)
    metric = (pixel_metric(samples, first[0]) if metric is None else metric) * relative**2
    weight = robust_weight(samples, in_pixels(metric, residuals(samples, first)))
    carried = degree_carried(samples, max(max(degrees) for degrees, _ in search))
    model: PolynomialModel | None = None
    before, asked, fine = None, None, None
    if start is not None:
        # The next step is tried whole: one that stops short of its degrees asks for another.
        known, search = search[0], search[1:]
        model = replace(start, degree=max(start.degree, *known[0]))
    for degrees, wanted_pupil_degree in search:
        pupil_degree = min(wanted_pupil_degree, highest_pupil_degree)
        tops = highest_models(degrees, pupil_degree, samples, model, carried)
        highest = tuple(top.degree for top in tops)
        # Few dots carry no higher degree over the panel; over the pupil there may be one.
        if before == (highest, pupil_degree):
            break
        before, asked = (highest, pupil_degree), None
        moments = sums.accumulate(
            samples,
            (metric, weight),
            samples.cosine.T,
            degree=max(highest),
            pupil_degree=pupil_degree,
            product_degrees=product_degrees(tops, pupil_degree),
        )
        top = tops[-1] if model is None else of_cost(tops, model)
        weight, expansions = _reweight(
            samples, metric, weight, moments, top, passes=SEARCH_PASSES, settled=SEARCH_SETTLED
        )
        shared = split(_one_colour(samples, expansions, (metric, weight), moments))
        choice = choose_degree(shared, tops, is_first=model is None)
        model = choice.model
        is_high = model.degree >= of_cost(tops, model).degree - 1
        if not is_high and not wants_pupil_degree(shared, model, highest_pupil_degree):
            break
        if choice.rms_px <= NEAR_RESOLUTION_PX:
            asked, choice = model, choose_difference(split(moments), model)
            model = choice.model
            if samples.colours > 1 and (fine is None or choice.rms_px < fine.rms_px):
                fine = choice
            if choice.rms_px <= RESOLUTION_PX:
                break
    assert model is not None  # the search has a first step
    model = choose_pupil_degree_and_curl(shared, model)
    # The last step may have asked this already, of the same sums.
    if asked is None or replace(asked, difference_degree=model.difference_degree) != model:
        choice = choose_difference(split(moments), model)
    # A step judges by what colours share. Where that is known to the last digit, what they differ by weighs
    # more, and a larger shared part may leave it too few parameters.
    if fine is not None and fine.rms_px < choice.rms_px and of_cost(tops, fine.model).holds(fine.model):
        choice = fine
    model = choice.model.tidied()
    weight, _ = _reweight(samples, metric, weight, moments, model)
    expansions, columns, solver = solve_model(moments, model, samples)
    rest = residuals(samples, expansions)
    rest_px = in_pixels(metric, rest)
    return PolynomialFit(
        model=model,
        expansions=expansions,
        columns=columns,
        pupil=moments.pupil,
        factor=solver,
        parameters=solver.parameters(columns.count),
        metric=metric,
        rest_px=rest_px,
        weight=weight,
        sigma_px=colour_scales(samples, np.hypot(*rest_px)),
        rms_cv_px=choice.rms_px,
        moments=sums.with_target(moments, samples, (metric, weight), rest).over_cells(slice(None)),
        widest=of_cost(tops, model),
    )


def _reweight(
    samples: Samples,
    metric: FloatArray,
    weight: FloatArray,
    moments: Moments,
    model: PolynomialModel,
    *,
    passes: int = ROBUST_PASSES,
    settled: float = SETTLED,
) -> tuple[FloatArray, tuple[Expansion, ...]]:
    """Return robust weights for one model, iterated, and the last expansions; `moments` follow in place."""
    for _ in range(passes):
        expansions = solve_model(moments, model, samples)[0]
        rest_px = in_pixels(metric, residuals(samples, expansions))
        wanted = robust_weight(samples, rest_px)
        changed = np.flatnonzero(np.abs(wanted - weight) > WEIGHT_STEP)
        few, step = samples.take(changed), (wanted - weight)[changed]
        sums.add_samples(moments, few, metric[:, changed] * step, few.cosine.T)
        weight = weight.copy()
        weight[changed] = wanted[changed]
        squared = rest_px[0] ** 2 + rest_px[1] ** 2
        if np.abs(step) @ squared[changed] <= settled * (weight @ squared):
            break
    return weight, expansions


def _one_colour(
    samples: Samples, expansions: tuple[Expansion, ...], weight: sums.Weights, moments: Moments
) -> Moments:
    """Return moments of one colour: what others differ by, as `expansions` say, is taken out of them.

    What all colours share can then be chosen with a third of the columns. What the differences lack is left
    over in every model alike, so it does not weigh in the choice.
    """
    if samples.colours == 1:
        return moments
    reference = expansions[0].coefficients
    differences = (
        replace(expansions[0], coefficients=np.zeros_like(reference)),
        *(replace(each, coefficients=each.coefficients - reference) for each in expansions[1:]),
    )
    return sums.with_target(moments, samples, weight, residuals(samples, differences)).over_colours()
