"""The demo's figures as lines of a table, modules side by side."""

from collections.abc import Callable, Mapping
from typing import Any

Line = tuple[str, ...]
Figures = dict[str, Any]


def table_lines(figures: Mapping[str, Figures], /) -> list[tuple[str, list[Line]]]:
    """Return sections of lines: what is measured, then one text per module in the order of `figures`."""
    modules = list(figures.values())

    def line(label: str, value: Callable[[Figures], str]) -> Line:
        return (label, *(value(module) for module in modules))

    def spread(unit: str, *path: str) -> Callable[[Figures], str]:
        def text(module: Figures) -> str:
            for key in path:
                module = module[key]
            return " / ".join(number(module[f"{name}_{unit}"]) for name in ("rms", "p95", "max"))

        return text

    def contrast(state: str) -> Callable[[Figures], str]:
        names = ("step_percent", "ripple_percent")
        return lambda module: " / ".join(number(module["light"][state][name]) for name in names)

    def view(name: str) -> Callable[[Figures], str]:
        return lambda module: (
            " x ".join(
                f"{module['reach']['field_of_view'][name][f'{way}_deg']:.1f}"
                for way in ("horizontal", "vertical")
            )
            + f", diagonal {module['reach']['field_of_view'][name]['diagonal_deg']:.1f}"
        )

    channels = list(modules[0]["reach"]["px_per_degree"])
    return [
        (
            "Fit (RMS / p95 / max)",
            [
                line("captured samples against the fit, px", spread("px", "fit", "residual")),
                line("captured samples against the fit, arcmin", spread("arcmin", "fit", "residual")),
                line("fit against the noise-free trace, px", spread("px", "fit", "truth")),
                line("fit against the noise-free trace, arcmin", spread("arcmin", "fit", "truth")),
                line("map error due to this noise, px RMS", lambda m: number(m["fit"]["floor_px"])),
                line(
                    "outliers put in / of these named / false positives",
                    lambda m: " / ".join(
                        str(m["fit"][key]) for key in ("outliers_put_in", "outliers_named", "false_positives")
                    ),
                ),
            ],
        ),
        (
            "Seam error over the overlap, arcmin (RMS / p95 / max)",
            [
                line("pupil centred", spread("arcmin", "seam_error", "centred")),
                line(
                    "pupil 3 mm to the right, not tracked", spread("arcmin", "seam_error", "moved_untracked")
                ),
                line("pupil 3 mm to the right, tracked", spread("arcmin", "seam_error", "moved_tracked")),
            ],
        ),
        (
            "Field of view from the whole eye box, degrees",
            [
                *(line(f"channel '{name}' alone", view(name)) for name in channels),
                line("joined", view("joined")),
                line("overlap at eye level", lambda m: f"{m['reach']['overlap_at_eye_level_deg']:.1f}"),
                line(
                    f"px per degree, middle of {' / '.join(channels)}",
                    lambda m: " / ".join(f"{m['reach']['px_per_degree'][name]:.1f}" for name in channels),
                ),
            ],
        ),
        (
            "Luminance across the seam, uniform field, pupil 3 mm to the right, tracked; percent (worst line "
            "and colour)",
            [
                *(line(f"step / ripple {state} the match", contrast(state)) for state in ("before", "after")),
                line("light kept by the match", lambda m: number(m["light"]["kept_percent"])),
            ],
        ),
        (
            "What no warp can mend",
            [
                line(
                    "focus step across the overlap, dioptres (RMS / max)",
                    lambda m: " / ".join(
                        number(m["focus"][f"focus_step_{name}_dioptres"]) for name in ("rms", "max")
                    ),
                ),
            ],
        ),
        (
            "Eye tracker, over natural eye movement (95 % of time samples)",
            [
                line(
                    "seam error without a tracker, arcmin",
                    lambda m: number(m["tracker"]["fixed"]["at_limit_percentile_arcmin"]),
                ),
                line("to stay under 1 arcmin it needs", _tracker_need),
            ],
        ),
    ]


def number(value: float | None) -> str:
    """Return a figure with three digits; a dash for what is not known."""
    return "-" if value is None else f"{value:#.3g}".rstrip(".")


def _tracker_need(module: Figures) -> str:
    """Return the accuracy needed at a latency, or that none is needed or none will do."""
    tracker = module["tracker"]
    needed, longest = tracker["needed"], tracker["longest_latency_ms"]
    if needed is None:
        return str(tracker["verdict"]).replace("_", " ")
    last = "" if longest is None else f", {longest:.0f} ms at the latest"
    return f"{number(needed['accuracy_mm'])} mm at {needed['latency_ms']:.2g} ms{last}"
