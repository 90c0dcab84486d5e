"""Ghosts are named by the marks that they mirror, whatever rows a view keeps."""

from types import SimpleNamespace

import numpy as np

from prewarp.capture.extract.ghosts import find_ghosts


def test_a_ghost_tells_the_mark_and_not_the_row():
    """Marks 2 and 4 of six are found in rows 0 and 1; what lies beside mark 4 spells its name, dimmer."""
    words = np.array([11, 22, 33, 44, 55, 66])
    blobs = SimpleNamespace(place=np.array([[10.0, 10.0], [50.0, 10.0], [57.0, 12.0]]))
    readings = SimpleNamespace(word=np.array([33, 55, 55]), light=np.array([1.0, 1.0, 0.04]))
    found = find_ghosts(
        blobs,
        readings,
        words,
        np.array([0, 1]),
        np.array([2, 4]),
        SimpleNamespace(spacing_px=20.0),
        np.zeros((6, 2)),
    )
    assert found.of.tolist() == [4]
    np.testing.assert_allclose(found.offset, [[7.0, 2.0]])
    np.testing.assert_allclose(found.strength, [0.04])
