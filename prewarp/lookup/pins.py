"""What a user of the optimiser may fix."""

from dataclasses import dataclass

from prewarp.errors import ShapeError
from prewarp.lookup.coding import WIDTHS
from prewarp.lookup.tables import FAMILY_NAMES
from prewarp.records import Choice, Number, checked, validate


@dataclass(frozen=True)
class Pins:
    """What the user fixes; the search chooses the rest.

    Parameters
    ----------
    family : str or None
        Kind of lookup table; the smallest where it is not given.
    mesh_columns : int or None
        Lookup: mesh nodes along u.
    rank : int or None
        Lookup: pupil modes.
    bits : int or None
        Lookup: bits per number of a mesh, 8, 12 or 16.

    A mesh is a spline: Chebyshev terms, which have none of the last three, are left out where one is fixed.
    """

    family: str | None = checked(Choice(tuple(FAMILY_NAMES)), default=None)
    mesh_columns: int | None = checked(Number(5, 1000, whole=True), default=None)
    rank: int | None = checked(Number(1, 64, whole=True), default=None)
    bits: int | None = checked(Number(8, 16, whole=True), default=None)

    def __post_init__(self) -> None:
        validate(self, ShapeError)
        if self.bits is not None and self.bits not in WIDTHS:
            raise ShapeError(f"bits is {self.bits!r}; expected 8, 12 or 16.")
        if self.family == "chebyshev" and self.fixes_mesh:
            raise ShapeError(
                "family is 'chebyshev', with mesh, rank or bits fixed, which only a mesh has. Leave them "
                "out, or take the family 'spline'."
            )

    @property
    def fixes_mesh(self) -> bool:
        """Whether anything is fixed that only the family of meshes has."""
        return any(one is not None for one in (self.mesh_columns, self.rank, self.bits))


# Nothing fixed.
FREE = Pins()
