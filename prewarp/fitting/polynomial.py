"""The polynomial family: from samples to a chosen, robustly fitted model. Design's section 3."""

from dataclasses import dataclass, replace

import numpy as np

from prewarp.checks import FloatArray
from prewarp.fitting import moments as sums
from prewarp.fitting.chebyshev import count_of_degree
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.leastsquares import Factor, assemble, factor
from prewarp.fitting.models import JointColumns, PolynomialModel, columns_of
from prewarp.fitting.moments import Moments
from prewarp.fitting.outlying import colour_scales, robust_weight
from prewarp.fitting.pupil import pupil_columns
from prewarp.fitting.residuals import in_pixels, pixel_metric, residuals
from prewarp.fitting.samples import Samples
from prewarp.fitting.selection import (
    RESOLUTION_PX,
    SURELY_WORTH,
    WORTH_TRYING,
    Choice,
    Split,
    choose,
    split,
    worth_of,
)

# Degrees tried: total degree for each of PUPIL_COSTS, and pupil degree. The search goes to the next step when the best degree is
# at the top of this one, or when the highest pupil degree explains more than noise.
PUPIL_COSTS = (1, 2)
Search = tuple[tuple[tuple[int, int], int], ...]
SEARCH: Search = (((10, 13), 4), ((13, 16), 6), ((16, 20), 6))
# Of the trend under a mesh: what a low degree follows over the panel, and all that the pupil asks for.
TREND_SEARCH: Search = (((6, 8), 4),)
# A step of the search goes this many degrees at most beyond the best of the step before.
CLIMB = 3
# Degree of colour differences during the search: what they lack would weigh in the choice of what colours share.
SEARCH_DIFFERENCE = 8
FIRST_MODEL = PolynomialModel(9, 2, 2, 3, 0, 9, 9)
FIRST_SAMPLES = 30_000
# Degree up to which a symmetry that was found at a lower degree is doubted again; highest degree of curl columns tried.
ODD_RETRIED = 3
CURL_TRIED = 2
# Robust weights, for the model chosen and for one of the search: at most so many passes, settled when what moves is less than
# this share of the sum of squares. A weight moves when it changes by more than WEIGHT_STEP.
ROBUST_PASSES, SEARCH_PASSES = 4, 2
SETTLED, SEARCH_SETTLED = 1e-3, 5e-2
WEIGHT_STEP = 0.02
# Only data that a model follows this well are worth looking at for one that follows them to the last digit. Pixels, RMS.
NEAR_RESOLUTION_PX = 0.02
# Samples per parameter below which a model is not tried, and the largest model tried: the work grows with its cube.
LEAST_SAMPLES_PER_PARAMETER = 3.0
MOST_PARAMETERS = 2600


@dataclass(frozen=True)
class PolynomialFit:
    """A fitted model of one channel: an expansion per colour and what the fit says of itself.

    In the order of the samples: `metric` (3, n) what turns cosines into px (`residuals.pixel_metric`), `rest_px` (2, n)
    residuals, `weight` (n,) robust weight. `sigma_px` (colours,) noise per axis; `rms_cv_px` cross-validated RMS of the chosen model.
    """

    model: PolynomialModel
    expansions: tuple[Expansion, ...]
    columns: JointColumns
    basis_pupil_degree: int
    factor: Factor
    parameters: int
    metric: FloatArray
    rest_px: FloatArray
    weight: FloatArray
    sigma_px: FloatArray
    rms_cv_px: float

    def text(self) -> str:
        """Return the choice in words, for people."""
        return self.model.text()


def expansions_of(
    coefficients: FloatArray, columns: JointColumns, samples: Samples, basis_pupil_degree: int, degree: int
) -> tuple[Expansion, ...]:
    """Return one expansion per colour from joint coefficients: shared part plus the colour's own difference."""
    pupil = pupil_columns(basis_pupil_degree, samples.frame.half_mm)
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
    columns = columns_of(model, samples.colours, basis_pupil_degree=moments.pupil_degree)
    solver = factor(assemble(moments.over_cells(slice(None)), columns))
    coefficients = solver.solve(columns.count, refinements=2)
    return expansions_of(coefficients, columns, samples, moments.pupil_degree, model.degree), columns, solver


