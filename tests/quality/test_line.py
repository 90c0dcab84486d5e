"""The table of a line: what is told of it, by CSV and Parquet alike, and what is refused."""

import json

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
import pytest

from prewarp.errors import GridError, InputFileError, ShapeError
from prewarp.quality.capability import Limits, capability, short_term_spread
from prewarp.quality.charts import RULES, chart
from prewarp.quality.conformance import chance_text
from prewarp.quality.line_report import line_report
from prewarp.quality.units_table import read_units
from tests.acceptance.units import module_text
from tests.cli.conftest import run
from tests.report.conftest import readable

# Looks at the pictures that are drawn.
__all__ = ["readable"]


def table(count=120, *, drift=0.02, seed=3):
    """Return columns of a line whose third mode drifts, with some bad units."""
    random = np.random.default_rng(seed)
    place, seam = 0.3 + 0.05 * random.normal(size=count), 2.0 + 0.4 * random.normal(size=count)
    bad = np.arange(count) % 50 == 20
    status = np.where(bad, "bad", np.where((place > 0.45) | (seam > 3.5), "fail", "pass"))
    columns = {
        "serial": [f"U{number + 1}" for number in range(count)],
        "status": status.tolist(),
        "reason": np.where(bad, "missing shots", "").tolist(),
    }
    numbers = {
        "place_px": place,
        "place_px_sigma": np.full(count, 0.01),
        "seam_error_p95_arcmin": seam,
        "seam_error_p95_arcmin_sigma": np.full(count, 0.1),
    }
    modes = random.normal(size=(count, 4))
    modes[:, 2] += drift * np.arange(count)
    for number in range(4):
        numbers |= {f"mode_{number + 1}": modes[:, number], f"mode_{number + 1}_sigma": np.full(count, 0.05)}
    numbers |= {"outside_p": random.random(count), "inside_p": np.where(np.arange(count) == 5, 1e-5, 0.5)}
    columns |= {name: [None if off else float(one) for one, off in zip(values, bad, strict=True)]
                for name, values in numbers.items()}  # fmt: skip
    return columns | {"positions": [2] * count}


def write(folder, columns, name="units.csv"):
    path = folder / name
    if name.endswith("parquet"):
        pyarrow.parquet.write_table(pa.table(columns), path)
    else:
        pyarrow.csv.write_csv(pa.table(columns), path)
    return path


LIMITS = {"place_px": Limits(None, 0.45), "seam_error_p95_arcmin": Limits(None, 3.5)}


def test_yield_failures_capability_and_drift(tmp_path):
    columns = table()
    found = line_report(read_units(write(tmp_path, columns), figures=list(LIMITS)), LIMITS)
    passed = columns["status"].count("pass")
    assert (found.yield_share.hits, found.yield_share.count) == (passed, 120)
    assert found.yield_of_judged.count == 120 - columns["status"].count("bad") == 118
    counts = {one.name: one.count for one in found.failing}
    assert counts["bad: missing shots"] == 2 and found.failing[-1].cumulative == 1.0
    assert counts.get("place_px", 0) == sum(one is not None and one > 0.45 for one in columns["place_px"])
    place = found.figures[0].capability
    values = np.array([one for one in columns["place_px"] if one is not None])
    assert place.count == 118 and place.cp is None and place.cpm is None
    assert place.ppk.value == pytest.approx((0.45 - values.mean()) / (3.0 * values.std(ddof=1)))
    assert place.ppk.low < place.ppk.value < place.ppk.high
    assert found.figures[0].sigma_percent == pytest.approx(1e-2 / values.var(ddof=1), rel=1e-6)
    (drift,) = found.drifting
    low, high = drift.trend.slope_interval
    assert drift.name == "mode_3" and low < 0.02 < high
    assert found.flagged == {"outside_p": sum(p is not None and p < 1e-3 for p in columns["outside_p"]),
                             "inside_p": 1}  # fmt: skip


def test_units_that_are_not_of_the_family_say_nothing_of_a_drift(tmp_path):
    """Their modes may lie anywhere: two far out hide the drift of all others."""
    columns = table(60, drift=0.06)
    for place, far in ((10, 300.0), (50, -300.0)):
        columns["mode_3"][place], columns["inside_p"][place] = far, 1e-9
    found = line_report(read_units(write(tmp_path, columns)), LIMITS, meanings={"mode_3": "outer, panel"})
    (drift,) = found.drifting
    low, high = drift.trend.slope_interval
    assert drift.name == "mode_3" and low < 0.06 < high
    left = int(np.count_nonzero(~found.of_family))
    told = " ".join(found.sentences())
    assert "mode 3 (outer, panel) drifts" in told and f"{left} units not of the family: left out" in told
    unflagged = columns | {"inside_p": [0.5] * 60, "outside_p": [0.5] * 60}
    assert not line_report(read_units(write(tmp_path, unflagged)), LIMITS).drifting


