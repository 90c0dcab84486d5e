"""Judged by what was asked for: hand-made measurements and light, requests that are met and not."""

import json
from dataclasses import replace

import numpy as np
import pytest

from prewarp.errors import PackageError
from prewarp.export.judgement import (
    LIGHT_FIGURES,
    Check,
    Request,
    VerifyResult,
    as_written_checks,
    light_checks,
    place_checks,
)
from prewarp.export.reached import Reached
from prewarp.export.verify import require_verified, verify_package
from prewarp.files import json_text
from tests.export.device_builds import small_build, write_small

ASKED = Request(max_error_px=0.25, max_light_percent=0.5)
# Within everything that is asked for.
GOOD = {"step_percent": 0.31, "ripple_percent": 0.12, "sum_error": 3e-7, "gradient_per_deg": 0.72}


@pytest.mark.parametrize(("px", "ok"), [(0.2499, True), (0.25, True), (0.2501, False), (np.inf, False)])
def test_place_is_judged_by_the_request(px, ok):
    (row,) = place_checks(Reached("mesh glTF", "inner", "R", px), ASKED)
    assert (row.ok, row.measured, row.requested, row.unit) == (ok, px, 0.25, "px")
    # What was seen: 0.329 px passed under 0.25 px, since it was no worse than it had been measured.
    (row,) = place_checks(Reached("mesh glTF", "inner", "R", 0.329), ASKED)
    assert row.ok is False and row.why() == "measured 0.329, requested 0.25 px"


def test_weights_are_told_and_not_judged():
    rows = list(place_checks(Reached("mesh csv", "inner", "R", 0.1, 0.89, 0.15), ASKED))
    assert [(one.what, one.ok, one.measured, one.requested) for one in rows[1:]] == [
        ("weight, largest", None, 0.89, None),
        ("weight, RMS", None, 0.15, None),
    ]
    assert VerifyResult(tuple(rows), ASKED).ok


def test_light_is_judged_figure_by_figure():
    assert [one.ok for one in light_checks(GOOD, ASKED)] == [True] * 4
    over = {"step_percent": 0.51, "ripple_percent": 0.6, "sum_error": 2e-6, "gradient_per_deg": 1.2}
    for name, value in over.items():
        rows = list(light_checks({**GOOD, name: value}, ASKED))
        (wrong,) = (one for one in rows if one.ok is False)
        assert wrong.measured == value and wrong.requested in (0.5, 1e-6, 1.0)
        assert [one.ok for one in rows].count(True) == 3
    # More is allowed where more is asked for; a feather that was asked for has its gradient told.
    assert all(
        one.ok for one in light_checks({**GOOD, "step_percent": 1.9}, replace(ASKED, max_light_percent=2))
    )
    rows = list(light_checks({**GOOD, "gradient_per_deg": 6.0}, replace(ASKED, max_gradient_per_deg=None)))
    assert [one.ok for one in rows] == [True, True, True, None] and rows[3].measured == 6.0


def test_light_that_is_not_known_is_told():
    (row,) = light_checks(None, ASKED)
    assert row.ok is None and "not measured" in row.note
    rows = list(light_checks({**GOOD, "ripple_percent": None}, ASKED))
    assert [one.ok for one in rows] == [True, None, True, True] and "not known" in rows[1].note
    assert [one.ok for one in light_checks({**GOOD, "step_percent": np.nan}, ASKED)][0] is False
    with pytest.raises(PackageError, match="light holds step_percent; expected step_percent, ripple"):
        list(light_checks({"step_percent": 0.1}, ASKED))


def test_json_has_light_and_request_at_its_top():
    rows = (*place_checks(Reached("lookup blob", "inner", "G", 0.2), ASKED), *light_checks(GOOD, ASKED))
    found = json.loads(json_text(VerifyResult(rows, ASKED, GOOD).as_dict()))
    assert found["light"] == GOOD and tuple(found["light"]) != () and found["not_known"] == []
    assert set(found["light"]) == set(LIGHT_FIGURES)
    assert found["requested"] == {"max_error_px": 0.25, "max_light_percent": 0.5, "max_gradient_per_deg": 1.0}
    assert {"measured", "requested"} <= set(found["checks"][0])
    odd = VerifyResult(
        (Check("a", "place", False, np.inf, 0.25, "px"),), ASKED, {**GOOD, "sum_error": np.inf}
    )
    found = json.loads(json_text(odd.as_dict()))
    assert found["checks"][0]["measured"] is None and "not a finite number" in found["checks"][0]["note"]
    assert found["light"]["sum_error"] is None and not found["ok"]


