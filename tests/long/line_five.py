"""How near five camera positions can come to 25: `python -m tests.long.line_five FAMILY`; two minutes.

FAMILY is that of the folded demo (`prewarp line family`). The mean posterior variance of place over field and
eye box, common motions removed, is that of the best linear estimate with the true priors of tolerances and
poses; no estimator does better where all is normal (A. E. Bryson and Y.-C. Ho, Applied Optimal Control, 1975,
chapter 12, from memory). Five positions are I-optimal among 75 and then moved freely within the eye box; 25
are the regular lattice that they are held to, and I-optimal. Each with what a field leaves of its trace
(0.0044 px), and without.

Last figures, px RMS (without what a field leaves); noise 0.05 px, 300 dots a view:

five, regular                 0.0077 (0.0064)
five, I-optimal of 75         0.0066 (0.0050)
five, I-optimal, moved freely 0.0066 (0.0050)
25, regular                   0.0054 (0.0032)
25, I-optimal of 75           0.0050 (0.0023)
five over 25 regular: 1.22 (1.56); five over 25 I-optimal: 1.34 (2.19)
"""

import argparse
from pathlib import Path

import numpy as np

from prewarp.line.positions import PositionsSettings, Told, candidate_counts, chosen_among
from prewarp.line.storage import read_family
from prewarp.points import box_lattice

FIVE = np.concatenate([[[0.0, 0.0, 0.0]], [[x, y, 0.0] for x in (-3.0, 3.0) for y in (-2.2, 2.2)]])
STEPS_MM = (0.5, 0.25)


def moved_freely(told, places, low, high):
    """Return positions moved along the axes within the eye box as long as that helps, and what they tell."""
    parts = [told.by(place) for place in places]
    best = told.variance(np.sum(parts, axis=0))
    for step in STEPS_MM:
        for which in range(len(places)):
            for move in step * np.concatenate([np.eye(3), -np.eye(3)]):
                place = np.clip(places[which] + move, low, high)
                own = told.by(place)
                value = told.variance(np.sum([*parts[:which], *parts[which + 1 :], own], axis=0))
                if value < best:
                    best, places[which], parts[which] = value, place, own
    return places, np.sum(parts, axis=0)


def main():
    """Print what is known from five positions and from 25."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("family", type=Path)
    family = read_family(parser.parse_args().family)
    told = Told(family, PositionsSettings())
    low, high = family.pupil_box_mm
    candidates = box_lattice(low, high, candidate_counts(family))
    every = np.stack([told.by(place) for place in candidates])
    found, chosen = {}, []
    for count in range(1, 26):
        chosen = chosen_among(told, every, chosen)
        if count == 5:
            found["five, I-optimal"] = every[chosen].sum(axis=0)
            places = candidates[chosen].copy()
    found["25, I-optimal"] = every[chosen].sum(axis=0)
    places, found["five, moved freely"] = moved_freely(told, places, low, high)
    found["five, regular"] = np.sum([told.by(place) for place in FIVE], axis=0)
    found["25, regular"] = np.sum([told.by(place) for place in box_lattice(low, high, (5, 5, 1))], axis=0)
    variance = {name: told.variance(one) for name, one in found.items()}
    for name, one in variance.items():
        print(f"{name}: {np.sqrt(one):.4f} px RMS, {np.sqrt(one - told.rest):.4f} beside what fields leave")
    for one in ("five, I-optimal", "five, moved freely"):
        for other in ("25, regular", "25, I-optimal"):
            whole, alone = (
                np.sqrt((variance[one] - less) / (variance[other] - less)) for less in (0.0, told.rest)
            )
            print(f"{one} over {other}: {whole:.2f}; {alone:.2f} beside what fields leave")
    print("moved freely:", places.tolist())


if __name__ == "__main__":
    main()