def test_reasons_of_one_kind_are_one_cause(tmp_path):
    columns = table(30)
    reasons = {
        3: ("fail", "not of this family: what the modes leave is 1.20 times what noise explains"),
        4: ("fail", "not of this family: coefficients lie 41.69 times further out than tolerances allow"),
        5: ("bad", "U6.npz: 1 camera positions; expected 2. Capture it again."),
        6: ("bad", "U7.npz: 3 camera positions; expected 2. Capture it again."),
        7: ("bad", "the same file as U9: swapped or copied"),
        8: ("fail", ""),
    }
    for place, (status, reason) in reasons.items():
        columns["status"][place], columns["reason"][place] = status, reason
    found = line_report(read_units(write(tmp_path, columns)), {"place_px": Limits(None, 9.0)})
    counts = {one.words: one.count for one in found.failing}
    assert counts.pop("failed: by a limit that is not given here") >= 1
    assert counts == {
        "failed: not of this family": 2,
        "bad: ... camera positions": 2,
        "bad: missing shots": 1,
        "bad: the same file as U...": 1,
    }


def test_units_that_differ_less_than_each_is_unsure_of_have_no_capability(tmp_path):
    """What is not known of each unit may spread them further than what is."""
    columns = table(60)
    columns["place_px_sigma"] = [None if one is None else 0.2 for one in columns["place_px"]]
    found = line_report(read_units(write(tmp_path, columns)), LIMITS)
    place, seam = found.figures
    assert place.capability is None and place.chart is not None and place.sigma_percent > 100.0
    assert "place px: not known: needs units that differ by more than each is unsure of (0.2;" in " ".join(
        found.sentences()
    )
    assert seam.capability is not None and found.as_dict()["figures"]["place_px"]["capability"] is None


def test_parquet_says_the_same_as_csv_and_rows_may_come_in_any_order(tmp_path):
    columns = table()
    order = np.random.default_rng(1).permutation(120)
    shuffled = {name: [values[place] for place in order] for name, values in columns.items()}
    paths = [write(tmp_path, columns), write(tmp_path, columns, "units.parquet"),
             write(tmp_path, shuffled, "shuffled.csv")]  # fmt: skip
    one, two, three = (line_report(read_units(path, figures=list(LIMITS)), LIMITS) for path in paths)
    assert one.as_dict() == two.as_dict()
    # U2 before U10.
    assert three.units.serial == one.units.serial and not three.units.in_order
    told = three.as_dict()
    assert told.pop("sentences")[0].startswith("The rows were not in order")
    assert told == {name: value for name, value in one.as_dict().items() if name != "sentences"}


def test_a_figure_that_no_unit_has_is_not_known(tmp_path):
    empty = {f"focus_step_dioptres{ending}": [None] * 30 for ending in ("", "_sigma")}
    columns = {**table(30), **{name: pa.array(values, pa.float64()) for name, values in empty.items()}}
    limits = {**LIMITS, "focus_step_dioptres": Limits(None, 0.6)}
    for name in ("units.csv", "units.parquet"):
        found = line_report(read_units(write(tmp_path, columns, name), figures=list(limits)), limits)
        told = found.as_dict()["figures"]["focus_step_dioptres"]
        assert told["capability"] is None and told["chart"] is None
        words = "focus step dioptres: not known: needs 2 units or more that have a value (0 of 30 have one)."
        assert words in found.sentences()


def test_a_table_may_have_as_many_modes_as_are_read(tmp_path):
    # Three channels of 45 tolerances.
    modes = {f"mode_{number}{ending}": [0.5] * 30 for number in range(1, 136) for ending in ("", "_sigma")}
    for name in ("units.csv", "units.parquet"):
        assert read_units(write(tmp_path, table(30) | modes, name)).modes.shape == (30, 135)


def test_a_chance_of_one_is_told_in_plain_digits():
    told = [chance_text(chance) for chance in (1e-5, 0.0123, 0.994, 0.996, 1.0)]
    assert told == ["below 0.01 %", "1.2 %", "99 %", "100 %", "100 %"]


