"""The polynomial family: from samples to a chosen, robustly fitted model. Design's section 3."""

from dataclasses import dataclass, replace

import numpy as np

from prewarp.checks import FloatArray
from prewarp.fitting import moments as sums
from prewarp.fitting.chebyshev import ChebyshevPanel, count_of_degree
from prewarp.fitting.expansion import Expansion
from prewarp.fitting.leastsquares import Factor, assemble, factor
from prewarp.fitting.models import JointColumns, PolynomialModel, columns_of
from prewarp.fitting.moments import Moments
from prewarp.fitting.pupil import pupil_columns
from prewarp.fitting.robust import redescending_weight, robust_scale
from prewarp.fitting.samples import Samples
from prewarp.fitting.selection import RESOLUTION_PX, Choice, FoldEquations, fold_equations

# Degrees tried, cheapest first; the search goes to the next pair when the best degree is at the top of this one.
SEARCH = ((7, 4), (10, 5), (13, 5), (16, 6))
FIRST_MODEL = PolynomialModel(6, 1, 2, -1, 0, 6, 6)
FIRST_SAMPLES = 30_000
# Degree up to which a symmetry that was found at a lower degree is doubted again; highest degree of curl columns tried.
ODD_RETRIED = 3
CURL_TRIED = 2
PUPIL_COSTS = (1, 2)
# Colours differ by so little that their difference needs this many degrees fewer than what they share.
DIFFERENCE_LAG = 2
# Robust weights: at most so many passes; a weight moves when it changes by more than WEIGHT_STEP; settled when fewer
# than this share of the weights moved. Residuals below a few LEAST_SIGMA_PX are never held against a sample.
ROBUST_PASSES = 4
WEIGHT_STEP = 0.02
SETTLED = 2e-4
LEAST_SIGMA_PX = 0.005
# Samples per parameter below which a model is not tried, and the largest model tried: the work grows with its cube.
LEAST_SAMPLES_PER_PARAMETER = 3.0
MOST_PARAMETERS = 2600


@dataclass(frozen=True)
class PolynomialFit:
    """A fitted model of one channel: an expansion per colour and what the fit says of itself.

    `length_px` (n,) residual length, `weight` (n,) robust weight, in the order of the samples; `sigma_px` (colours,) noise per
    axis; `rms_cv_px` cross-validated RMS of the chosen model.
    """

    model: PolynomialModel
    expansions: tuple[Expansion, ...]
    columns: JointColumns
    basis_pupil_degree: int
    factor: Factor
    parameters: int
    length_px: FloatArray
    weight: FloatArray
    sigma_px: FloatArray
    rms_cv_px: float


def pixel_metric(samples: Samples, expansion: Expansion, /) -> FloatArray:
    """Return weights (3, n): the quadratic form (xx, xy, yy) that turns a cosine residual into squared px.

    W = (J J^T)^-1 with J = dq/d(u, v): r^T W r = |J^-1 r|^2.
    """
    metric = np.empty((3, samples.count))
    for low in range(0, samples.count, sums.CHUNK):
        part = slice(low, low + sums.CHUNK)
        _, jacobian = expansion.values_and_jacobian(samples.pixel[part], samples.reference_mm[part])
        xx = jacobian[0, 0] ** 2 + jacobian[0, 1] ** 2
        xy = jacobian[0, 0] * jacobian[1, 0] + jacobian[0, 1] * jacobian[1, 1]
        yy = jacobian[1, 0] ** 2 + jacobian[1, 1] ** 2
        determinant = np.maximum(xx * yy - xy * xy, 1e-300)
        metric[:, part] = np.stack([yy, -xy, xx]) / determinant
    return metric