def first_expansions(samples: Samples, highest_pupil_degree: int) -> tuple[Expansion, ...]:
    """Return a quick unweighted fit on at most FIRST_SAMPLES samples: good enough for the panel's local scale and gross outliers."""
    step = max(1, samples.count // FIRST_SAMPLES)
    few = samples.take(np.arange(0, samples.count, step))
    unit = np.zeros((3, few.count))
    unit[0] = unit[2] = 1.0
    model = replace(FIRST_MODEL, pupil_degree=min(FIRST_MODEL.pupil_degree, highest_pupil_degree))
    moments = sums.accumulate(
        few,
        unit,
        few.cosine.T,
        degree=model.degree,
        pupil_degree=model.pupil_degree,
        product_degrees=_product_degrees([model], model.pupil_degree),
    )
    return solve_model(moments, model, few)[0]


def fit_polynomial(samples: Samples, /, *, search: Search = SEARCH) -> PolynomialFit:
    """Choose and fit a polynomial model for all colours of a channel.

    The search climbs through `search` while the best degree is the highest one tried; robust weights are refreshed with
    the highest model of each step, so that what a low degree cannot follow is not taken for an outlier.
    """
    relative = np.median(samples.sigma_px) / samples.sigma_px
    highest_pupil_degree = samples.highest_pupil_degree
    first = first_expansions(samples, highest_pupil_degree)
    metric = pixel_metric(samples, first[0]) * relative**2
    weight = robust_weight(samples, in_pixels(metric, residuals(samples, first)))
    model, before = None, (0,) * len(PUPIL_COSTS)
    for degrees, wanted_pupil_degree in search:
        pupil_degree = min(wanted_pupil_degree, highest_pupil_degree)
        tops = [
            _affordable(
                _highest_model(_within_climb(degree, model), cost, pupil_degree, samples, model), samples
            )
            for degree, cost in zip(degrees, PUPIL_COSTS, strict=True)
        ]
        highest = tuple(top.degree for top in tops)
        if highest == before:
            break
        before = highest
        moments = sums.accumulate(
            samples,
            metric * weight,
            samples.cosine.T,
            degree=max(highest),
            pupil_degree=pupil_degree,
            product_degrees=_product_degrees(tops, pupil_degree),
        )
        top = tops[-1] if model is None else tops[PUPIL_COSTS.index(model.pupil_cost)]
        weight, expansions = _reweight(
            samples, metric, weight, moments, top, passes=SEARCH_PASSES, settled=SEARCH_SETTLED
        )
        shared = split(_one_colour(samples, expansions, metric * weight, moments))
        choice = _choose_degree(shared, tops, is_first=model is None)
        model = choice.model
        is_high = model.degree >= tops[PUPIL_COSTS.index(model.pupil_cost)].degree - 1
        if not is_high and not _wants_pupil_degree(shared, model, highest_pupil_degree):
            break
        if choice.rms_px <= NEAR_RESOLUTION_PX:
            choice = _choose_difference(split(moments), model)
            model = choice.model
            if choice.rms_px <= RESOLUTION_PX:
                break
    model = _choose_pupil_degree_and_curl(shared, model)
    choice = _choose_difference(split(moments), model)
    model = choice.model.tidied()
    weight, _ = _reweight(samples, metric, weight, moments, model)
    expansions, columns, solver = solve_model(moments, model, samples)
    rest_px = in_pixels(metric, residuals(samples, expansions))
    return PolynomialFit(
        model=model,
        expansions=expansions,
        columns=columns,
        basis_pupil_degree=moments.pupil_degree,
        factor=solver,
        parameters=solver.parameters(columns.count),
        metric=metric,
        rest_px=rest_px,
        weight=weight,
        sigma_px=colour_scales(samples, np.hypot(*rest_px)),
        rms_cv_px=choice.rms_px,
    )


def _within_climb(degree: int, before: PolynomialModel | None) -> int:
    """Return a step's highest degree, or less: a search that goes on for the sake of the pupil alone asks for little more."""
    return degree if before is None else min(degree, before.degree + CLIMB)


def _highest_model(
    degree: int, pupil_cost: int, pupil_degree: int, samples: Samples, before: PolynomialModel | None
) -> PolynomialModel:
    """Return the largest model of a step of the search; a symmetry found before is given up only in low degrees."""
    odd = {"odd_u_degree": degree, "odd_v_degree": degree}
    if before is not None:
        for name in odd:
            if getattr(before, name) < 0:
                odd[name] = ODD_RETRIED
    difference = min(degree, SEARCH_DIFFERENCE) if samples.colours > 1 else -1
    return PolynomialModel(degree, pupil_cost, pupil_degree, difference, 0, **odd)


def _product_degrees(tops: list[PolynomialModel], pupil_degree: int) -> tuple[int, ...]:
    """Return the highest panel degree that products of two columns of one of the models have, by degree over the pupil."""
    return tuple(
        max(2 * top.degree - top.pupil_cost * order for top in tops) for order in range(2 * pupil_degree + 1)
    )


def _affordable(model: PolynomialModel, samples: Samples) -> PolynomialModel:
    """Return the model at the highest degree, up to its own, whose parameters are few enough for the samples."""
    while model.degree > 1:
        columns = columns_of(model, samples.colours, basis_pupil_degree=model.pupil_degree)
        if columns.count <= min(MOST_PARAMETERS, 2.0 * samples.count / LEAST_SAMPLES_PER_PARAMETER):
            break
        model = model.with_degree(model.degree - 1)
    return model


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
    samples: Samples, expansions: tuple[Expansion, ...], weight: FloatArray, moments: Moments
) -> Moments:
    """Return moments of one colour: what the others differ by, according to `expansions`, taken out of their samples.

    What all colours share can then be chosen with a third of the columns. What the differences lack is left over in every
    model alike, so it does not weigh in the choice.
    """
    if samples.colours == 1:
        return moments
    reference = expansions[0].coefficients
    differences = (
        replace(expansions[0], coefficients=np.zeros_like(reference)),
        *(replace(each, coefficients=each.coefficients - reference) for each in expansions[1:]),
    )
    return sums.with_target(moments, samples, weight, residuals(samples, differences)).over_colours()