def test_no_drift_is_seen_where_there_is_none(tmp_path):
    units = read_units(write(tmp_path, table(drift=0.0)), figures=list(LIMITS))
    found = line_report(units, LIMITS)
    assert not found.drifting and "No mode drifts" in " ".join(found.sentences())


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (lambda c: c | {"status": ["good"] + c["status"][1:]}, r"rows? \d: status is none of pass"),
        (lambda c: c | {"serial": ["U2"] + c["serial"][1:]}, r"rows \d, \d: a serial is there twice"),
        (lambda c: c | {"serial": [""] + c["serial"][1:]}, "no serial"),
        (lambda c: {name: one for name, one in c.items() if name != "reason"}, "column missing: reason"),
        (lambda c: {name: one for name, one in c.items() if name != "place_px"}, "no column 'place_px'"),
    ],
)
def test_tables_with_faults_are_refused(tmp_path, edit, words):
    for name in ("units.csv", "units.parquet"):
        path = write(tmp_path, edit(table(30)), name)
        with pytest.raises(GridError, match=words):
            line_report(read_units(path, figures=list(LIMITS)), LIMITS)


def test_a_damaged_parquet_file_is_refused(tmp_path):
    path = write(tmp_path, table(30), "units.parquet")
    path.write_bytes(path.read_bytes()[:-50])
    with pytest.raises(InputFileError, match="not a readable Parquet"):
        read_units(path)


def test_without_a_limit_nothing_has_a_capability(tmp_path):
    with pytest.raises(GridError, match="no limit is set"):
        line_report(read_units(write(tmp_path, table(30))), {})
    with pytest.raises(ShapeError, match="no limit is set"):
        Limits()


def test_values_that_follow_no_normal_law_are_told(tmp_path):
    skewed = np.random.default_rng(2).exponential(size=200)
    assert capability(skewed, Limits(None, 9.0)).is_normal is False
    assert capability(np.array([1.0, 2.0, 3.0]), Limits(None, 9.0)).is_normal is None


def test_rules_find_what_they_say_and_little_by_chance():
    shapes = {
        "beyond": [0.1, -0.2] * 10 + [9.0],
        "side": [0.3, -0.3] * 10 + [0.2, 0.3] * 5,
        "climb": [0.3, -0.3] * 10 + [-0.3, -0.2, -0.1, 0.1, 0.2, 0.4],
        "two_of_three": [0.3, -0.3] * 20 + [1.4, 0.0, 1.4],
        "four_of_five": [0.3, -0.3] * 20 + [0.8, 0.8, 0.0, 0.8, 0.8],
    }
    for key, values in shapes.items():
        found = {one.rule.key: one.places for one in chart(np.array(values)).signals}
        assert len(values) - 1 in found.get(key, ()), key
    random = np.random.default_rng(7)
    steady = random.standard_normal(20000)
    found = {one.rule.key: one for one in chart(steady).signals}
    for rule in RULES:
        assert len(found[rule.key].places) / 20000 == pytest.approx(rule.rate, rel=0.3), rule.key
    assert chart(steady).is_steady and not chart(steady + np.linspace(0.0, 4.0, 20000)).is_steady
    assert short_term_spread(steady + np.linspace(0.0, 4.0, 20000)).sigma == pytest.approx(1.0, abs=0.03)


def test_the_command(tmp_path):
    write(tmp_path, table(60, drift=0.06))
    (tmp_path / "modes.csv").write_text('column,one sigma of\nmode_3,"outer, panel: tilt_deg x"\n')
    limits = "[limits]\nplace_px = 0.5\nluminance_step_percent = 5.0\n"
    (tmp_path / "unit.toml").write_text(module_text(limits), encoding="utf-8")
    asked = ("line", "capability", tmp_path / "units.csv", "--module", tmp_path / "unit.toml")
    done = run(*asked, "--lower", "place_px=0.1", "-o", tmp_path / "out")
    assert done.exit_code == 0, done.output
    assert "Clopper-Pearson" in done.stdout and "mode 3 (outer, panel: tilt_deg x) drifts" in done.stdout
    assert "luminance step percent: not known: needs a column" in done.stdout
    names = {"capability.png", "control.png", "modes.png", "capability.json", ".prewarp"}
    assert {one.name for one in (tmp_path / "out").iterdir()} == names
    told = json.loads((tmp_path / "out" / "capability.json").read_text(encoding="utf-8"))
    own = told["figures"]["place_px"]["capability"]
    assert own["Cp"]["n"] == 59 and own["lower"] == 0.1 and own["upper"] == 0.5
    for wrong in (("--limit", "place_px"), ("--limit", "place_pixel=1")):
        done = run(*asked[:3], *wrong, "-o", tmp_path / "new")
        assert done.exit_code == 2 and not (tmp_path / "new").exists()
    (tmp_path / "modes.csv").write_text("mode,meaning\n")
    done = run(*asked, "-o", tmp_path / "new")
    assert done.exit_code == 2 and "modes.csv: not the list of modes" in done.stderr
