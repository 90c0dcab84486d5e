"""How far a unit's map may lie off the truth: figures of the posterior over field and eye box.

A capture cannot tell shift, turn and scale that all its shots share from those of the unit: seven motions,
common to all channels and colours, are taken out. The figure is the 95th percentile over points of the
distance between map and truth; value and sigma are its mean and standard deviation over the posterior.
"""

from dataclasses import dataclass

import numpy as np

from prewarp.checks import FloatArray
from prewarp.field.border import distance_inside
from prewarp.frames import ARCMIN_PER_RADIAN, cosine_from_tangent, tangent_from_cosine
from prewarp.line.family import Family
from prewarp.line.rows import PosePrior, Seen, view_of

PUPILS, POINTS, SAMPLES = 12, 7, 64
_SEED = 5
FIGURES = ("place_px", "place_arcmin")


@dataclass(frozen=True, eq=False)
class Judge:
    """Where maps are judged: `matrix` (2 n, coefficients) what one sigma of each moves, px, without common
    motions; `arcmin` (n, 3, 2) what turns px into arcmin; `rest_px` (n,).
    """

    matrix: FloatArray
    arcmin: FloatArray
    rest_px: FloatArray
    samples: FloatArray

    @staticmethod
    def of(family: Family, /) -> "Judge":
        """Return the judge of a family: points over the panels, pupils over the eye box, middle colour."""
        random = np.random.default_rng(_SEED)
        low, high = family.pupil_box_mm
        pupils = random.uniform(low, high, (PUPILS, 3))
        colour = len(family.colours) // 2
        rows, motions, arcmin, rest = [], [], [], []
        for name, own in family.channels.items():
            size = own.basis.panel.size_px
            axes = [np.linspace(0.03, 0.97, POINTS) * length for length in size]
            pixel = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
            pixel = pixel[distance_inside(pixel, own.border_px) > 0.0]
            nominal = own.expansion(colour)
            for pupil in pupils:
                # Two steps from the middle leave far less than a pixel, and any point will do.
                reference = np.broadcast_to(pupil[:2], (len(pixel), 2))
                for _ in range(2):
                    tangent = tangent_from_cosine(nominal.values(pixel, reference).T)
                    reference = pupil[:2] - pupil[2] * tangent
                label = np.broadcast_to(pupil, (len(pixel), 3))
                seen = Seen(name, family.colours[colour], pixel, tangent, label)
                view = view_of(family, seen, 0, PosePrior(1.0, 60.0))
                whole = np.zeros((len(view.side), family.count))
                whole[:, family.places_of(name)] = view.matrix[:, :-6]
                rows.append(whole)
                poses = view.matrix[:, -6:]
                # An offset in proportion to the place is a scale; a turn about the eye box's centre moves the
                # pupil as well.
                turned = np.stack([np.cross(axis, pupil) for axis in np.eye(3)], axis=1)
                turns = poses[:, 3:] * np.degrees(1.0) + poses[:, :3] @ turned
                motions.append(np.column_stack([poses[:, :3], turns, poses[:, :3] @ pupil]))
                _, jacobian = nominal.values_and_jacobian(pixel, reference)
                moved = np.moveaxis(jacobian, -1, 0)
                cosine = cosine_from_tangent(tangent)
                forward = np.sqrt(1.0 - np.sum(cosine**2, axis=1))
                along = -np.einsum("nc,nck->nk", cosine, moved) / forward[:, None]
                arcmin.append(ARCMIN_PER_RADIAN * np.concatenate([moved, along[:, None]], axis=1))
                rest.append(np.full(len(pixel), own.rest_px))
        matrix, common = np.concatenate(rows), np.concatenate(motions)
        common = common / np.maximum(np.linalg.norm(common, axis=0), 1e-12)
        vectors, size_of, _ = np.linalg.svd(common, full_matrices=False)
        shared = vectors[:, size_of > 1e-9 * size_of[0]]
        return Judge(
            matrix - shared @ (shared.T @ matrix),
            np.concatenate(arcmin),
            np.concatenate(rest),
            random.normal(size=(family.count, SAMPLES)),
        )

    def rms_px(self, covariance: FloatArray, /) -> float:
        """Return the claimed RMS of the distance, px, for a covariance of the coefficients."""
        own = np.einsum("ij,ij->i", self.matrix @ covariance, self.matrix).reshape(-1, 2).sum(axis=1)
        return float(np.sqrt(np.mean(own + self.rest_px**2)))

    def figures(self, covariance: FloatArray, /) -> dict[str, tuple[float, float]]:
        """Return value and sigma of each figure for a covariance (k, k) of the coefficients."""
        values, vectors = np.linalg.eigh(covariance)
        drawn = vectors @ (np.sqrt(np.maximum(values, 0.0))[:, None] * self.samples)
        px = (self.matrix @ drawn).reshape(-1, 2, SAMPLES)
        scale = np.sqrt(0.5 * np.sum(self.arcmin**2, axis=(1, 2)))
        squares = {
            "place_px": np.sum(px**2, axis=1) + self.rest_px[:, None] ** 2,
            "place_arcmin": np.sum(np.einsum("nck,nks->ncs", self.arcmin, px) ** 2, axis=1)
            + (scale * self.rest_px)[:, None] ** 2,
        }
        found = {}
        for name, square in squares.items():
            high = np.quantile(np.sqrt(square), 0.95, axis=0)
            found[name] = (float(high.mean()), float(high.std(ddof=1)))
        return found
