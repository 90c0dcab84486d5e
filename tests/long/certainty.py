"""How far the stated 1-sigma of a fit may be trusted: true error over sigma, cases of `tests.certain_cases`.

    python -m tests.long.certainty [SEEDS] [WORD OF A CASE'S NAME]

RMS of error over sigma (ideal 1), the same in the outer tenth of the panel and in the rest, and the share of
places within 1 and within 2 sigma (63 and 98 % for a normal error of two equal components). 20 seeds:

| case | RMS | outer | rest | within 1 | within 2 |
|---|---|---|---|---|---|
| eyepiece, directions, three depths | 1.03 | 0.83 | 1.05 | 62 % | 97.0 % |
| eyepiece tilted and moved, scattered, z = 0 | 1.01 | 0.94 | 1.02 | 63 % | 97.7 % |
| eyepiece, three colours, z = 0 | 1.05 | 0.90 | 1.07 | 61 % | 96.9 % |
| camera of eight coefficients, directions | 0.98 | 0.96 | 0.99 | 65 % | 98.4 % |
| fisheye, scattered, two depths | 1.12 | 0.89 | 1.14 | 58 % | 94.9 % |
| plane, dots on the panel, z = 0 | 1.04 | 0.97 | 1.05 | 60 % | 97.4 % |
| eyepiece tilted, noise rising to the edges | 1.12 | 0.91 | 1.14 | 56 % | 95.6 % |
| camera, noise told, growing with the pupil | 1.04 | 0.93 | 1.05 | 61 % | 97.4 % |
| bumpy panel, mesh | 1.01 | 0.96 | 1.01 | 64 % | 97.5 % |
"""

import sys

import numpy as np

from prewarp.field import compare_grid, fit_grid
from tests.certain_cases import CASES, PANEL, case, in_outer_tenth


def ratios(name: str, seeds: range) -> tuple[np.ndarray, np.ndarray]:
    """Return error over sigma of all seeds and held-out places, and which lie in the outer tenth."""
    found, outer = [], []
    for seed in seeds:
        fields = fit_grid(case(name).drawn(seed), panel_size_px=PANEL)
        comparison = compare_grid(fields, case(name).held_out)
        judged = comparison.inside & ~comparison.lost
        assert judged.mean() > 0.97
        found.append((comparison.error_px / comparison.sigma_px)[judged])
        outer.append(in_outer_tenth(case(name).held_out.pixel)[judged])
    return np.concatenate(found), np.concatenate(outer)


def rms(values: np.ndarray) -> float:
    """Return the root mean square."""
    return float(np.sqrt(np.mean(values**2)))


def main(seeds: int = 20, word: str = "") -> None:
    """Print one line a case."""
    for name in CASES:
        if word in name:
            ratio, outer = ratios(name, range(seeds))
            print(
                f"{name:45s} RMS {rms(ratio):.2f}  "
                f"outer {rms(ratio[outer]):.2f}  rest {rms(ratio[~outer]):.2f}  "
                f"within 1: {np.mean(ratio < 1):.0%}  within 2: {np.mean(ratio < 2):.1%}",
                flush=True,
            )


if __name__ == "__main__":
    main(*(kind(text) for kind, text in zip((int, str), sys.argv[1:], strict=False)))
