"""Shots whose photographs were exchanged: each is found to stand where the other is labelled."""

import numpy as np

from prewarp.checks import FloatArray

# Of the way between two labels, by what a shot may miss the other's.
_NEAR = 0.3


def exchanged_shots(
    label_mm: FloatArray, offset_mm: FloatArray, slipped: list[int], /
) -> list[tuple[int, int]]:
    """Return pairs of shots that look exchanged.

    Parameters
    ----------
    label_mm, offset_mm : (k, 3) float array
        Pupil labels of the shots, and how far beside them each was found.
    slipped : list of int
        Shots that are too far off for the stage.

    Notes
    -----
    Both have slipped. Each stands at the other's label; or one does, and the other stands at nobody's: the
    last shot beyond a corner of the eye box is found badly when it is labelled far inside.
    """
    stands_at: dict[int, int] = {}
    for shot in slipped:
        way = label_mm - label_mm[shot]
        apart = np.linalg.norm(way, axis=1)
        missed = np.linalg.norm(way - offset_mm[shot], axis=1) / np.maximum(apart, 1e-12)
        missed[shot] = np.inf
        nearest = int(np.argmin(missed))
        if missed[nearest] < _NEAR:
            stands_at[shot] = nearest
    pairs = []
    for shot, other in stands_at.items():
        mutual = stands_at.get(other) == shot and shot < other
        alone = other in slipped and other not in stands_at
        if mutual or alone:
            pairs.append((min(shot, other), max(shot, other)))
    return pairs
