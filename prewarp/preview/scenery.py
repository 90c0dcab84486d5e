"""Content pictures by name: the package's scenes, and a picture of the user's."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from prewarp.errors import InputFileError
from prewarp.render.pictures import filling, read_picture
from prewarp.render.scenes import SCENES, scene


class Scenery:
    """Scenes that can be chosen; a picture file given by the user comes first."""

    def __init__(self, first: str = "grid", /) -> None:
        self._own: tuple[str, NDArray[np.uint8]] | None = None
        if first not in SCENES:
            path = Path(first)
            if not path.exists():
                raise InputFileError(
                    f"'{first}' is neither a scene ({', '.join(SCENES)}) nor a picture file. Check the name.",
                    path=first,
                )
            self._own = (path.name, read_picture(path))
        self.first = self._own[0] if self._own else first
        self._last: tuple[tuple[str, tuple[int, int]], NDArray[np.uint8]] | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all scenes."""
        return ((self._own[0],) if self._own else ()) + tuple(SCENES)

    def picture(self, name: str, size_px: tuple[int, int], /) -> NDArray[np.uint8]:
        """Return a scene scaled to fill a content picture (height, width, 3); the last one is kept."""
        key = (name, size_px)
        if self._last is None or self._last[0] != key:
            own = self._own
            is_own = own is not None and name == own[0]
            self._last = (
                key,
                filling(own[1], size_px) if own is not None and is_own else scene(name, size_px),
            )
        return self._last[1]
