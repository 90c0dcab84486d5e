"""The picture of a gauge study: every trial by part and appraiser, and where the spread comes from."""

import textwrap

import numpy as np

from prewarp.quality.gauge import GaugeStudy
from prewarp.quality.gauge_table import GaugeTable
from prewarp.report.style import BLUE, CHANNEL_COLOURS, INK, figure, figure_bytes

_WIDTH_PX, _HEIGHT_PX = 1500, 560
_MARKS = "os^Dv<>P"
# Further apart names of parts do not fit.
_MOST_NAMES = 40
_LONGEST_LINE = 130


def gauge_picture(table: GaugeTable, study: GaugeStudy, /, *, title: str = "") -> bytes:
    """Return the picture as PNG."""
    head = textwrap.fill(f"{title}: {study.sentence}", _LONGEST_LINE)
    with figure(_WIDTH_PX, _HEIGHT_PX, head, title_size=12) as drawn:
        left, right = drawn.subplots(1, 2, width_ratios=(2, 1))
        parts, appraisers, trials = table.values.shape
        for number, name in enumerate(table.appraisers):
            aside = 0.5 * ((number + 0.5) / appraisers - 0.5)
            place = np.repeat(np.arange(parts) + aside, trials)
            colour = CHANNEL_COLOURS[number % len(CHANNEL_COLOURS)]
            mark = _MARKS[number % len(_MARKS)]
            values = table.values[:, number]
            left.plot(place, values.ravel(), mark, color=colour, markersize=5, fillstyle="none", label=name)
            left.plot(np.arange(parts) + aside, values.mean(axis=1), "-", color=colour, linewidth=0.8)
        if parts <= _MOST_NAMES:
            left.set_xticks(range(parts), table.parts, rotation=90 if parts > 15 else 0)
        left.set(xlabel="part", ylabel="value", title="Every trial; lines join the means of an appraiser")
        left.legend(title="appraiser", fontsize=9)
        shown = [
            ("repeats", study.ev),
            ("appraisers", study.av),
            ("both: the gauge", study.grr),
            ("parts", study.pv),
        ]
        known = [(name, one) for name, one in shown if one is not None]
        for line, (_, one) in enumerate(known):
            right.barh(line, one.sigma, color=BLUE)
            right.plot([one.low, one.high], [line, line], "|-", color=INK, markersize=12)
        right.set_yticks(range(len(known)), [f"{name}\n{one.percent:.1f} %" for name, one in known])
        right.invert_yaxis()
        # An interval from few appraisers may reach far beyond all else.
        right.set_xlim(0.0, 2.2 * max(study.tv, 1e-12))
        right.set(xlabel="1-sigma with its 95 % interval", title="Percent: of the variance of all values")
    return figure_bytes(drawn)
