"""Tables of units from those of their family, and packages of a line."""

import pickle
import shutil
from dataclasses import replace

import numpy as np
import pytest

from prewarp.errors import PrewarpError
from prewarp.export.verify import verify_package
from prewarp.frames import cosine_from_tangent
from prewarp.line import cluster
from prewarp.line.cluster import Shared, put_package, unit_sent
from prewarp.line.moved import MovedFields
from prewarp.line.package import FOLDER, PackagePlan, PackageSettings, fields_of
from prewarp.line.run import run_line, units_of
from prewarp.line.storage import read_family
from prewarp.line.tables import FamilyTables
from prewarp.line.unit import LineSettings, UnitRow, UnitWork
from prewarp.lookup import Lookup, prepare
from prewarp.lookup.blob import blob_from_lookup
from prewarp.lookup.chebyshev_terms import chebyshev_table, graded_coefficients, rounded_codes
from prewarp.lookup.series import field_series
from prewarp.quality.conformance import FAIL, PASS
from prewarp.quality.units_table import read_units
from tests.line.clusters import cluster_that_loses_a_worker
from tests.support import long_form

STEP_PX = 0.002


@pytest.fixture(scope="module")
def tables(line):
    """Return tables of the nominal fields, rounded finely; made without a search."""
    family = line[0]
    nominal = fields_of(MovedFields(family), np.zeros(family.count), {})
    channels, maps = tuple(family.channels), []
    for place, name in enumerate(channels):
        field = nominal.field(name, "G")
        wanted = graded_coefficients(
            field_series(field, family.pupil_box_mm, panel_nodes=24, pupil_nodes=(5, 5, 3))
        )
        step = float(np.float32(STEP_PX / 58.0 * np.pi / 180.0))
        maps.append(replace(chebyshev_table(rounded_codes(wanted, step), step), channel=place))
    sizes = tuple(nominal.field(name, "G").panel_size_px for name in channels)
    return FamilyTables(Lookup(channels, ("G",), sizes, family.pupil_box_mm, tuple(maps)), nominal)


@pytest.mark.parametrize("sigmas", [0.0, 1.0, 3.0])
def test_tables_of_a_unit_are_its_field(line, tables, sigmas):
    """Evaluated as a device does, over panel and eye box; what rounds is the same however far a unit is."""
    family, random = line[0], np.random.default_rng(9)
    fields = fields_of(MovedFields(family), sigmas * random.normal(size=family.count), {})
    lookup, px_per_radian = tables.of_unit(fields), 58.0 * 180.0 / np.pi
    for place, name in enumerate(lookup.channels):
        field = fields.field(name, "G")
        pixel = random.uniform([0.0, 0.0], field.panel_size_px, (60, 2))
        for pupil in random.uniform(*family.pupil_box_mm, (4, 3)):
            wanted = cosine_from_tangent(field.forward(pixel, pupil_mm=pupil))
            own, nominal = (
                np.abs(cosine_from_tangent(seen.astype(float)) - wanted).max() * px_per_radian
                for seen in (
                    prepare(one, place, pupil).direction_from_panel(pixel) for one in (lookup, tables.lookup)
                )
            )
            assert own < 40.0 * STEP_PX
            assert nominal > 0.5 * sigmas


@pytest.fixture(scope="module")
def plan(optics, tables):
    return PackagePlan(PackageSettings(optics[0], 0.5), blob_from_lookup(tables.lookup))


def test_a_package_that_is_sent_is_the_one_that_is_written(line, plan, tmp_path):
    """What a cluster's worker runs, and what becomes of it here."""
    _, path, grids = line
    family = read_family(path)
    row = UnitWork(family, LineSettings(), plan.of(family)).row(
        "U1", grids / "U1.npz", folder=tmp_path / "here"
    )
    assert row.status == "pass" and row.numbers["package_error_px"] < 0.5
    shared = Shared(path.read_bytes(), LineSettings(), plan)
    sent = pickle.loads(pickle.dumps(unit_sent(shared, "U1", "U1.npz", (grids / "U1.npz").read_bytes())))
    assert sent.row == row
    put_package(sent.files, tmp_path / "sent" / "U1")
    written = files_of(tmp_path / "here" / "U1")
    assert len(written) > 10 and written == files_of(tmp_path / "sent" / "U1")
    assert verify_package(tmp_path / "sent" / "U1").ok
    spoilt = {**sent.files, "GUIDE.md": sent.files["GUIDE.md"] + b" "}
    outside = {**sent.files, "../elsewhere": b"1"}
    more = {**sent.files, "more": b"1"}
    for files, why in ((spoilt, "not the one that was exported"), (outside, "inside"), (more, "not list")):
        with pytest.raises(PrewarpError, match=why):
            put_package(files, tmp_path / "spoilt" / "U1")
    assert not (tmp_path / "spoilt").exists() and not (tmp_path / "elsewhere").exists()


def test_a_package_that_is_too_large_is_not_sent_and_fails_its_unit(monkeypatch):
    class Work:
        def row(self, serial, path, *, folder):
            (folder / serial).mkdir(parents=True)
            (folder / serial / "large").write_bytes(bytes(3 << 20))
            return UnitRow(serial, PASS, "", {"place_px": 0.1, "package_error_px": 0.2})

    monkeypatch.setattr(cluster, "_work", lambda shared: Work())
    sent = unit_sent(Shared(b"", LineSettings()), "U1", "U1.npz", b"")
    assert sent.row.status == PASS and len(sent.files["large"]) == 3 << 20
    monkeypatch.setattr(cluster, "MAX_PACKAGE_BYTES", 2 << 20)
    sent = unit_sent(Shared(b"", LineSettings()), "U1", "U1.npz", b"")
    assert not sent.files and sent.row.status == FAIL
    assert sent.row.reason == "no package: it takes 3 MiB; at most 2 are sent"
    assert sent.row.numbers == {"place_px": 0.1}


def files_of(folder):
    return {
        file.relative_to(folder).as_posix(): file.read_bytes() for file in folder.rglob("*") if file.is_file()
    }


@long_form
@pytest.mark.filterwarnings("default")
def test_every_unit_gets_a_verified_package_on_a_cluster_too(line, optics, tmp_path):
    """One that is gone is written again; a cluster of two workers, one of them killed, writes the same."""
    module, (_, family, grids) = optics[0], line
    settings, wanted = LineSettings(positions=2), PackageSettings(module, 0.5)
    units, here = units_of([grids]), tmp_path / "line"
    done = run_line(family, units, here, settings, workers=1, packages=wanted)
    assert done.counts == {"pass": 5}
    found = read_units(here / "units.csv")
    assert found.serial == ("U1", "U2", "U3", "U4", "U5")
    for serial in found.serial:
        assert verify_package(here / FOLDER / serial).ok
    written = files_of(here / FOLDER)
    shutil.rmtree(here / FOLDER / "U2")
    again = run_line(family, units, here, settings, workers=1, packages=wanted)
    assert again.worked_on == 1 and files_of(here / FOLDER) == written
    with cluster_that_loses_a_worker(after=2) as (address, step):
        run_line(
            family,
            units,
            tmp_path / "dask",
            settings,
            packages=wanted,
            scheduler=address,
            progress=step,
        )
    assert files_of(tmp_path / "dask" / FOLDER) == written
    for name in ("units.csv", "units.parquet"):
        assert (tmp_path / "dask" / name).read_bytes() == (here / name).read_bytes()
