"""Time of fitting and evaluating; prints ratios to simpler ways measured in the same run.

Run from the checkout: python -m tests.bench.bench_fit [--quick]

The grid: 2 channels x 3 colours x 75 pupil positions x 33 x 33 points, 0.05 px of noise. The simpler ways:
one fixed model by a bare Kronecker least squares, a polynomial per pupil position, and scipy's
CloughTocher2DInterpolator per pupil position. None of these chooses a model, finds outliers or knows how sure
it is.
"""

import sys
import time

import numpy as np
from scipy.interpolate import CloughTocher2DInterpolator
from threadpoolctl import threadpool_limits

from prewarp.field import fit_grid
from tests.synthetic import make_grid, pupil_lattice

PANEL = (2560, 2560)
PUPILS = pupil_lattice(5, depths_mm=(-2.0, 0.0, 2.0))
DEGREE, PUPIL_DEGREE = 9, 2
NAMES = {"panel": "lattice on the panel", "direction": "lattice in direction", "scattered": "scattered"}


def timed(function, *arguments, repeat=2, **options):
    """Return the shortest of `repeat` wall-clock times in seconds, and the result."""
    best = np.inf
    for _ in range(repeat):
        start = time.perf_counter()
        result = function(*arguments, **options)
        best = min(best, time.perf_counter() - start)
    return best, result


def views(grid):
    """Yield (pixel, tangent) of every channel, colour and pupil position."""
    keys = np.stack([grid.channel, grid.colour, *np.round(grid.pupil_mm, 6).T])
    order = np.lexsort(keys)
    edges = np.flatnonzero(np.any(np.diff(keys[:, order], axis=1) != 0, axis=0)) + 1
    for part in np.split(order, edges):
        yield grid.pixel[part], grid.tangent[part]


def kronecker(grid):
    """Solve one fixed model on the panel lattice: each axis once."""
    points = round((len(grid) / (6 * len(PUPILS))) ** 0.5)
    data = grid.tangent.reshape(6, len(PUPILS), points, points, 2)
    axis = np.polynomial.chebyshev.chebvander(np.linspace(-1.0, 1.0, points), DEGREE)
    x, y, _ = PUPILS.T / 4.0
    pupil = np.stack(
        [x**a * y**b for a in range(PUPIL_DEGREE + 1) for b in range(PUPIL_DEGREE + 1 - a)], axis=1
    )
    panel, over = np.linalg.pinv(axis), np.linalg.pinv(pupil)
    return np.einsum("jp,kv,lu,npvuc->njklc", over, panel, panel, data, optimize=True)


def polynomials(grid):
    """Fit a polynomial of the same degree per pupil position, panel to direction."""
    return [np.linalg.lstsq(_basis(pixel), tangent, rcond=None)[0] for pixel, tangent in views(grid)]


def _basis(pixel):
    u, v = (pixel / 1280.0 - 1.0).T
    degrees = np.add.outer(np.arange(DEGREE + 1), np.arange(DEGREE + 1)).ravel()
    return np.polynomial.chebyshev.chebvander2d(u, v, [DEGREE, DEGREE])[:, degrees <= DEGREE]


def interpolators(grid):
    """Build scipy's smooth interpolator per pupil position, direction to panel, and ask each as often."""
    for pixel, tangent in views(grid):
        CloughTocher2DInterpolator(tangent, pixel)(tangent * 0.99)


def main(*, quick: bool) -> None:
    """Print the tables."""
    points = 17 if quick else 33
    grids = {kind: make_grid(kind, noise_px=0.05, points=points, pupils=PUPILS, seed=1) for kind in NAMES}
    rows = len(grids["panel"])
    times = {}
    for kind, grid in grids.items():
        repeat = 1 if quick else 2
        times[f"fit_grid, {NAMES[kind]}"], fields = timed(fit_grid, grid, panel_size_px=PANEL, repeat=repeat)
        print(f"{kind}: " + "; ".join(f"{one.channel}: {one.model}" for one in fields.reports))
    with threadpool_limits(1, user_api="blas"):
        times["bare Kronecker least squares, one fixed model"], _ = timed(kronecker, grids["panel"])
        times["a polynomial per pupil position"], _ = timed(polynomials, grids["panel"], repeat=1)
        times["CloughTocher2DInterpolator per pupil position"], _ = timed(
            interpolators, grids["panel"], repeat=1
        )
    unit = times["a polynomial per pupil position"]
    print(f"\n{rows} samples; ratios to the polynomial per pupil position")
    for name, seconds in times.items():
        print(f"{name:48s} {seconds:8.2f} s   {seconds / unit:8.2f}")

    print("\nSamples and time, lattice on the panel")
    sizes = (6, 11, 17) if quick else (10, 33, 104)
    for count in sizes:
        grid = make_grid("panel", noise_px=0.05, points=count, pupils=PUPILS, seed=1)
        seconds, _ = timed(fit_grid, grid, panel_size_px=PANEL, repeat=1)
        print(f"{len(grid):9d} samples {seconds:8.2f} s   {seconds / len(grid) * 1e6:8.2f} s per million")

    field = fields.field("inner", "G")
    count = 100_000 if quick else 1_000_000
    random = np.random.default_rng(0)
    pixel = random.uniform(60.0, 2500.0, (count, 2))
    print(f"\n{count} scattered points, forward and inverse")
    for name, depth, same in (
        ("one pupil position, z = 0", 0.0, True),
        ("scattered pupils, z = 0", 0.0, False),
        ("scattered pupils and z", 2.0, False),
    ):
        pupil = random.uniform([-4.0, -4.0, -depth], [4.0, 4.0, depth], (count, 3))
        pupil = pupil[0] if same else pupil
        field.inverse(field.forward(pixel[:10], pupil_mm=[0.0, 0.0, 0.0]), pupil_mm=[0.0, 0.0, 0.0])
        forward, tangent = timed(field.forward, pixel, pupil_mm=pupil)
        inverse, found = timed(field.inverse, tangent, pupil_mm=pupil)
        error = np.nanmax(np.abs(found.pixel - pixel))
        print(
            f"{name:28s} forward {forward:6.2f} s   inverse {inverse:6.2f} s   per million "
            f"{forward * 1e6 / count:5.2f} and "
            f"{inverse * 1e6 / count:5.2f} s; largest difference {error:.1e} px, "
            f"{100 * found.valid.mean():.1f} % valid"
        )


if __name__ == "__main__":
    main(quick="--quick" in sys.argv)
