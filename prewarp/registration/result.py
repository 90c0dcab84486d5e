"""What registration found: turns with their uncertainty, what the pairs could not fix, what was left out."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from prewarp.checks import BoolArray, FloatArray
from prewarp.field.mount import Mount
from prewarp.notebook import html_table
from prewarp.registration.pairs import SeamPairs


@dataclass(frozen=True)
class Parameter:
    """One number that was looked for.

    `name` as in `turn_x_deg` or `scale_percent` (its unit is its end); `value` on top of how the channel was
    captured; `sigma` 1-sigma, infinite where nothing in the pairs speaks of it; `fixed` whether the pairs
    decide it; `half95` half of its 95 % interval (Student's law: wider than 1.96 sigma of few pairs);
    `alone_row` the row of a single pair without which it would not be fixed, so that nothing checks it.
    """

    channel: str
    name: str
    value: float
    sigma: float
    fixed: bool
    half95: float
    alone_row: int | None = None


@dataclass(frozen=True)
class RegistrationResult:
    """Result of `register_channels`.

    Parameters
    ----------
    reference : str
        The channel that stays as it is.
    mounts : mapping of str to Mount
        How each other channel is mounted; give it to `FieldSet.mounted`.
    parameters : tuple of Parameter
    covariance : (p, p) float array
        Of the parameters, in their own units, with what is not known of the noise in it; infinite rows where
        nothing speaks of one.
    noise_arcmin : float
        1-sigma of a pair per axis, found from the mismatch that is left.
    before_arcmin, after_arcmin : (n, 2) float arrays
        Mismatch of every pair, right and up.
    outlier : (n,) bool array
        Pairs that the others say are wrong; they have no weight.
    sigma_arcmin : (n,) float array
        1-sigma length of the error that registration leaves in the seam where each pair lies.
    pairs : SeamPairs
    """

    reference: str
    mounts: Mapping[str, Mount]
    parameters: tuple[Parameter, ...]
    covariance: FloatArray
    noise_arcmin: float
    before_arcmin: FloatArray
    after_arcmin: FloatArray
    outlier: BoolArray
    sigma_arcmin: FloatArray
    pairs: SeamPairs

    def __repr__(self) -> str:
        after = _rms(self.after_arcmin[~self.outlier])
        left = "unknown" if after is None else f"{after:.3g} arcmin RMS"
        unfixed = ", ".join(f"{one.channel} {one.name}" for one in self.unfixed)
        return (
            f"<RegistrationResult: {', '.join(self.mounts)} onto {self.reference}, {len(self.pairs)} pairs "
            f"({self.outlier.sum()} left out), mismatch left {left}; "
            f"{f'not fixed: {unfixed}' if unfixed else 'all fixed'}>"
        )

    def _repr_html_(self) -> str:
        rows = [
            (
                one.channel,
                one.name,
                f"{one.value:.5g}",
                f"{one.sigma:.2g}",
                f"{one.half95:.2g}",
                "yes" if one.fixed else "no",
            )
            for one in self.parameters
        ]
        return html_table(
            repr(self), ("channel", "parameter", "value", "1-sigma", "95 % +-", "fixed by the pairs"), rows
        )

    @property
    def unfixed(self) -> tuple[Parameter, ...]:
        """Parameters that the pairs cannot fix."""
        return tuple(parameter for parameter in self.parameters if not parameter.fixed)

    def findings(self) -> list[str]:
        """Return one sentence per parameter that the pairs cannot fix, with what to do."""
        found = []
        for one in self.unfixed:
            known = f"95 % within +-{one.half95:.2g}"
            if np.isinf(one.sigma):
                known = "they say nothing of it"
            elif one.alone_row is not None:
                known = f"it rests on row {one.alone_row} alone, and nothing checks that pair"
            found.append(
                f"channel '{one.channel}': the pairs do not determine {one.name} ({known}). Take "
                "pairs further apart along the seam and across it, or hold it at 0 (--hold "
                f"{one.name})."
            )
        return found

    def as_dict(self) -> dict[str, Any]:
        """Return the result for machines; units are in the keys, None stands for what cannot be known."""
        used = ~self.outlier
        return {
            "reference": self.reference,
            "pairs": len(self.pairs),
            "outlier_rows": self.pairs.row[self.outlier].tolist(),
            "noise_arcmin": self.noise_arcmin,
            "mismatch_before_rms_arcmin": _rms(self.before_arcmin[used]),
            "mismatch_after_rms_arcmin": _rms(self.after_arcmin[used]),
            "seam_sigma_rms_arcmin": _finite(np.sqrt(np.mean(self.sigma_arcmin**2))),
            "seam_sigma_max_arcmin": _finite(self.sigma_arcmin.max()),
            "channels": [
                {
                    "channel": name,
                    "turn_deg": list(mount.turn_deg),
                    "scale_ratio": mount.scale,
                    "parameters": {
                        one.name: {
                            "value": one.value,
                            "sigma": _finite(one.sigma),
                            "interval95": [one.value - one.half95, one.value + one.half95]
                            if np.isfinite(one.half95)
                            else None,
                            "fixed": one.fixed,
                        }
                        for one in self.parameters
                        if one.channel == name
                    },
                }
                for name, mount in self.mounts.items()
            ],
            "findings": self.findings(),
        }


def _rms(step: FloatArray) -> float | None:
    return float(np.sqrt(np.mean(np.sum(step**2, axis=1)))) if len(step) else None


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
