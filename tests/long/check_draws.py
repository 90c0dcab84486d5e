"""How often `check` finds planted faults, and how often it blames grids that are right.

    python -m tests.long.check_draws [--draws 200] [--processes 1] [--faults cluster,patch] [--positions few]

Six kinds of grid: the closed form of `tests.synthetic` on a lattice on the panel, on one in direction,
scattered, and at three depths; the traced demo designs, coaxial and folded. Faults are as large as benches
show them; noise is drawn so that a fault is 3 to 20 times as large. A fault counts as found when one finding
names at least 80 % of its rows and at most 20 % others, with the right pupil, and a size within 30 %.

Of `few` positions (one, two, three on a line, in turn) rows that moved together and patches can be found; a
shot that is off as a whole, a stage that is off, angles of a goniometer cannot, and count where something is
blamed for them.

Last figures: DEVELOPERS.md, "What may be claimed from a capture".
"""

import argparse
import time
from collections import Counter
from dataclasses import dataclass, replace
from functools import cache, partial
from multiprocessing import Pool
from pathlib import Path

import numpy as np

from prewarp.checking import check_grid
from prewarp.frames import unit_from_tangent
from prewarp.grids import read_grid
from tests.synthetic import make_grid, plane_image_forward, pupil_lattice, two_channels

CALIB = Path(__file__).parents[2] / "calib"
KINDS = ("panel", "direction", "scattered", "depths", "coaxial", "folded")
SIZES = {"cluster": 3.0, "patch": 2.0, "shot": 1.0, "stage": 0.2}
# Those that few positions show, and what they cannot.
FEW_SHOW, FEW_HIDE = ("cluster", "patch"), ("shot", "stage", "angles")
MOST_FEW = 3
POINTS, POINTS_FEW = 15, 33


@cache
def exact(kind, positions=None):
    """Return a noise-free grid of one colour and two channels, from all positions or so many on a line."""
    if kind in ("coaxial", "folded"):
        grid = read_grid(CALIB / f"{kind}.grid.npz").select(colour="G")
        if positions is None:
            return grid
        line = np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 0.0], [-4.0, 0.0, 0.0]])[:positions]
        return grid.take((grid.pupil_mm[:, None] == line).all(axis=2).any(axis=1))
    shape = "panel" if kind == "depths" else kind
    if positions is not None:
        line = np.array([[0.0, 0.0, 0.0], [4.0, 1.0, 0.0], [-4.0, -1.0, 0.0]])[:positions]
        line = line[:, ::-1] * [1.0, 1.0, 0.5] if kind == "depths" else line
        return make_grid(shape, points=POINTS_FEW, pupils=line, colours=("G",))
    pupils = pupil_lattice(3, 4.0, (-2.0, 0.0, 2.0)) if kind == "depths" else pupil_lattice(5)
    return make_grid(shape, points=POINTS, pupils=pupils, colours=("G",))


def displaced(kind, step_px, pupil_step_mm=None, positions=None):
    """Return the grid of a kind with panel points displaced by (n, 2) px where they are seen."""
    grid = exact(kind, positions)
    if pupil_step_mm is not None:
        grid = replace(grid, pupil_mm=grid.pupil_mm + pupil_step_mm)
    if kind not in ("panel", "depths"):
        return replace(grid, pixel=grid.pixel + step_px)
    # On a lattice on the panel the panel points are known, and what is measured is the direction.
    tangent = np.empty_like(grid.tangent)
    truth = exact(kind, positions).pupil_mm
    for code, display in enumerate(two_channels().values()):
        own = grid.channel == code
        tangent[own] = plane_image_forward(grid.pixel[own] - step_px[own], truth[own], display)
    return replace(grid, tangent=tangent, direction_deg=None)


@dataclass(frozen=True)
class Draw:
    """A grid with one fault: its rows, pupil (or None) and size with unit; noise in px."""

    grid: object
    rows: frozenset
    pupil_mm: tuple | None
    size: tuple[float, str]
    noise_px: float


def angle(random, count=None):
    a = random.uniform(0.0, 2.0 * np.pi, count)
    return np.stack([np.cos(a), np.sin(a)], axis=-1)


