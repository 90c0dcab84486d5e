"""A family from fits of earlier units: traced fields of units drawn by lot, with noise, stand in for fits."""

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.spatial.transform import Rotation

from prewarp.cli import main
from prewarp.errors import LineError
from prewarp.field.captured import captured_by
from prewarp.field.fieldset import ChannelReport
from prewarp.frames import unit_from_tangent
from prewarp.grids import grid_from_samples, write_grid
from prewarp.line.family import added
from prewarp.line.flags import flags_of, freedom_of_scatter
from prewarp.line.from_fits import common_polygon, family_from_fits, fits_of
from prewarp.line.moved import MovedFields
from prewarp.line.package import fields_of
from prewarp.line.patterns import motion_columns, ripples
from prewarp.line.rows import PosePrior, Seen, view_of
from prewarp.line.seam import SEAM
from prewarp.line.solve import solved
from prewarp.line.storage import family_bytes, read_family, write_family
from prewarp.line.unit import LineSettings, UnitWork
from prewarp.quality.units_table import read_units
from tests.long.line_units import TWO, removed
from tests.support import long_form

COUNT, UNSOLVED, NOISE_PX = 62, 2, 0.012
FREE = {"poses": "free", "stage_mm": 0.1, "turn_arcmin": 1.0}


def fit_like(fields, noise, provenance):
    """Return fields as a fit of 25 positions over the eye box would hold them."""
    low, high = fields.pupil_box_mm
    x, y, z = (np.linspace(a, b, n) for a, b, n in zip(low, high, (5, 5, 2), strict=True))
    places = np.stack(np.meshgrid(x, y, z), axis=-1).reshape(-1, 3)
    shown = captured_by(places, np.zeros((len(places), 2)))
    reports = tuple(
        ChannelReport(
            name,
            fields.colours,
            "",
            500,
            8000,
            0,
            (0.05,),
            (0.07,),
            noise,
            0.07,
            (),
            np.full((1, 1, 2, 2), noise),
            np.zeros((1, 2)),
            (0.0,),
        )  # fmt: skip
        for name in fields.channels
    )
    captures = dict.fromkeys(fields.channels, shown)
    return replace(fields, reports=reports, captured=captures, provenance=provenance)


def with_noise(family, field, random):
    """Return a field with smooth noise of `NOISE_PX`, RMS."""
    own = family.channels[field.channel]
    drawn, pixel = (
        random.normal(size=own.basis.count),
        random.uniform(0.0, 1.0, (300, 2)) * field.panel_size_px,
    )
    reference = random.uniform(-1.0, 1.0, (300, 2)) * family.pupil_box_mm[1, :2]
    _, jacobian = field.expansion.values_and_jacobian(pixel, reference)
    moved = own.basis.sums(pixel, reference, drawn[:, None])[:, 0].T
    px = np.linalg.solve(np.moveaxis(jacobian, -1, 0), moved[..., None])[..., 0]
    size = np.sqrt(np.mean(np.sum(px**2, axis=1)))
    table = added(field.expansion.coefficients, own.basis.table(NOISE_PX / size * drawn))
    return replace(field, expansion=replace(field.expansion, coefficients=table))


@pytest.fixture(scope="module")
def earlier(line, tmp_path_factory):
    """Return a folder of fits of earlier units."""
    folder, family = tmp_path_factory.mktemp("fits"), line[0]
    moved, random = MovedFields(family), np.random.default_rng(31)
    for number in range(COUNT):
        fields = fields_of(moved, random.normal(size=family.count), {})
        noisy = {key: with_noise(family, field, random) for key, field in fields.fields.items()}
        # Of two the poses were taken from their labels.
        said = FREE if number >= UNSOLVED else {}
        fit_like(replace(fields, fields=noisy), NOISE_PX, said).save(folder / f"E{number}.npz")
    return folder


@pytest.fixture(scope="module")
def learned(earlier, optics):
    return family_from_fits(fits_of([earlier]), optics[0])


def found_in(work, grid):
    views, shots = work.views(grid)
    found = solved(work.family, views, shots, work.settings.prior)
    return found, flags_of(found, work.family)


