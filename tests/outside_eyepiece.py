"""The Erfle eyepiece of US patent 1,479,229 as optiland carries it, built once: finding its glasses takes
longer than tracing rays through them.
"""

import warnings
from functools import lru_cache

from tests.support import require_module


@lru_cache(maxsize=1)
def erfle_surfaces():
    """Return the surfaces of the eyepiece from the first that refracts to the panel, as optiland's objects;
    each traces rays (`trace`), which it changes.
    """
    require_module("optiland")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from optiland.samples.eyepieces import EyepieceErfle

        return tuple(EyepieceErfle().surfaces.surfaces[2:])