def test_the_worst_is_the_worst_of_all():
    sizes = (0.1, 0.3, 0.9, 0.2)
    rows = [row for n, px in enumerate(sizes) for row in place_checks(Reached("b", f"c{n}", "R", px), ASKED)]
    result = VerifyResult(tuple(rows), ASKED)
    assert result.worst_place.measured == 0.9 and result.worst_place.subject == "c2 R"
    with pytest.raises(
        PackageError, match=r"2 of 4 checks failed: b c2 R, place: measured 0\.9, requested 0\.25 px; b"
    ):
        require_verified(result, "folder")


def test_what_is_read_back_is_what_was_recorded():
    before = [Reached("k", "inner", "R", 0.1, 0.5, 0.05), Reached("k", "outer", "R", 0.2, 0.5, 0.05)]
    (row,) = as_written_checks("k", before, [*before, Reached("other", "inner", "R", 9.0)])
    assert row.ok is True and row.measured == 0.0
    for damaged in (
        replace(before[1], px=0.19),
        replace(before[1], weight=0.6),
        replace(before[1], weight=None),
    ):
        (row,) = as_written_checks("k", [before[0], damaged], before)
        assert row.ok is False and row.subject == "outer R"
    (row,) = as_written_checks("k", before[:1], before)
    assert row.ok is False and "outer R" in row.note
    assert list(as_written_checks("k", [], [])) == []


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"max_error_px": 0.0}, "max_error_px is 0.0"),
        ({"max_error_px": np.nan}, "max_error_px is nan"),
        ({"max_light_percent": 101.0}, "max_light_percent is 101.0; expected 0.01 to 100"),
        ({"max_gradient_per_deg": -1.0}, "max_gradient_per_deg"),
    ],
)
def test_requests_that_cannot_be(options, message):
    with pytest.raises(PackageError, match=message):
        Request(**options)


def test_light_of_a_package_ends_or_lets_pass(tmp_path, monkeypatch):
    """A measure of light takes the package as it lies on disk; what exceeds the request fails."""
    monkeypatch.setattr("prewarp.export.lookup_files.find_compiler", lambda: None)
    seen = []

    def light(package):
        seen.append(package.manifest["format"])
        return GOOD

    write_small(tmp_path / "visor", formats=("csv",))
    assert verify_package(tmp_path / "visor").light is None
    result = verify_package(tmp_path / "visor", light=light)
    assert result.ok and result.light == GOOD and seen == ["prewarp package"]

    def refuse(package):
        raise PackageError("no weights here.")

    (wrong,) = verify_package(tmp_path / "visor", light=refuse).failures
    assert wrong.note == "no weights here."
    (wrong,) = verify_package(tmp_path / "visor", light=lambda _: {**GOOD, "step_percent": 2.0}).failures
    assert (wrong.artefact, wrong.what) == ("light", "step")


@pytest.mark.parametrize(
    ("formats", "options", "message"),
    [
        (("gltf",), {"request": Request(0.001)}, r"meshes \(mesh glTF\) .* Use a smaller --step, such as"),
        (("png",), {"request": Request(1e-5)}, r"\(table png\) with nodes"),
        (("ktx2",), {"texture": "half", "request": Request(0.001)}, "textures of kind 'half'.*snorm16"),
        (
            ("lookup",),
            {"request": Request(0.01)},
            r"lookup blob .*, place: measured 0\.\d+, requested 0\.01 px",
        ),
        (("blocks",), {"request": Request(0.01)}, r"coefficient block .*requested 0\.01 px"),
    ],
)
def test_what_does_not_keep_the_request_is_named_and_not_written(
    tmp_path, monkeypatch, formats, options, message
):
    monkeypatch.setattr("prewarp.export.lookup_files.find_compiler", lambda: None)
    with pytest.raises(PackageError, match=message):
        write_small(tmp_path / "visor", build=small_build(), formats=formats, **options)
    assert list(tmp_path.iterdir()) == []
