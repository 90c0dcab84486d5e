"""How far the stated 1-sigma of a fit may be trusted: true error over sigma, cases of `tests.certain_cases`.

    python -m tests.long.certainty [SEEDS] [WORD OF A CASE'S NAME] [PROCESSES]

RMS of error over sigma (ideal 1), the same in the outer tenth of the panel and in the rest, and the share of
places within 1 and within 2 sigma (63 and 98 % for a normal error of two equal components). Twenty seeds
(all of this took 46 s by 16 processes):

| case | RMS | outer | rest | within 1 | within 2 |
|---|---|---|---|---|---|
| eyepiece, directions, three depths | 1.02 | 0.83 | 1.04 | 62 % | 97.3 % |
| eyepiece tilted and moved, scattered, z = 0 | 1.02 | 0.94 | 1.03 | 62 % | 97.6 % |
| eyepiece, three colours, z = 0 | 1.04 | 0.90 | 1.06 | 61 % | 97.0 % |
| camera of eight coefficients, directions | 1.06 | 1.00 | 1.07 | 59 % | 97.1 % |
| fisheye, scattered, two depths | 1.05 | 0.97 | 1.05 | 61 % | 97.2 % |
| plane, dots on the panel, z = 0 | 1.10 | 0.96 | 1.12 | 57 % | 95.9 % |
| eyepiece tilted, noise rising to the edges | 1.00 | 0.87 | 1.01 | 63 % | 98.1 % |
| camera, noise told, growing with the pupil | 1.05 | 0.96 | 1.06 | 60 % | 96.9 % |
| bumpy panel, mesh | 1.01 | 0.96 | 1.01 | 64 % | 97.5 % |

Where data show little (`SELDOM_SHOWN`), one draw of optics each:

| case | RMS | outer | rest | within 1 | within 2 |
|---|---|---|---|---|---|
| eyepiece, three depths, no noise | 1.44 | 0.98 | 1.49 | 45 % | 83.5 % |
| eyepiece tilted, scattered, no noise | 1.01 | 1.03 | 1.01 | 62 % | 98.6 % |
| camera, no noise | 0.97 | 0.90 | 0.97 | 54 % | 100.0 % |
| eyepiece, 13 x 13 dots | 0.99 | 0.86 | 1.01 | 66 % | 97.5 % |
| eyepiece tilted, 13 x 13 dots | 1.11 | 0.86 | 1.13 | 57 % | 95.3 % |
| eyepiece, 2 x 2 pupils | 0.45 | 0.46 | 0.45 | 100 % | 100.0 % |
| eyepiece, 3 x 3 pupils | 1.00 | 1.00 | 1.00 | 65 % | 97.3 % |
| eyepiece, outside 3 x 3 pupils | 1.02 | 1.00 | 1.02 | 64 % | 97.0 % |
| eyepiece, outside 5 x 5 pupils | 1.04 | 0.97 | 1.05 | 61 % | 96.8 % |
| coaxial demo, 2 x 2 pupils | 1.93 | 2.07 | 1.92 | 14 % | 54.3 % |
| coaxial demo, 3 x 3 pupils | 1.08 | 1.39 | 1.04 | 59 % | 96.3 % |
| coaxial demo, 5 x 5 pupils, no noise | 1.11 | 1.59 | 1.04 | 70 % | 93.2 % |

Twelve optics (`tests.drawn_optics`), one by one from least to most, and all together:

| capture | one by one | all | outer | rest | within 2 |
|---|---|---|---|---|---|
| 2 x 2 pupils | 0.23 to 1.93 | 0.89 | 1.22 | 0.85 | 94.1 % |
| 3 x 3 pupils | 0.43 to 1.41 | 1.00 | 1.19 | 0.97 | 96.2 % |
| 5 x 5 pupils, 13 x 13 dots | 0.93 to 1.15 | 1.04 | 1.17 | 1.03 | 96.7 % |
| 5 x 5 pupils, no noise | 0.38 to 1.70 | 1.05 | 1.09 | 1.05 | 94.2 % |
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
