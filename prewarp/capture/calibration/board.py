"""The board: a flat lattice of dots, or the inner corners of a chessboard."""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray
from prewarp.errors import CaptureError
from prewarp.points import lattice_points
from prewarp.records import Choice, Number, Numbers, checked, validate

DOTS, CHESSBOARD = "dots", "chessboard"


@dataclass(frozen=True)
class Board:
    """A flat board.

    `kind`: "dots" or "chessboard". `count`: marks across and down; of a chessboard the corners at which four
    squares meet. `pitch_mm`: from one to the next.
    """

    kind: str = checked(Choice((DOTS, CHESSBOARD)))
    count: tuple[int, int] = checked(Numbers(Number(3, 200, whole=True), 2, 2))
    pitch_mm: float = checked(Number(0.01, 1000.0, "mm"))

    def __post_init__(self) -> None:
        validate(self, CaptureError)

    @property
    def marks(self) -> int:
        """How many marks it has."""
        return self.count[0] * self.count[1]

    @property
    def places_mm(self) -> FloatArray:
        """Where its marks are, (marks, 2), mm right and down from its middle, row by row."""
        across, down = self.count
        u, v = np.arange(float(across)) - (across - 1) / 2.0, np.arange(float(down)) - (down - 1) / 2.0
        return self.pitch_mm * lattice_points(u, v)