def residuals(samples: Samples, expansions: tuple[Expansion, ...], /) -> FloatArray:
    """Return q - q_fit (2, n)."""
    rest = np.empty((2, samples.count))
    edges = np.searchsorted(samples.colour, np.arange(samples.colours + 1))
    for colour, expansion in enumerate(expansions):
        for low in range(edges[colour], edges[colour + 1], sums.CHUNK):
            part = slice(low, min(low + sums.CHUNK, edges[colour + 1]))
            rest[:, part] = samples.cosine[part].T - expansion.values(
                samples.pixel[part], samples.reference_mm[part]
            )
    return rest


def metric_length(metric: FloatArray, rest: FloatArray, /) -> FloatArray:
    """Return sqrt(r^T W r) (n,), px."""
    return np.sqrt(
        np.maximum(
            metric[0] * rest[0] ** 2 + 2.0 * metric[1] * rest[0] * rest[1] + metric[2] * rest[1] ** 2, 0.0
        )
    )


def expansions_of(
    coefficients: FloatArray, columns: JointColumns, samples: Samples, basis_pupil_degree: int, degree: int
) -> tuple[Expansion, ...]:
    """Return one expansion per colour from joint coefficients: shared part plus the colour's own difference."""
    pupil = pupil_columns(basis_pupil_degree, samples.frame.half_mm)
    panel = ChebyshevPanel(samples.panel_size_px, degree)
    used_pupil_degree = int(pupil.order[columns.pupil].max(initial=0))
    keep = count_of_degree(used_pupil_degree)
    expansions = []
    for colour in range(samples.colours):
        table = np.zeros((panel.count, len(pupil.order)))
        for block in {0, colour}:
            places, own = columns.of_block(block)
            table[own.panel, own.pupil] += coefficients[places]
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


