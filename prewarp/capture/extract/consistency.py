"""Poses against each other: two channels exchanged, a panel shown turned, which one pose alone cannot
tell.
"""

from collections.abc import Sequence

import numpy as np

from prewarp.capture.extract.pose import PoseResult, Rows
from prewarp.checks import FloatArray

_LEAST_POSES = 3
_LEAST_ROWS = 12
# Of the way between two channels' middles: nearer to the other than this, and further from its own.
_NEAR, _FAR = 0.3, 0.7
_TURNED = 0.5


def strange_views(results: Sequence[PoseResult], /) -> dict[tuple[str, str], str]:
    """Return (pose's name, channel) of views that contradict the other poses, each with a line on it.

    For every pose and channel a plane through directions over the panel gives the direction of the panel's
    middle and how the panel stands. Medians over the poses say what is usual.
    """
    planes = _planes(results)
    usual = {
        channel: np.median(np.stack(list(own.values())), axis=0)
        for channel, own in planes.items()
        if len(own) >= _LEAST_POSES
    }
    strange: dict[tuple[str, str], str] = {}
    for channel, middle in usual.items():
        for name, plane in planes[channel].items():
            other = _exchanged_with(plane, channel, usual)
            if other:
                strange[name, channel] = (
                    f"pose {name}: what is called '{channel}' lies where '{other}' lies in the other "
                    "poses. Are the "
                    "photographs of the two channels exchanged? Rename them."
                )
            elif _turned(plane, middle):
                strange[name, channel] = (
                    f"pose {name}, '{channel}': the panel is turned or mirrored compared with the other "
                    "poses. Were the photographs turned?"
                )
    return strange


def contradictions(results: Sequence[PoseResult], /) -> list[str]:
    """Return a line for each channel of which two poses, there being no more, show the panel differently."""
    lines = []
    for channel, own in _planes(results).items():
        if len(own) != _LEAST_POSES - 1:
            continue
        (one, first), (other, second) = own.items()
        if _turned(second, first):
            lines.append(
                f"poses {one} and {other} show the panel of '{channel}' turned or mirrored against each "
                "other; which of them is right is not known: needs a third pose. Were the photographs of one "
                "turned?"
            )
    return lines


def _planes(results: Sequence[PoseResult]) -> dict[str, dict[str, FloatArray]]:
    """Return the plane of each channel in each pose that has enough dots of it."""
    planes: dict[str, dict[str, FloatArray]] = {}
    for one in results:
        for channel in np.unique(one.rows.channel).tolist():
            own = one.rows.channel == channel
            if np.count_nonzero(own) >= _LEAST_ROWS:
                planes.setdefault(channel, {})[one.name] = _plane(one.rows, own)
    return planes


def without(result: PoseResult, strange: dict[tuple[str, str], str], /) -> PoseResult:
    """Return a result without its strange views, which are told of."""
    from dataclasses import replace

    mine = {channel: words for (name, channel), words in strange.items() if name == result.name}
    if not mine:
        return result
    keep = ~np.isin(result.rows.channel, list(mine))
    rows = Rows(*(getattr(result.rows, name)[keep] for name in Rows.__dataclass_fields__))
    refused = {**result.refused_views, **mine}
    findings = [*result.findings, *mine.values()]
    return replace(
        result,
        rows=rows,
        walk_mm=result.walk_mm[keep],
        findings=findings,
        refused_views=refused,
        pairs=result.pairs.without(list(mine)),
    )


def _plane(rows: Rows, own: np.ndarray) -> FloatArray:
    """Return the direction of the marks' middle and the slopes of a plane, (3, 2), by half the panel."""
    panel = rows.panel[own]
    low, high = panel.min(axis=0), panel.max(axis=0)
    off = (panel - (low + high) / 2.0) / np.maximum((high - low) / 2.0, 1.0)
    design = np.concatenate([np.ones((len(off), 1)), off], axis=1)
    found: FloatArray = np.linalg.lstsq(design, rows.tangent[own], rcond=None)[0]
    return found


def _exchanged_with(plane: FloatArray, channel: str, usual: dict[str, FloatArray]) -> str:
    for other, middle in usual.items():
        if other == channel:
            continue
        way = float(np.linalg.norm(middle[0] - usual[channel][0]))
        to_other = float(np.linalg.norm(plane[0] - middle[0]))
        to_own = float(np.linalg.norm(plane[0] - usual[channel][0]))
        if way > 0.0 and to_other < _NEAR * way and to_own > _FAR * way:
            return other
    return ""


def _turned(plane: FloatArray, usual: FloatArray) -> bool:
    return bool(np.linalg.norm(plane[1:] - usual[1:]) > _TURNED * np.linalg.norm(usual[1:]))
