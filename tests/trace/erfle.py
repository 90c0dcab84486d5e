"""The Erfle eyepiece of US patent 1,479,229, as optiland 0.6.3 carries it (samples/eyepieces.py)."""

from prewarp.trace.design import DesignChannel, PanelPlace, Surface

EYE_RELIEF_MM = 15.224
# Radius mm, thickness behind mm, medium behind.
PRESCRIPTION = (
    (269.0, 25.1, "L-BSL7"),
    (-125.9, 36.5, "air"),
    (93.6, 18.5, "N-BAK2"),
    (-93.6, 4.1, "N-F2"),
    (2550.0, 0.19, "air"),
    (93.6, 18.5, "N-BAK2"),
    (-93.6, 4.1, "N-F2"),
    (2550.0, 32.685, "air"),
)
LINE_D_NM, LINE_F_NM, LINE_C_NM = 587.5618, 486.1327, 656.2725


def erfle(*, indices: dict[str, float] | None = None) -> DesignChannel:
    """Return the eyepiece; with `indices`, constant ones replace the glasses' dispersion."""
    gaps = [EYE_RELIEF_MM, *(thickness for _, thickness, _ in PRESCRIPTION)]
    surfaces = []
    for (radius, _, glass), gap in zip(PRESCRIPTION, gaps, strict=False):
        medium = {"glass": glass} if indices is None or glass == "air" else {"index": indices[glass]}
        surfaces.append(Surface(gap_mm=gap, radius_mm=radius, **medium))
    return DesignChannel("erfle", tuple(surfaces), PanelPlace(gap_mm=gaps[-1]))