def captured(fields, seed):
    """Return the grid of a unit from two positions beside their labels, looking beside them."""
    random, rows = np.random.default_rng([32, seed]), []
    for shot, label in enumerate(TWO):
        place = label + 0.1 * random.normal(size=3)
        turn = Rotation.from_rotvec(np.radians(1.0 / 60.0) * random.normal(size=3))
        for name in fields.channels:
            field = fields.field(name, "G")
            axes = [np.linspace(0.04, 0.96, 13) * length for length in field.panel_size_px]
            pixel = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
            seen = turn.inv().apply(unit_from_tangent(field.forward(pixel, pupil_mm=place)))
            noisy = pixel + 0.05 * random.normal(size=pixel.shape)
            rows.append((name, label, seen[:, :2] / seen[:, 2:], noisy, shot))
    count = len(rows[0][2])
    grid = grid_from_samples(
        channel=np.repeat([row[0] for row in rows], count),
        colour=np.full(count * len(rows), "G"),
        pupil_mm=np.repeat([row[1] for row in rows], count, axis=0),
        tangent=np.concatenate([row[2] for row in rows]),
        pixel=np.concatenate([row[3] for row in rows]),
    )
    return replace(grid, extra={"pose": np.repeat([float(row[4]) for row in rows], count)})


def seen_over_claimed(family, found, fields):
    """Return errors of place over the eye box, without seven motions, over their claim, RMS."""
    random, errors, motions, modes = np.random.default_rng(34), [], [], []
    low, high = family.pupil_box_mm
    for name in fields.channels:
        field = fields.field(name, "G")
        pixel = random.uniform(0.04, 0.96, (400, 2)) * field.panel_size_px
        place = random.uniform(low, high, (400, 3))
        seen = Seen(name, "G", pixel, field.forward(pixel, pupil_mm=place), place)
        view = view_of(family, seen, 0, PosePrior(1.0, 1.0))
        whole = np.zeros((len(view.side), family.count))
        whole[:, family.places_of(name)] = view.matrix[:, :-6]
        errors.append(view.side - whole @ found.mean[: family.count])
        modes.append(whole)
        pose = view.matrix[:, -6:].reshape(400, 2, 6) / np.repeat([1.0, np.radians(1.0 / 60.0)], 3)
        motions.append((pose @ motion_columns(place)).reshape(-1, 7))
    motions = np.concatenate(motions)
    error, matrix = removed(np.concatenate(errors), motions), removed(np.concatenate(modes), motions)
    covariance = found.covariance[: family.count, : family.count]
    rest = np.mean([one.rest_px**2 for one in family.channels.values()])
    return np.sqrt(
        2.0 * np.mean(error**2) / (2.0 * np.mean(np.sum((matrix @ covariance) * matrix, 1)) + rest)
    )


@pytest.fixture(scope="module")
def units(line):
    """Return new units: their fields and what they are, the last with glass far off in one channel."""
    moved, random = MovedFields(line[0]), np.random.default_rng(33)
    drawn = random.normal(size=(9, line[0].count))
    drawn[-1, [label.endswith("index") for label in line[0].labels].index(True)] = 12.0
    return [fields_of(moved, one, {}) for one in drawn]


def test_units_are_known_as_well_as_is_claimed_and_faults_are_found(learned, units):
    work, ratios = UnitWork(learned, LineSettings()), []
    for number, fields in enumerate(units):
        found, flags = found_in(work, captured(fields, number))
        if number == len(units) - 1:
            assert not flags.fits
            continue
        assert flags.fits
        ratios.append(seen_over_claimed(learned, found, fields) ** 2)
    assert 0.6 < np.sqrt(np.mean(ratios)) < 1.4


def test_a_family_from_fits_is_read_as_it_was_written(learned, tmp_path):
    write_family(tmp_path / "family.npz", learned)
    again = read_family(tmp_path / "family.npz")
    assert family_bytes(again) == family_bytes(learned)
    assert again.kind == f"fits of {COUNT} earlier units" and again.design is None
    with pytest.raises(LineError, match="no optics to trace"):
        again.optics_of("inner", np.zeros(again.count))


def test_commands_say_what_judged_a_unit(earlier, learned, units, tmp_path):
    family, table = tmp_path / "family.npz", tmp_path / "line"
    write_family(family, learned)
    for number, fields in enumerate(units[:3]):
        write_grid(tmp_path / f"U{number}.npz", captured(fields, number))
    grids = [str(tmp_path / f"U{number}.npz") for number in range(3)]
    asked = ["line", "run", str(family), *grids, "--jobs", "1", "-o", str(table), "--json"]
    done = CliRunner().invoke(main, asked)
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["family"] == f"fits of {COUNT} earlier units"
    assert told["warning"].startswith(f"poses of {UNSOLVED} of {COUNT} earlier units were taken from")
    assert set(read_units(table / "units.csv").status) == {"pass"}
    assert "earlier units" in (table / "modes.csv").read_text()
    few = CliRunner().invoke(
        main, ["line", "family", "calib/folded.module.toml", "--fits", str(tmp_path), "-o", str(family)]
    )
    assert few.exit_code == 2 and "not known: needs 60 or more units" in few.output
    both = ["line", "family", "a.toml", "b.toml", "--fits", str(earlier), "-o", str(family)]
    assert CliRunner().invoke(main, both).exit_code == 2


