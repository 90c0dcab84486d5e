"""What happens to a panel's light between the gains of its mesh and codes: white match and dither."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from prewarp.checks import FloatArray
from prewarp.errors import ShapeError
from prewarp.photometry.dither import KINDS, dither_tile

if TYPE_CHECKING:
    from prewarp.photometry.match import LightMatch


@dataclass(frozen=True, eq=False)
class PanelLight:
    """White match and dither of one panel.

    Parameters
    ----------
    mixing : (3, 3) float array
        Linear drives of red, green, blue = mixing @ linear content; the identity drives each colour by its
        own plane.
    dither : str
        "none", "bayer" or "blue" (`prewarp.photometry.dither`).
    """

    mixing: FloatArray = field(default_factory=lambda: np.eye(3))
    dither: str = "none"

    def __post_init__(self) -> None:
        mixing = np.asarray(self.mixing, dtype=np.float64)
        if mixing.shape != (3, 3) or not np.isfinite(mixing).all():
            raise ShapeError(f"mixing has shape {mixing.shape}; expected (3, 3) finite numbers.")
        object.__setattr__(self, "mixing", mixing)
        if self.dither not in KINDS:
            raise ShapeError(f"dither is {self.dither!r}; expected one of {', '.join(KINDS)}.")

    @property
    def mixes(self) -> bool:
        """Whether content colours are changed at all."""
        return not np.array_equal(self.mixing, np.eye(3))

    @property
    def tile(self) -> NDArray[np.float32] | None:
        """The dither's thresholds, or None."""
        return None if self.dither == "none" else dither_tile(self.dither)


PLAIN = PanelLight()


def panel_light(match: "LightMatch | None", channel: str, /, *, dither: str = "none") -> PanelLight:
    """Return the white match of a channel, where there is one, and a dither."""
    return PanelLight(np.eye(3) if match is None else match.white.mixing[channel], dither)
