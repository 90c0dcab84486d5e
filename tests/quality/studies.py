"""Numbers from outside that several tests of statistics use."""

import numpy as np

# Gauge study of ten parts, three appraisers, three trials: the example of AIAG's "Measurement Systems
# Analysis", from memory; its sums of squares below were found in a package as well.
_APPRAISERS = (
    ((0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36),
     (0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25),
     (0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31)),
    ((0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68),
     (0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62),
     (0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50)),
    ((0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49),
     (-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77),
     (-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16)),
)  # fmt: skip
# (parts, appraisers, trials)
AIAG = np.array(_APPRAISERS).transpose(2, 0, 1)
# Appraisers, parts, interaction, repeats.
AIAG_SQUARES = (3.16726, 88.36193, 0.35898, 2.75893)


def gauge_csv() -> str:
    """Return the study as the file that `prewarp line gauge` reads."""
    lines = ["part,appraiser,trial,value"]
    for (part, appraiser, trial), value in np.ndenumerate(AIAG):
        lines.append(f"{part + 1},{'ABC'[appraiser]},{trial + 1},{value:g}")
    return "\n".join(lines) + "\n"
