"""Tables of a unit from those of its family: one search for all units.

The smallest tables of the nominal fields are searched once, for less error than is allowed. A unit's map is
the nominal one and a smooth difference: all tolerances together, terms of second order too, read off the
unit's own field at few nodes and added to the terms. What that changes is rounded to the family's steps, and
takes part of the room that was left.
"""

from dataclasses import replace

import numpy as np
from numpy.polynomial import chebyshev

from prewarp.chebyshev import nodes_1d
from prewarp.checks import FloatArray
from prewarp.errors import LineError
from prewarp.field import Field, FieldSet
from prewarp.lookup import Lookup
from prewarp.lookup.chebyshev_terms import chebyshev_table, graded_coefficients, terms_of
from prewarp.lookup.series import FieldSeries
from prewarp.lookup.tables import Family as TableFamily
from prewarp.lookup.tables import MapTable

# Of the error that is allowed, what the family's own tables may take.
SEARCH_SHARE = 0.6
# Nodes at which differences are read off: along a panel, along x, y and z of the eye box.
PANEL_NODES, PUPIL_NODES = 14, (5, 5, 3)


class FamilyTables:
    """Tables of a family, of Chebyshev terms: `lookup`, those of the `nominal` fields.

    Raises
    ------
    LineError
        The tables are of another kind.
    """

    def __init__(self, lookup: Lookup, nominal: FieldSet) -> None:
        others = [one.family.label for one in lookup.maps if one.family != TableFamily.CHEBYSHEV]
        if others:
            raise LineError(f"a family's tables are {others[0]}; expected {TableFamily.CHEBYSHEV.label}.")
        self.lookup = lookup
        self._nominal = {key: self._nodes(field) for key, field in nominal.fields.items()}

    def of_unit(self, fields: FieldSet, /) -> Lookup:
        """Return the lookup of a unit's fields; every table's `error_px` is not known yet: 0.

        Raises
        ------
        LineError
            A difference is too large for the steps of the family.
        """
        differences = {
            key: self._coefficients(self._nodes(field) - self._nominal[key])
            for key, field in fields.fields.items()
        }
        made: list[MapTable] = []
        for table in self.lookup.maps:
            own = differences[self.lookup.key_of(table)]
            if table.base is not None:
                own = own - differences[self.lookup.key_of(self.lookup.maps[table.base])]
            made.append(self._moved(table, own))
        return replace(self.lookup, maps=tuple(made))

    def _moved(self, table: MapTable, difference: FloatArray) -> MapTable:
        codes, step = terms_of(table)
        added = np.rint(graded_coefficients(FieldSeries(difference, 0.0)) / step).astype(np.int64)
        shape = np.maximum(codes.shape, added.shape)
        whole = np.zeros(shape, dtype=np.int64)
        whole[:, : codes.shape[1], : codes.shape[2]] += codes
        whole[:, : added.shape[1], : added.shape[2]] += added
        found = chebyshev_table(whole, step)
        if found is None:
            raise LineError("a unit differs from its family by more than its tables can hold.")
        return replace(found, channel=table.channel, colour=table.colour, base=table.base)

    def _counts(self) -> list[int]:
        low, high = self.lookup.pupil_box_mm
        return [n if b > a else 1 for n, a, b in zip(PUPIL_NODES, low, high, strict=True)]

    def _nodes(self, field: Field) -> FloatArray:
        """Return directions (pupils, nodes along v and u, 2) at the nodes."""
        low, high = self.lookup.pupil_box_mm
        axes = [nodes_1d(n) for n in self._counts()]
        unit = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
        pupil = 0.5 * (low + high) + 0.5 * (high - low) * unit
        along = 0.5 * (nodes_1d(PANEL_NODES) + 1.0)
        width, height = field.panel_size_px
        pixel = np.stack(np.meshgrid(along * width, along * height), axis=-1)
        seen = field.forward_from_all(pixel.reshape(-1, 2), pupils_mm=pupil)
        return seen.reshape(len(pupil), *pixel.shape)

    def _coefficients(self, values: FloatArray) -> FloatArray:
        """Return what interpolates values at the nodes, as `FieldSeries` has it."""
        counts = self._counts()
        panel = np.linalg.inv(chebyshev.chebvander(nodes_1d(PANEL_NODES), PANEL_NODES - 1))
        pupil = [np.linalg.inv(chebyshev.chebvander(nodes_1d(n), n - 1)) for n in counts]
        nodes = values.reshape(*counts, PANEL_NODES, PANEL_NODES, 2)
        result: FloatArray = np.einsum(
            "ai,bj,cn,lv,ku,ijnvuC->klabcC", *pupil, panel, panel, nodes, optimize=True
        )
        return result
