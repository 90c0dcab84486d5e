"""Is the error of place that `accept` states as sure as it says? Units with smooth errors drawn by lot.

`python -m tests.long.accept_sigma` takes about a minute of one core. Truth is what 95 % of a dense lattice of
dots and pupil positions stay under, without noise.

Last figures, 40 units, 4 pupil positions, noise 0.02 and 0.2 px: mean error +0.002, +0.017 px, spread 0.009,
0.019; over sigma RMS 0.17, 0.37, none beyond 2: sigma is overstated, positions being taken as by lot.
"""

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from prewarp.acceptance.belonging import lookup_of
from prewarp.acceptance.lengths import length
from prewarp.acceptance.place import noise_of, place_figures
from prewarp.acceptance.predicted import held_against
from prewarp.export.package_reading import read_package
from tests.acceptance.units import PUPILS, capture, package
from tests.export.device_builds import SIZE, small_fields

UNITS = 40
DENSE = np.array([[x, y, 0.0] for x in np.linspace(-3, 3, 5) for y in np.linspace(-2, 2, 5)])


def with_errors(grid, random_state):
    """Return a unit whose dots are off by a quadratic of panel and pupil, drawn by lot."""
    random = np.random.default_rng(random_state)
    off = random.normal(scale=0.12, size=(6, 2)), random.normal(scale=0.08, size=(3, 2, 2))
    own = small_fields().field("left", "G")
    x, y = (2.0 * grid.pixel / SIZE - 1.0).T
    panel = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    slope = np.einsum("nk,kij,nj->ni", panel[:, :3], off[1], grid.pupil_mm[:, :2] / [3.0, 2.0])
    point = own.inverse(grid.tangent, pupil_mm=grid.pupil_mm, margin_px=50.0).pixel
    tangent = own.forward(point + panel @ off[0] + slope, pupil_mm=grid.pupil_mm)
    return replace(grid, tangent=tangent, direction_deg=None)


def main():
    """Print how far off figures are, over what they state."""
    with tempfile.TemporaryDirectory() as folder:
        lookup = lookup_of(read_package(package(Path(folder) / "package")))
    for noise, pupils in ((0.02, PUPILS), (0.2, PUPILS)):
        over, off = [], []
        for unit in range(UNITS):
            dense = with_errors(
                capture(noise_px=0.0, pupils=DENSE, dots=25, colours=("G",)).select(channel="left"), unit
            )
            (truth,) = held_against(dense, lookup).groups
            true = length(truth.step_px)
            fresh = capture(noise_px=noise, seed=unit, pupils=pupils, dots=17, colours=("G",)).select(
                channel="left"
            )
            (group,) = held_against(with_errors(fresh, unit), lookup).groups
            found = place_figures(group, noise_of(group), lookup, None, None, {})[0]
            over.append((found.value - true) / found.sigma)
            off.append(found.value - true)
        over = np.array(over)
        inside, less = (100.0 * np.mean(one) for one in (np.abs(over) <= 2.0, over < -2.0))
        print(
            f"noise {noise} px, {len(pupils)} positions: mean error {np.mean(off):+.3f} px, spread "
            f"{np.std(off):.3f}; over sigma RMS {np.sqrt(np.mean(over**2)):.2f}; "
            f"within 2 sigma {inside:.0f} %, too small by more {less:.0f} %"
        )


if __name__ == "__main__":
    main()
