"""Units of a line, simulated: a design off by its tolerances, traced, with noise of dots and of poses."""

from dataclasses import replace

import numpy as np

from prewarp.grids import grid_from_samples
from prewarp.trace import drawn_design, reach_lattice, trace_channel

# N-LASF44: not that of any lens of the demo.
OTHER_GLASS = "804465"
NOISE_PX, OFFSET_MM, TURN_ARCMIN = 0.05, 0.1, 1.0


def unit_design(design, seed):
    """Return the design of unit number `seed`."""
    return drawn_design(design, np.random.default_rng([11, seed]))


def captured_unit(
    unit,
    module,
    positions,
    seed,
    *,
    directions=(19, 17),
    noise_px=NOISE_PX,
    offset_mm=OFFSET_MM,
    turn_arcmin=TURN_ARCMIN,
):
    """Return the grid of a unit: every channel and colour from each label of `positions` (n, 3), mm; the
    camera stands and looks beside its label, and no channel moves it.
    """
    random = np.random.default_rng([12, seed])
    rows = {name: [] for name in ("channel", "colour", "pupil_mm", "tangent", "pixel", "pose")}
    for shot, label in enumerate(np.asarray(positions, float)):
        offset = offset_mm * random.normal(size=3)
        turn = np.radians(turn_arcmin / 60.0) * random.normal(size=3)
        for channel in module.channels:
            said = reach_lattice(channel, directions, margin_deg=(0.5, 7.0))
            unit_said = np.column_stack([said, np.ones(len(said))])
            unit_said /= np.linalg.norm(unit_said, axis=1, keepdims=True)
            true = unit_said + np.cross(turn, unit_said) + 0.5 * np.cross(turn, np.cross(turn, unit_said))
            for colour in module.colours:
                seen = trace_channel(
                    unit.channel(channel.name),
                    channel.panel,
                    true[:, :2] / true[:, 2:],
                    pupil_mm=label + offset,
                    wavelength_nm=colour.wavelength_nm,
                )
                kept = seen.valid
                count = int(kept.sum())
                rows["channel"].append(np.full(count, channel.name))
                rows["colour"].append(np.full(count, colour.name))
                rows["pupil_mm"].append(np.broadcast_to(label, (count, 3)))
                rows["tangent"].append(said[kept])
                rows["pixel"].append(seen.pixel[kept] + noise_px * random.normal(size=(count, 2)))
                rows["pose"].append(np.full(count, shot + 1))
    joined = {name: np.concatenate(parts) for name, parts in rows.items()}
    pose = joined.pop("pose")
    return replace(grid_from_samples(**joined), extra={"pose": pose.astype(float)})


def faulty_unit(unit, fault, number):
    """Return a unit with a fault that no tolerance allows, in one of its channels by turns.

    "spacing": the gap between the lenses off by 0.3 mm; "glass": lens 1 of another glass (804465 for 755523);
    "ripple": 0.05 um RMS of a Zernike term of degree 7 on the mirror.
    """
    name = sorted(one.name for one in unit.channels)[number % 2]
    channel = unit.channel(name)
    surfaces = list(channel.surfaces)
    if fault == "spacing":
        surfaces[3] = replace(surfaces[3], gap_mm=surfaces[3].gap_mm + (0.3 if number % 4 < 2 else -0.3))
    elif fault == "glass":
        surfaces[1] = replace(surfaces[1], glass=OTHER_GLASS)
    else:
        terms = [*surfaces[0].figure_um, *[0.0] * (36 - len(surfaces[0].figure_um))]
        # Z_7^3: single index (7 (7 + 2) + 3) / 2.
        terms[33] += 0.05
        surfaces[0] = replace(surfaces[0], figure_um=tuple(terms))
    made = replace(channel, surfaces=tuple(surfaces))
    return replace(unit, channels=tuple(made if one.name == name else one for one in unit.channels))
