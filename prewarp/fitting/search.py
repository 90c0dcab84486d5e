"""The search for a polynomial model: what is tried at each step, and what is chosen of it."""

from dataclasses import replace

from prewarp.fitting.models import PolynomialModel, columns_of
from prewarp.fitting.moments import Moments
from prewarp.fitting.samples import Samples
from prewarp.fitting.selection import SURELY_WORTH, WORTH_TRYING, Choice, Split, choose, weighed, worth_of

# Degrees tried: total degree for each of PUPIL_COSTS, and pupil degree. The search goes to the next step when
# the best degree is at the top of this one, or when the highest pupil degree explains more than noise.
PUPIL_COSTS = (1, 2)
Search = tuple[tuple[tuple[int, int], int], ...]
SEARCH: Search = (((10, 13), 4), ((13, 16), 6), ((16, 20), 6))
# Of the trend under a mesh: what a low degree follows over the panel, and all that the pupil asks for.
TREND_SEARCH: Search = (((6, 8), 4),)
# A step of the search goes this many degrees at most beyond the best of the step before.
CLIMB = 3
# Degree of colour differences during the search: what they lack would weigh in the choice of what colours
# share.
SEARCH_DIFFERENCE = 8
# Degrees by which a symmetry that was found at a step before is doubted again; highest degree of curl columns
# tried.
ODD_RETRIED = 3
CURL_TRIED = 2
# Samples per parameter below which a model is not tried, and the largest model tried: the work grows with its
# cube.
LEAST_SAMPLES_PER_PARAMETER = 3.0
MOST_PARAMETERS = 2600


def highest_models(
    degrees: tuple[int, int],
    pupil_degree: int,
    samples: Samples,
    before: PolynomialModel | None,
    carried: int,
    /,
) -> list[PolynomialModel]:
    """Return the largest models of a step, one for each of `PUPIL_COSTS`; `before`: the last step's best.

    `carried`: the highest degree that the panel points carry (`gaps`).
    """
    return [
        _affordable(
            _highest_model(min(_within_climb(degree, before), carried), cost, pupil_degree, samples, before),
            samples,
        )
        for degree, cost in zip(degrees, PUPIL_COSTS, strict=True)
    ]


def of_cost(tops: list[PolynomialModel], model: PolynomialModel, /) -> PolynomialModel:
    """Return the largest model of the pupil cost of `model`."""
    return tops[PUPIL_COSTS.index(model.pupil_cost)]


def _within_climb(degree: int, before: PolynomialModel | None) -> int:
    """Return a step's highest degree; less where the search goes on for the sake of the pupil alone."""
    return degree if before is None else min(degree, before.degree + CLIMB)


def _highest_model(
    degree: int, pupil_cost: int, pupil_degree: int, samples: Samples, before: PolynomialModel | None
) -> PolynomialModel:
    """Return the largest model of a step; a symmetry found before is given up only in low degrees."""
    odd = {"odd_u_degree": degree, "odd_v_degree": degree}
    if before is not None:
        for name in odd:
            if getattr(before, name) < before.degree:
                odd[name] = min(max(getattr(before, name), 0) + ODD_RETRIED, degree)
    difference = min(degree, SEARCH_DIFFERENCE) if samples.colours > 1 else -1
    few = samples.difference_pupil_degree
    return PolynomialModel(
        degree, pupil_cost, pupil_degree, difference, 0, difference_pupil_degree=few, **odd
    )


def product_degrees(tops: list[PolynomialModel], pupil_degree: int) -> tuple[int, ...]:
    """Return the highest panel degree of products of two columns of a model, by degree over the pupil."""
    return tuple(
        max(2 * top.degree - top.pupil_cost * order for top in tops) for order in range(2 * pupil_degree + 1)
    )


def _affordable(model: PolynomialModel, samples: Samples) -> PolynomialModel:
    """Return the model at the highest degree, up to its own, with few enough parameters for the samples."""
    while model.degree > 1:
        columns = columns_of(model, samples.colours, samples.pupil.up_to(model.pupil_degree))
        if columns.count <= min(MOST_PARAMETERS, 2.0 * samples.count / LEAST_SAMPLES_PER_PARAMETER):
            break
        model = model.with_degree(model.degree - 1)
    return model


def choose_degree(shared: Split, tops: list[PolynomialModel], *, is_first: bool) -> Choice:
    """Choose mirror symmetry, pupil cost and total degree of what all colours share.

    A symmetry holds wholly, above a degree, or not at all: a display whose parts are a little shifted breaks
    it in low degrees alone. One that the data broke all through in a step before is not asked for again.
    """
    tops = [replace(top, difference_degree=-1) for top in tops]
    for name in ("odd_v_degree", "odd_u_degree"):
        model = tops[-1]
        if not is_first and getattr(model, name) >= model.degree:
            continue
        chain = [replace(model, **{name: level}) for level in range(-1, getattr(model, name) + 1)]
        worth, place = weighed(shared.whole, chain)
        if worth < WORTH_TRYING or (
            worth < SURELY_WORTH and choose(shared, [chain[0], model]).model == chain[0]
        ):
            place = 0
        if place < model.degree + 1:
            tops = [replace(top, **{name: place - 1}) for top in tops]
    return choose(shared, *([top.with_degree(level) for level in range(1, top.degree + 1)] for top in tops))


def wants_pupil_degree(shared: Split, model: PolynomialModel, highest: int) -> bool:
    """Return whether the highest pupil degree of the moments matters where a higher one could be had."""
    model = model.tidied()
    if not 0 < model.pupil_degree == shared.whole.pupil_degree < highest:
        return False
    alone = replace(model, difference_degree=-1)
    return worth_of(shared.whole, replace(alone, pupil_degree=alone.pupil_degree - 1), alone) >= SURELY_WORTH


def choose_pupil_degree_and_curl(shared: Split, model: PolynomialModel) -> PolynomialModel:
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


def choose_difference(moments: Split, model: PolynomialModel) -> Choice:
    """Choose the degree of what the other colours differ by, with what they share as in `model`."""
    whole = moments.whole
    highest = model.degree if len(whole.samples) > 1 else -1
    chain = [replace(model, difference_degree=level) for level in range(-1, highest + 1)]
    while len(chain) > 1 and _count(chain[-1], whole) > MOST_PARAMETERS:
        chain.pop()
    return choose(moments, chain)


def _count(model: PolynomialModel, moments: Moments) -> int:
    return columns_of(model, moments.samples.shape[0], moments.pupil).count
