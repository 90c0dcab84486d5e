"""How far the stated 1-sigma of a fit may be trusted: true error over sigma, cases of `tests.certain_cases`.

    python -m tests.long.certainty [SEEDS] [WORD OF A CASE'S NAME] [PROCESSES]

RMS of error over sigma (ideal 1), the same in the outer tenth of the panel and in the rest, and the share of
places within 1 and within 2 sigma (63 and 98 % for a normal error of two equal components). Six
seeds (of 20), the mesh four:

| case | RMS | outer | rest | within 1 | within 2 |
|---|---|---|---|---|---|
| eyepiece, directions, three depths | 1.06 | 0.85 | 1.09 | 59 % | 96.6 % |
| eyepiece tilted and moved, scattered, z = 0 | 1.01 | 0.92 | 1.02 | 62 % | 97.9 % |
| eyepiece, three colours, z = 0 | 1.07 | 0.91 | 1.08 | 60 % | 96.5 % |
| camera of eight coefficients, directions | 1.05 | 0.99 | 1.06 | 59 % | 97.3 % |
| fisheye, scattered, two depths | 1.02 | 0.97 | 1.02 | 62 % | 97.8 % |
| plane, dots on the panel, z = 0 | 1.08 | 0.93 | 1.10 | 58 % | 96.7 % |
| eyepiece tilted, noise rising to the edges | 1.04 | 0.88 | 1.05 | 59 % | 98.2 % |
| camera, noise told, growing with the pupil | 1.05 | 0.99 | 1.05 | 61 % | 96.8 % |
| bumpy panel, mesh | 1.00 | 0.93 | 1.01 | 65 % | 97.2 % |

Where data show little (`SELDOM_SHOWN`), one seed:

| case | RMS | outer | rest | within 1 | within 2 |
|---|---|---|---|---|---|
| eyepiece, three depths, no noise | 0.90 | 0.78 | 0.92 | 67 % | 99.9 % |
| eyepiece tilted, scattered, no noise | 1.01 | 1.03 | 1.01 | 62 % | 98.6 % |
| camera, no noise | 0.97 | 0.90 | 0.97 | 54 % | 100.0 % |
| eyepiece, 13 x 13 dots | 1.02 | 1.10 | 1.01 | 61 % | 98.7 % |
| eyepiece tilted, 13 x 13 dots | 1.04 | 0.62 | 1.06 | 60 % | 98.0 % |
| eyepiece, 2 x 2 pupils | 0.30 | 0.31 | 0.30 | 100 % | 100.0 % |
| eyepiece, 3 x 3 pupils | 0.93 | 1.09 | 0.91 | 72 % | 97.9 % |
| eyepiece, outside 3 x 3 pupils | 0.98 | 1.04 | 0.97 | 68 % | 98.3 % |
| eyepiece, outside 5 x 5 pupils | 1.04 | 1.01 | 1.04 | 64 % | 96.9 % |
| coaxial demo, 2 x 2 pupils | 0.96 | 1.06 | 0.95 | 57 % | 99.9 % |
| coaxial demo, 3 x 3 pupils | 0.64 | 0.74 | 0.63 | 92 % | 100.0 % |
| coaxial demo, 5 x 5 pupils, no noise | 0.31 | 0.04 | 0.33 | 100 % | 100.0 % |
"""

import os
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np

from prewarp.field import compare_grid, fit_grid
from tests.certain_cases import CASES, PANEL, SELDOM_SHOWN, Case, case, in_outer_tenth
from tests.drawn_optics import CAPTURES, OPTICS, optics_case


def ratios_of(drawn: Case, seeds: range, *, outside: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """Return error over sigma of all seeds and held-out places, and which lie in the outer tenth."""
    found, outer = [], []
    for seed in seeds:
        fields = fit_grid(drawn.drawn(seed), panel_size_px=PANEL, threads=1)
        comparison = compare_grid(fields, drawn.held_out)
        judged = (comparison.inside | outside) & ~comparison.lost
        assert judged.mean() > 0.9
        found.append((comparison.error_px / comparison.sigma_px)[judged])
        outer.append(in_outer_tenth(drawn.held_out.pixel)[judged])
    return np.concatenate(found), np.concatenate(outer)


def ratios(name: str, seeds: range) -> tuple[np.ndarray, np.ndarray]:
    """Return `ratios_of` a case of `tests.certain_cases`."""
    return ratios_of(case(name), seeds, outside="outside" in name)


def ratios_of_optics(capture: str, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Return `ratios_of` some optics of `tests.drawn_optics`, one draw."""
    return ratios_of(optics_case(name, capture), range(1))


def rms(values: np.ndarray) -> float:
    """Return the root mean square."""
    return float(np.sqrt(np.mean(values**2)))


def row(name: str, ratio: np.ndarray, outer: np.ndarray) -> str:
    """Return the figures of a case as text."""
    return (
        f"{name:45s} RMS {rms(ratio):.2f}  outer {rms(ratio[outer]):.2f}  rest {rms(ratio[~outer]):.2f}  "
        f"within 1: {np.mean(ratio < 1):.0%}  within 2: {np.mean(ratio < 2):.1%}"
    )


def asked(name: str, seeds: int) -> range:
    """Return the seeds of a case: without noise all are one."""
    return range(1 if "no noise" in name else seeds)


def cases(run: Callable, seeds: int, word: str) -> None:
    """Print a line for each case: all seeds of all cases are asked at once."""
    names = [name for name in (*CASES, *SELDOM_SHOWN) if word in name]
    jobs = [(name, range(seed, seed + 1)) for name in names for seed in asked(name, seeds)]
    found = list(run(ratios, *zip(*jobs, strict=True)))
    for name in names:
        own = [one for one, (of, _) in zip(found, jobs, strict=True) if of == name]
        print(row(name, *(np.concatenate(parts) for parts in zip(*own, strict=True))), flush=True)


def optics(run: Callable, word: str) -> None:
    """Print a line for each of many optics, and one for all of them together, each counted alike."""
    for capture in (one for one in CAPTURES if word in one):
        found = list(run(partial(ratios_of_optics, capture), OPTICS))
        for name, one in zip(OPTICS, found, strict=True):
            print(row(f"{capture}: {name}", *one), flush=True)
        shares = [[rms(ratio), rms(ratio[outer]), rms(ratio[~outer])] for ratio, outer in found]
        whole, outer, rest = np.sqrt(np.mean(np.square(shares), axis=0))
        within = np.mean([np.mean(ratio < 2) for ratio, _ in found])
        print(f"{capture}: all {whole:.2f}  outer {outer:.2f}  rest {rest:.2f}  within 2: {within:.1%}")


def main(seeds: int = 20, word: str = "", jobs: int = 1) -> None:
    """Print one line a case."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    with ProcessPoolExecutor(jobs) as pool:
        run = pool.map if jobs > 1 else map
        if seeds > 0:
            cases(run, seeds, word)
        optics(run, word)


if __name__ == "__main__":
    main(*(kind(text) for kind, text in zip((int, str, int), sys.argv[1:], strict=False)))