def draw(fault, kind, seed, positions=None):
    """Return one draw of a fault in a kind of grid, from all positions or so many on a line."""
    random = np.random.default_rng(seed)
    grid = exact(kind, positions)
    ratio = np.exp(random.uniform(np.log(3.0), np.log(20.0)))
    noise = SIZES[fault] / ratio
    step = np.zeros((len(grid), 2))
    pupil_step = None
    first = int(random.integers(len(grid)))
    pupil = grid.pupil_mm[first]
    same_pupil = (grid.pupil_mm == pupil).all(axis=1)
    same_channel = grid.channel == grid.channel[first]
    size = (SIZES[fault], "px")
    if fault == "cluster":
        own = np.flatnonzero(same_pupil & same_channel)
        if random.random() < 0.5:
            away = np.linalg.norm(grid.pixel[own] - grid.pixel[first], axis=1)
            rows = own[np.argsort(away)[:24]]
        else:
            start = min(int(np.searchsorted(own, first)), len(own) - 24)
            if positions is not None and kind in ("panel", "direction", "depths"):
                start -= max(start % POINTS_FEW + 24 - POINTS_FEW, 0)  # rows of one line of dots
            rows = own[start : start + 24]
            if kind == "scattered":  # consecutive rows are no neighbours there
                away = np.abs(grid.pixel[own] - grid.pixel[first]) @ np.array([0.2, 1.0])
                rows = own[np.argsort(away)[:24]]
        step[rows] = SIZES[fault] * angle(random)
    elif fault == "patch":
        own = np.flatnonzero(same_channel)
        away = np.linalg.norm(grid.pixel[own] - grid.pixel[first], axis=1)
        count = min(150, len(own) // 8)  # few positions of the traced designs have 300 rows each
        within = own[np.argsort(away)[: int(random.choice([count, 3 * count // 2, 2 * count]))]]
        rows = random.permutation(within)[:count]
        step[rows] = angle(random, count) * random.uniform(2.0, 5.0, count)[:, None]
        pupil, size = None, (3.5, "px")
    elif fault == "shot":
        rows = np.flatnonzero(same_pupil & same_channel)
        step[rows] = SIZES[fault] * angle(random)
    else:
        rows = np.flatnonzero(same_pupil)
        pupil_step = np.zeros((len(grid), 3))
        pupil_step[rows, :2] = SIZES[fault] * angle(random)
        pupil = pupil + pupil_step[rows[0]]
        noise = shift_px(kind) * SIZES[fault] / ratio
        size = (SIZES[fault], "mm")
    step += noise * random.normal(size=step.shape)
    return Draw(
        displaced(kind, step, pupil_step, positions),
        frozenset(grid.row[rows].tolist()),
        None if pupil is None else tuple(pupil),
        size,
        noise,
    )


@cache
def shift_px(kind):
    """Return roughly how far panel points move per mm of pupil, px, in a kind of grid."""
    return {"coaxial": 1.7, "folded": 1.7}.get(kind, 2.0)


def judge(made, result):
    """Return what is wrong with a check's answer to a draw: "" where the fault was found."""
    told = [f for f in result.findings if f.severity != "remark" and f.kind in ("patch", "shot", "pupil")]
    if not told:
        return "not found"
    found = max(told, key=lambda f: len(made.rows & set(f.rows)))
    named = len(made.rows & set(found.rows))
    if named < 0.8 * len(made.rows):
        return f"{named} of {len(made.rows)} named"
    if found.row_count - named > 0.2 * found.row_count:
        return f"{found.row_count - named} right rows blamed"
    if made.pupil_mm is not None and found.pupil_mm is None:
        return "no pupil"
    if made.pupil_mm is not None and not np.allclose(found.pupil_mm, made.pupil_mm, atol=1e-6):
        return "other pupil"
    if made.size[1] == "mm" and found.size.unit == "px":
        return "no mm"
    if abs(found.size.value - made.size[0]) > 0.3 * made.size[0]:
        return f"size {found.size.value:.3g} {found.size.unit}"
    return ""


def extra(result):
    """Return how many findings there are that are no remarks, beyond the one."""
    return max(sum(f.severity != "remark" for f in result.findings) - 1, 0)


def right(kind, seed, positions=None):
    """Return a noisy grid without faults."""
    random = np.random.default_rng(seed)
    noise = np.exp(random.uniform(np.log(0.02), np.log(0.7)))
    step = noise * random.normal(size=(len(exact(kind, positions)), 2))
    return displaced(kind, step, positions=positions), noise


def with_angles(kind, seed, positions=None):
    """Return a right grid whose directions are angles of a goniometer, of both orders in turn."""
    grid, noise = right(kind, seed, positions)
    x, y, z = unit_from_tangent(grid.tangent).T
    angles = [np.arcsin(x), np.arctan2(y, z)] if carried(seed) else [np.arctan2(x, z), np.arcsin(y)]
    angles = np.stack(angles, axis=-1)
    return replace(grid, tangent=np.tan(angles), direction_deg=None), noise


def carried(seed):
    """Return whether elevation carries the other axis in a draw, rather than azimuth."""
    return seed // len(KINDS) % 2 == 1


def told_of(grid):
    """Return the findings of a check that are no remarks, as lines."""
    return [f.line() for f in check_grid(grid).findings if f.severity != "remark"]


def found_draw(fault, few, seed):
    """Return kind, positions, what is wrong with the answer to a draw, and whether more is told."""
    kind, positions = KINDS[seed % len(KINDS)], None
    if few:
        positions = 1 + seed // len(KINDS) % MOST_FEW
    made = draw(fault, kind, seed, positions)
    result = check_grid(made.grid)
    what = judge(made, result)
    return kind, positions, what and f"{what}; ratio {made.size[0] / made.noise_px:.1f}", extra(result) > 0


def hidden_draw(fault, seed):
    """Return kind, positions and what is blamed where few positions do not show a fault."""
    kind, positions = KINDS[seed % len(KINDS)], 1 + seed // len(KINDS) % MOST_FEW
    if fault == "angles":
        grid, _ = with_angles(kind, seed, positions)
    else:
        grid = draw(fault, kind, seed, positions).grid
    return kind, positions, told_of(grid)


def angles_draw(seed):
    """Return kind and what is wrong with the answer to angles of a goniometer from all positions."""
    kind = KINDS[seed % len(KINDS)]
    grid, noise = with_angles(kind, seed)
    told = [f for f in check_grid(grid).findings if f.severity != "remark"]
    words = "carried by an elevation axis" if carried(seed) else "azimuth and elevation"
    wanted = [f for f in told if f.kind == "angles" and words in f.text]
    kinds = sorted({f.kind for f in told})
    return kind, "" if wanted and len(told) == 1 else f"noise {noise:.3f}: {kinds}"


def right_draw(kind, few, seed):
    """Return positions and what is blamed in a right grid."""
    positions = 1 + seed % MOST_FEW if few else None
    grid, noise = right(kind, seed, positions)
    return positions, [f"noise {noise:.3f}: {line}" for line in told_of(grid)]


def main() -> None:
    """Print shares found and shares of false alarms."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--draws", type=int, default=200)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--faults", default=",".join((*SIZES, "angles", "right")))
    parser.add_argument("--positions", choices=("all", "few"), default="all")
    asked = parser.parse_args()
    few = asked.positions == "few"
    with Pool(asked.processes) as pool:
        for fault in asked.faults.split(","):
            start = time.perf_counter()
            if fault == "right":
                for kind in KINDS:
                    alarms = 0
                    for seed, (positions, told) in enumerate(
                        pool.imap(partial(right_draw, kind, few), range(asked.draws))
                    ):
                        alarms += bool(told)
                        for line in told:
                            print(f"  {kind} {positions or ''} {seed} {line[:200]}", flush=True)
                    print(f"{kind}: false alarms {100 * alarms / asked.draws:.1f} %", flush=True)
            elif fault in FEW_SHOW or (fault in SIZES and not few):
                bad, more = Counter(), 0
                for seed, (kind, positions, what, others) in enumerate(
                    pool.imap(partial(found_draw, fault, few), range(asked.draws))
                ):
                    more += others
                    if what:
                        bad[kind, positions] += 1
                        print(f"  {fault} {kind} {positions or ''} {seed}: {what}", flush=True)
                share = 100 * (1 - sum(bad.values()) / asked.draws)
                print(
                    f"{fault}: found {share:.1f} %, more than one finding in {more} of {asked.draws}; "
                    f"missed by kind {dict(bad)}",
                    flush=True,
                )
            elif few:
                blamed = 0
                for seed, (kind, positions, told) in enumerate(
                    pool.imap(partial(hidden_draw, fault), range(asked.draws))
                ):
                    blamed += bool(told)
                    for line in told:
                        print(f"  {fault} {kind} {positions} {seed}: {line[:200]}", flush=True)
                print(f"{fault}: something blamed in {blamed} of {asked.draws}", flush=True)
            else:
                bad = Counter()
                for seed, (kind, what) in enumerate(pool.imap(angles_draw, range(asked.draws))):
                    if what:
                        bad[kind] += 1
                        print(f"  {fault} {kind} {seed} {what}", flush=True)
                share = 100 * (1 - sum(bad.values()) / asked.draws)
                print(f"{fault}: found {share:.1f} %; missed by kind {dict(bad)}", flush=True)
            print(f"  {time.perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