def _choose_degree(shared: Split, tops: list[PolynomialModel], *, is_first: bool) -> Choice:
    """Choose mirror symmetry, pupil cost and total degree of what all colours share.

    A symmetry that the data broke in a step before is not asked for again.
    """
    tops = [replace(top, difference_degree=-1) for top in tops]
    for name in ("odd_v_degree", "odd_u_degree"):
        model = tops[-1]
        mirrored = replace(model, **{name: -1})
        doubtful = is_first or getattr(model, name) < model.degree
        worth = worth_of(shared.whole, mirrored, model) if doubtful else np.inf
        if worth < WORTH_TRYING or (
            worth < SURELY_WORTH and choose(shared, [mirrored, model]).model == mirrored
        ):
            tops = [replace(top, **{name: -1}) for top in tops]
    return choose(shared, *([top.with_degree(level) for level in range(1, top.degree + 1)] for top in tops))


def _wants_pupil_degree(shared: Split, model: PolynomialModel, highest: int) -> bool:
    """Return whether the highest pupil degree of the moments matters where a higher one could be had."""
    model = model.tidied()
    if not 0 < model.pupil_degree == shared.whole.pupil_degree < highest:
        return False
    alone = replace(model, difference_degree=-1)
    return worth_of(shared.whole, replace(alone, pupil_degree=alone.pupil_degree - 1), alone) >= SURELY_WORTH


def _choose_pupil_degree_and_curl(shared: Split, model: PolynomialModel) -> PolynomialModel:
    """Choose pupil degree and curl of what all colours share; the difference degree is kept."""
    alone = replace(model, difference_degree=-1)
    alone = choose(
        shared, [replace(alone, pupil_degree=level) for level in range(model.pupil_degree + 1)]
    ).model
    highest = min(CURL_TRIED, shared.whole.pupil_degree)
    with_curl = replace(alone, curl_degree=highest)
    if highest > 0 and worth_of(shared.whole, alone, with_curl) >= SURELY_WORTH:
        alone = choose(shared, [replace(alone, curl_degree=level) for level in range(highest + 1)]).model
    return replace(alone, difference_degree=model.difference_degree)


def _choose_difference(moments: Split, model: PolynomialModel) -> Choice:
    """Choose the degree of what the other colours differ by, with what they share as in `model`."""
    whole = moments.whole
    highest = model.degree if len(whole.samples) > 1 else -1
    chain = [replace(model, difference_degree=level) for level in range(-1, highest + 1)]
    while len(chain) > 1 and _count(chain[-1], whole) > MOST_PARAMETERS:
        chain.pop()
    return choose(moments, chain)


def _count(model: PolynomialModel, moments: Moments) -> int:
    return columns_of(model, moments.samples.shape[0], basis_pupil_degree=moments.pupil_degree).count
