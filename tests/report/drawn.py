"""What a matplotlib figure shows, read back from its artists."""

import numpy as np
from matplotlib.collections import QuadMesh
from matplotlib.contour import ContourSet


def meshes(axes):
    """Return the coloured meshes of some axes, in drawing order."""
    return [one for one in axes.collections if isinstance(one, QuadMesh)]


def mesh_points(mesh):
    """Return places (n, 2) and values (n,) of a mesh where it has one: cell middles, or nodes if shaded."""
    values = np.ma.filled(mesh.get_array().astype(float), np.nan)
    places = mesh.get_coordinates()
    if places.shape[:2] != values.shape:
        places = 0.25 * (places[:-1, :-1] + places[1:, :-1] + places[:-1, 1:] + places[1:, 1:])
    known = np.isfinite(values)
    return places[known], values[known]


def line(axes, label):
    """Return the points (n, 2) of the one line whose label begins so."""
    (found,) = [one for one in axes.lines if str(one.get_label()).startswith(label)]
    return np.column_stack(found.get_data())


def contour_points(axes, level):
    """Return the points (n, 2) of one level of all sets of contour lines that have it."""
    sets = [one for one in axes.collections if isinstance(one, ContourSet) and not one.filled]
    having = [one for one in sets if level in one.levels]
    return np.concatenate([one.get_paths()[list(one.levels).index(level)].vertices for one in having])
