"""What a user of the optimiser may fix."""

from dataclasses import dataclass

from prewarp.checks import require_range
from prewarp.errors import ShapeError
from prewarp.lookup.coding import WIDTHS
from prewarp.lookup.tables import FAMILY_NAMES


@dataclass(frozen=True)
class Pins:
    """What the user fixes.

    `family`: a key of `FAMILY_NAMES`. `mesh_columns`: mesh nodes along u. `rank`: pupil modes. `bits`: 8, 12
    or 16.
    """

    family: str | None = None
    mesh_columns: int | None = None
    rank: int | None = None
    bits: int | None = None

    def __post_init__(self) -> None:
        if self.family is not None and self.family not in FAMILY_NAMES:
            raise ShapeError(f"family is {self.family!r}; expected one of {', '.join(FAMILY_NAMES)}.")
        if self.mesh_columns is not None:
            require_range(self.mesh_columns, "mesh_columns", 5, 1000)
        if self.rank is not None:
            require_range(self.rank, "rank", 1, 64)
        if self.bits is not None and self.bits not in WIDTHS:
            raise ShapeError(f"bits is {self.bits!r}; expected 8, 12 or 16.")


# Nothing fixed.
FREE = Pins()