def first_expansion(samples: Samples, highest_pupil_degree: int) -> Expansion:
    """Return a quick unweighted fit on at most FIRST_SAMPLES samples: good enough for the panel's local scale."""
    step = max(1, samples.count // FIRST_SAMPLES)
    few = samples.take(np.arange(0, samples.count, step))
    unit = np.zeros((3, few.count))
    unit[0] = unit[2] = 1.0
    model = replace(FIRST_MODEL, pupil_degree=min(FIRST_MODEL.pupil_degree, highest_pupil_degree))
    moments = sums.accumulate(few, unit, few.cosine.T, degree=model.degree, pupil_degree=model.pupil_degree)
    return solve_model(moments, model, few)[0][0]


def fit_polynomial(samples: Samples, /) -> PolynomialFit:
    """Choose and fit a polynomial model for all colours of a channel.

    The search climbs through `SEARCH` while the best degree is the highest one tried; robust weights are refreshed with
    the highest model of each step, so that what a low degree cannot follow is not taken for an outlier.
    """
    relative = np.median(samples.sigma_px) / samples.sigma_px
    highest_pupil_degree = samples.highest_pupil_degree
    metric = pixel_metric(samples, first_expansion(samples, highest_pupil_degree)) * relative**2
    weight = np.ones(samples.count)
    model, highest = None, 0
    for degree, wanted_pupil_degree in SEARCH:
        pupil_degree = min(wanted_pupil_degree, highest_pupil_degree)
        top = _affordable(_highest_model(degree, pupil_degree, samples, model), samples)
        if top.degree <= highest:
            break
        highest = top.degree
        moments = sums.accumulate(
            samples, metric * weight, samples.cosine.T, degree=top.degree, pupil_degree=pupil_degree
        )
        weight = _reweight(samples, metric, weight, moments, top)
        equations = fold_equations(moments, replace(top, curl_degree=min(CURL_TRIED, top.pupil_degree)))
        choice = _choose_degree(equations, top)
        model = choice.model
        if model.degree < highest - 1 or choice.rms_px[choice.place] <= RESOLUTION_PX:
            break
    choice = _choose_rest(equations, top, choice)
    model = choice.model.tidied()
    weight = _reweight(samples, metric, weight, moments, model)
    expansions, columns, solver = solve_model(moments, model, samples)
    length = metric_length(metric, residuals(samples, expansions))
    return PolynomialFit(
        model=model,
        expansions=expansions,
        columns=columns,
        basis_pupil_degree=moments.pupil_degree,
        factor=solver,
        parameters=solver.parameters(columns.count),
        length_px=length,
        weight=weight,
        sigma_px=_colour_scales(samples, length),
        rms_cv_px=float(choice.rms_px[choice.place]),
    )


def _highest_model(
    degree: int, pupil_degree: int, samples: Samples, before: PolynomialModel | None
) -> PolynomialModel:
    """Return the largest model of a step of the search; a symmetry found before is given up only in low degrees."""
    odd = {"odd_u_degree": degree, "odd_v_degree": degree}
    if before is not None:
        for name in odd:
            if getattr(before, name) < 0:
                odd[name] = ODD_RETRIED
    difference = degree - DIFFERENCE_LAG if samples.colours > 1 else -1
    return PolynomialModel(degree, 1, pupil_degree, difference, 0, **odd)


def _affordable(model: PolynomialModel, samples: Samples) -> PolynomialModel:
    """Return the model at the highest degree, up to its own, whose parameters are few enough for the samples."""
    while model.degree > 1:
        columns = columns_of(model, samples.colours, basis_pupil_degree=model.pupil_degree)
        if columns.count <= min(MOST_PARAMETERS, 2.0 * samples.count / LEAST_SAMPLES_PER_PARAMETER):
            break
        model = model.with_degree(model.degree - 1)
    return model


def _colour_scales(samples: Samples, length: FloatArray) -> FloatArray:
    return np.array([robust_scale(length[samples.colour == colour]) for colour in range(samples.colours)])


def _reweight(
    samples: Samples, metric: FloatArray, weight: FloatArray, moments: Moments, model: PolynomialModel
) -> FloatArray:
    """Return robust weights for one model, iterated; `moments` follow in place, summed again only where weights changed."""
    for _ in range(ROBUST_PASSES):
        length = metric_length(metric, residuals(samples, solve_model(moments, model, samples)[0]))
        sigma = np.maximum(_colour_scales(samples, length), LEAST_SIGMA_PX)
        wanted = redescending_weight(length, sigma[samples.colour])
        changed = np.flatnonzero(np.abs(wanted - weight) > WEIGHT_STEP)
        few = samples.take(changed)
        sums.add_samples(moments, few, metric[:, changed] * (wanted - weight)[changed], few.cosine.T)
        weight = weight.copy()
        weight[changed] = wanted[changed]
        if changed.size <= SETTLED * samples.count:
            break
    return weight


def _choose_degree(equations: FoldEquations, top: PolynomialModel) -> Choice:
    """Choose mirror symmetry and total degree."""
    model = top
    for name in ("odd_v_degree", "odd_u_degree"):
        mirrored = replace(model, **{name: -1})
        if equations.explains_little(mirrored, model):
            model = equations.choose([mirrored, model]).model
    levels = range(1, model.degree + 1)
    return equations.choose(
        *([replace(model, pupil_cost=cost).with_degree(level) for level in levels] for cost in PUPIL_COSTS)
    )


def _choose_rest(equations: FoldEquations, top: PolynomialModel, choice: Choice) -> Choice:
    """Choose pupil degree, colour difference and curl, one after the other."""
    model = choice.model
    choice = equations.choose([replace(model, pupil_degree=level) for level in range(model.pupil_degree + 1)])
    model = choice.model
    if top.difference_degree >= 0:
        levels = range(-1, top.difference_degree + 1)
        choice = equations.choose([replace(model, difference_degree=level) for level in levels])
        model = choice.model
    with_curl = replace(model, curl_degree=CURL_TRIED)
    if not equations.explains_little(model, with_curl):
        choice = equations.choose([replace(model, curl_degree=level) for level in range(CURL_TRIED + 1)])
    return choice
