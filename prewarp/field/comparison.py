"""`compare_grid`: a fit compared with any other grid, row by row."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from prewarp.checks import BoolArray, FloatArray
from prewarp.errors import GridError
from prewarp.field.beyond import beyond_sigma_px
from prewarp.field.border import inside_convex
from prewarp.field.certainty import prediction_sigma
from prewarp.field.fieldset import FieldSet
from prewarp.frames import arcmin_between
from prewarp.grids import Grid

# How far beyond the border a prediction still counts, as a share of the panel: rows at the very edge must not
# be lost.
EDGE_SHARE = 0.03
# Directions count as inside the captured ones up to this far outside their hull (rounding of a file's
# digits).
TANGENT_SLACK = 1e-6
PUPIL_SLACK_MM = 1e-6


@dataclass(frozen=True)
class Comparison:
    """Errors of rows: `error_px`, `error_arcmin` (n,) NaN if lost; `predicted_px` (n, 2); `lost`, `inside`.

    `error_px` is the distance between the panel point predicted for the row's direction and pupil and the
    row's own; `error_arcmin` the angle between the row's direction and the one in which its panel point is
    predicted to be seen. `inside`: direction and pupil lie within what was captured, the pupil where its ray
    crosses z = 0. `sigma_px` (n,) the 1-sigma length of the prediction itself, sqrt(su^2 + sv^2), what terms
    that no captured position shows may add included (`prediction_sigma`, `beyond_sigma_px`); NaN where it is
    lost or not known.
    """

    grid: Grid
    predicted_px: FloatArray
    error_px: FloatArray
    error_arcmin: FloatArray
    lost: BoolArray
    inside: BoolArray
    sigma_px: FloatArray

    def as_dict(self) -> dict[str, Any]:
        """Return `all`, `inside`, `pupils` and `groups` (per channel and colour) for machines."""
        everything = np.ones(len(self.lost), dtype=bool)
        groups = []
        for code, channel in enumerate(self.grid.channel_names):
            for colour_code, colour in enumerate(self.grid.colour_names):
                rows = (self.grid.channel == code) & (self.grid.colour == colour_code)
                if rows.any():
                    figures: dict[str, object] = {"channel": channel, "color": colour, **self._figures(rows)}
                    figures["inside"] = self._figures(rows & self.inside)
                    groups.append(figures)
        pupils, place = np.unique(np.round(self.grid.pupil_mm, 6), axis=0, return_inverse=True)
        by_pupil = [
            {
                "eye_x_mm": float(x),
                "eye_y_mm": float(y),
                "eye_z_mm": float(z),
                **self._figures(place.ravel() == index),
            }
            for index, (x, y, z) in enumerate(pupils[:MAX_PUPILS])
        ]
        return {
            "all": self._figures(everything),
            "inside": self._figures(self.inside),
            "groups": groups,
            "pupils": by_pupil,
            "pupils_left_out": max(len(pupils) - MAX_PUPILS, 0),
        }

    def _figures(self, rows: BoolArray) -> dict[str, float | None]:
        good = rows & ~self.lost
        figures: dict[str, float | None] = {"count": int(rows.sum()), "lost": int((rows & self.lost).sum())}
        for unit, error in (("px", self.error_px), ("arcmin", self.error_arcmin)):
            values = error[good]
            figures[f"rms_{unit}"] = float(np.sqrt(np.mean(values**2))) if values.size else None
            figures[f"p95_{unit}"] = float(np.quantile(values, 0.95)) if values.size else None
            figures[f"max_{unit}"] = float(values.max()) if values.size else None
        return figures


MAX_PUPILS = 2000


def compare_grid(fields: FieldSet, grid: Grid, /) -> Comparison:
    """Compare a fit with a grid.

    Parameters
    ----------
    fields : FieldSet
    grid : Grid
        Held-out captures, or another unit. Rows that are not finite count as lost.

    Returns
    -------
    Comparison

    Raises
    ------
    GridError
        The grid has a channel or colour that the fit has not.

    Examples
    --------
    >>> import prewarp
    >>> grid = prewarp.read_grid("calib/coaxial.grid.npz")
    >>> module = prewarp.read_module("calib/coaxial.module.toml")
    >>> fields = prewarp.fit_grid(grid, panel_size_px=module.panel_sizes_px)
    >>> comparison = prewarp.compare_grid(fields, grid)
    >>> comparison.as_dict()["all"]["p95_px"] < 0.01
    True
    """
    count = len(grid)
    predicted = np.full((count, 2), np.nan)
    error_px, error_arcmin = np.full(count, np.nan), np.full(count, np.nan)
    inside, sigma_px = np.zeros(count, dtype=bool), np.full(count, np.nan)
    in_box = _in_box(fields, grid)
    for code, channel in enumerate(grid.channel_names):
        for colour_code, colour in enumerate(grid.colour_names):
            rows = np.flatnonzero((grid.channel == code) & (grid.colour == colour_code))
            if rows.size == 0:
                continue
            if (channel, colour) not in fields.fields:
                raise GridError(
                    f"{grid.source}, row {grid.row[rows[0]]}: channel '{channel}', colour '{colour}' is not "
                    f"in the fit, which holds {', '.join('/'.join(key) for key in fields.fields)}. Fit that "
                    "channel, or leave these rows out.",
                    path=grid.source,
                    row=int(grid.row[rows[0]]),
                )
            field = fields.field(channel, colour)
            margin = EDGE_SHARE * max(field.panel_size_px)
            tangent, pupil, pixel = grid.tangent[rows], grid.pupil_mm[rows], grid.pixel[rows]
            found = field.inverse(tangent, pupil_mm=pupil, margin_px=margin)
            predicted[rows] = found.pixel
            sigma_px[rows] = prediction_sigma(fields, channel, colour, found.pixel, pupil_mm=pupil)
            error_px[rows] = np.hypot(*(found.pixel - pixel).T)
            seen = field.forward(pixel, pupil_mm=pupil)
            error_arcmin[rows] = arcmin_between(tangent, seen)
            outside = fields.outside_mm(channel, tangent, pupil_mm=pupil)
            in_hull = outside <= PUPIL_SLACK_MM
            if channel not in fields.captured:
                in_hull = in_box[rows]
            unseen = beyond_sigma_px(fields, channel, colour, tangent, found.pixel, pupil_mm=pupil)
            # Few positions have no map of certainty that reaches a spacing further: what they do not show
            # counts.
            spacing = fields.captured[channel].spacing_mm if channel in fields.captured else 0.0
            near = (unseen > 0.0) & ((outside <= spacing) | (spacing == 0.0))
            sigma_px[rows] = np.hypot(np.where(np.isnan(sigma_px[rows]) & near, 0.0, sigma_px[rows]), unseen)
            inside[rows] = in_hull & inside_convex(tangent, field.captured_tangent, slack=TANGENT_SLACK)
    lost = ~(np.isfinite(error_px) & np.isfinite(error_arcmin))
    error_px[lost] = error_arcmin[lost] = sigma_px[lost] = np.nan
    return Comparison(grid, predicted, error_px, error_arcmin, lost, inside, sigma_px)


def _in_box(fields: FieldSet, grid: Grid) -> BoolArray:
    """Return which rows (n,) have a pupil in the box of the captured ones."""
    low, high = fields.pupil_box_mm
    result: BoolArray = np.all(
        (grid.pupil_mm >= low - PUPIL_SLACK_MM) & (grid.pupil_mm <= high + PUPIL_SLACK_MM), axis=1
    )
    return result
