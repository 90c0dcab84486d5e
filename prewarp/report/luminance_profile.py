"""Luminance-profile picture: what the eye sees across the seam, before and after the match."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from prewarp.checks import FloatArray
from prewarp.photometry.profile import SeamProfile
from prewarp.report.style import GREEN, INK, RED, figure, figure_bytes, require_any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_PX, _ROW_PX, _HEAD_PX = 760, 300, 70
# The step that a trained eye may just see on a smooth seam at 100 cd/m2 is 0.75 % (DICOM PS3.14); the tool
# aims below this.
AIM_PERCENT = 0.5


@dataclass(frozen=True)
class ProfilePair:
    """Profiles of one module or pupil position: `title`, `before` and `after` the match, as seen."""

    title: str
    before: SeamProfile
    after: SeamProfile


def luminance_profile_figure(pairs: Sequence[ProfilePair], /, *, title: str = "") -> "Figure":
    """Draw profiles across the seam, a column each: above as seen, before and after; below the rest, larger.

    Every line across the seam is drawn; the thick one is the worst. The shaded part is where both channels
    give light.

    Raises
    ------
    ShapeError
        No profiles.
    """
    require_any(pairs, "pairs", "profiles")
    with figure(_WIDTH_PX * len(pairs), 2 * _ROW_PX + _HEAD_PX, title) as drawn:
        axes = np.asarray(drawn.subplots(2, len(pairs), sharex="col", squeeze=False))
        for column, pair in enumerate(pairs):
            _draw_seen(axes[0, column], pair)
            _draw_rest(axes[1, column], pair.after)
        return drawn


def luminance_profile_picture(pairs: Sequence[ProfilePair], /, *, title: str = "") -> bytes:
    """Return `luminance_profile_figure` as PNG."""
    return figure_bytes(luminance_profile_figure(pairs, title=title))


def _draw_seen(axes: "Axes", pair: ProfilePair) -> None:
    # As fractions of the brightest side before, so that what the match costs can be read.
    unit = float(np.nanmax(pair.before.levels))
    # Told apart by their lines too, for a print in grey.
    for profile, colour, line, name in (
        (pair.before, RED, "dashed", "before the match"),
        (pair.after, GREEN, "solid", "after"),
    ):
        ratio = _near(profile) / unit
        axes.plot(profile.along_deg, ratio.T, color=colour, linestyle=line, linewidth=0.6, alpha=0.5)
        axes.plot(
            profile.along_deg,
            ratio[_worst(profile)],
            color=colour,
            linestyle=line,
            linewidth=2.2,
            label=f"{name}: step {_step(profile)}, ripple {profile.ripple_percent.max():.2g} %",
        )
    _shade(axes, pair.after, label="blend: both channels give light")
    axes.set(ylabel="luminance, fraction of the\nbrighter side before", ylim=(0.0, None))
    axes.set_title(pair.title)
    axes.legend(loc="lower left", frameon=True, framealpha=0.9)


def _draw_rest(axes: "Axes", profile: SeamProfile) -> None:
    rest = 100.0 * (_near(profile) / profile.levels.mean(axis=1)[:, None] - 1.0)
    axes.axhspan(-AIM_PERCENT, AIM_PERCENT, color=GREEN, alpha=0.12, linewidth=0.0)
    axes.plot(profile.along_deg, rest.T, color=GREEN, linewidth=0.6, alpha=0.5)
    axes.plot(profile.along_deg, rest[_worst(profile)], color=GREEN, linewidth=2.2)
    _shade(axes, profile)
    a, b = profile.channels
    highest = max(2.0 * AIM_PERCENT, 1.2 * float(np.nanmax(np.abs(rest))))
    axes.set(
        xlabel=f"across the seam, degrees: from '{a}' to '{b}'",
        ylabel="after: off the mean\nof the two sides, %",
        ylim=(-highest, highest),
        xlim=_limits(profile),
    )
    axes.text(
        0.01,
        AIM_PERCENT,
        f" aim: within {AIM_PERCENT:g} %",
        color=INK,
        va="top",
        transform=axes.get_yaxis_transform(),
    )


def _step(profile: SeamProfile) -> str:
    if profile.draws is None:
        return f"{profile.expected_step_percent:.2g} %"
    if not profile.draws.known:
        return "not known"
    bound = profile.draws.bound_percent(profile.draws.step_percent)
    return f"{profile.expected_step_percent:.2g} % expected, 95 % under {bound:.2g} %"


def _near(profile: SeamProfile) -> FloatArray:
    low, high = _limits(profile)
    shown = (profile.along_deg >= low) & (profile.along_deg <= high)
    return np.where(shown, profile.luminance / profile.target, np.nan)


def _limits(profile: SeamProfile) -> tuple[float, float]:
    low, high = profile.hand_over_deg[:, 0].min(), profile.hand_over_deg[:, 1].max()
    margin = 0.25 * (high - low)
    return float(low - margin), float(high + margin)


def _worst(profile: SeamProfile) -> int:
    return int(np.argmax(profile.step_percent + profile.ripple_percent))


def _shade(axes: "Axes", profile: SeamProfile, *, label: str | None = None) -> None:
    low, high = np.median(profile.hand_over_deg, axis=0)
    axes.axvspan(low, high, color=INK, alpha=0.06, linewidth=0.0, label=label)