def test_the_seam_is_not_known_from_fewer_units_than_positions_need(learned, units, optics, tmp_path):
    """Two positions, as a family of fewer units would say it, and of as many as are needed."""
    write_grid(tmp_path / "U0.npz", captured(units[0], 0))
    settings = LineSettings(display=optics[0])
    few = replace(learned, learned=replace(learned.learned, units=59))
    row = UnitWork(few, settings).row("U0", tmp_path / "U0.npz")
    assert "seam_error_p95_arcmin not known: needs 60 earlier units" in row.reason
    assert "place_px" in row.numbers and SEAM not in row.numbers
    assert SEAM in UnitWork(learned, settings).row("U0", tmp_path / "U0.npz").numbers


@pytest.mark.parametrize(
    "change, reason",
    [
        (lambda module: replace(module, colours=(replace(module.colours[0], name="R"),)), "colours"),
        (lambda module: replace(module, channels=module.channels[:1]), "channels"),
        (
            lambda module: replace(module, eye_box=replace(module.eye_box, half_x_mm=8.0)),
            "inside the eye box",
        ),
    ],
)
def test_fits_of_another_display_are_refused(earlier, optics, change, reason):
    with pytest.raises(LineError, match=rf"E0.npz.*{reason}"):
        family_from_fits(fits_of([earlier]), change(optics[0]))


def test_what_polygons_have_in_common():
    square = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]])
    found = common_polygon([square, square + 1.0])
    assert sorted(map(tuple, found.tolist())) == [(1.0, 1.0), (1.0, 2.0), (2.0, 1.0), (2.0, 2.0)]
    assert len(common_polygon([square, square + 3.0])) == 0


def test_a_common_turn_is_that_of_places_about_the_middle():
    """By scipy's rotations, to first order; scale moves a place outward."""
    place = np.array([[1.0, -2.0, 0.5]])
    columns = motion_columns(place)[0]
    for axis in range(3):
        turn = np.radians(1.0 / 60.0) * np.eye(3)[axis]
        moved = Rotation.from_rotvec(turn).apply(place)[0] - place[0]
        assert columns[:3, 3 + axis] == pytest.approx(moved, abs=1e-6)
        assert columns[3:, 3 + axis] == pytest.approx(turn)
    assert columns[:3, 6] == pytest.approx(place[0]) and not columns[3:, 6].any()


def test_ripples_are_gradients_of_wavefronts():
    """By differences over the pupil, which share no derivative: no curl, as Malus and Dupin have it."""
    random = np.random.default_rng(2)
    place, tangent = random.uniform(-3.0, 3.0, (400, 2)), random.uniform(-0.4, 0.4, (400, 2))
    step = 1e-3
    whole = np.concatenate([place, place + [step, 0.0], place + [0.0, step]])
    cosines, degrees = ripples(whole, np.tile(tangent, (3, 1)), 28.0)
    here, right, up = np.split(cosines, 3, axis=2)
    by_x, by_y = (right - here)[:, 1] / step, (up - here)[:, 0] / step
    assert np.abs(by_x - by_y).max() < 1e-3 * np.abs(by_x).max()
    assert len(here) == len(degrees) == 22 and set(degrees) == {3, 4, 5, 6}


def test_scatter_of_energies_is_that_of_an_f_distribution():
    """Against scipy's moments of F."""
    from scipy import stats

    mean, variance = stats.f.stats(40, 29, moments="mv")
    assert freedom_of_scatter(variance / mean**2, 40, 1e6) == pytest.approx(29.0)
    assert freedom_of_scatter(2.0 / 40, 40, 1e6) == 1e6


@long_form
def test_a_traced_line_is_as_is_claimed(tmp_path):
    """62 earlier units fitted with free poses; see `tests.long.line_learned` for more of them."""
    from tests.long import line_learned

    (tmp_path / "fits").mkdir()
    for number in range(COUNT):
        line_learned.fit_of(tmp_path, number, False)
    line_learned.family_of(tmp_path, "62", range(COUNT))
    _, chances, _, _, ratios, seams = line_learned.judged(tmp_path, "62", "two", range(12))
    assert np.min(chances) >= 1e-3
    # Claims of one family of 62 units are good to some 15 %.
    assert 0.7 < np.sqrt(np.mean(ratios)) < 1.3
    assert 0.5 < np.sqrt(np.mean(seams)) < 1.6
    _, chances, *_ = line_learned.judged(tmp_path, "62", "spacing", range(8))
    assert np.sum(np.min(chances, axis=1) < 1e-3) >= 5
