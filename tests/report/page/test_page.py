"""The page: valid, self-contained, escaped, the same every time; figures there; verdicts by the limits."""

import base64
import io
import json
import re
from dataclasses import replace
from types import SimpleNamespace

import pytest
from PIL import Image

from prewarp.errors import ShapeError
from prewarp.export.judgement import Check, Request, VerifyResult
from prewarp.files import json_text
from prewarp.limits import Limits, Measured
from prewarp.report.distortion import distortion_figure
from prewarp.report.page.device import build_packages, package_section
from prewarp.report.page.display import PackageFound
from prewarp.report.page.geometry import field_of_view_section
from prewarp.report.page.html import report_html
from prewarp.report.page.make import display_report
from prewarp.report.page.motion import focus_section
from prewarp.report.page.perception import perception_section
from prewarp.report.page.seam import binocular_section, seam_section
from prewarp.report.page.tree import DisplayReport
from prewarp.report.style import figure_bytes, in_palette
from tests.closed_form import two_channels
from tests.report.page.pages import Page, small_display

# The order of SAE ARP5287 as the task gives it, then the rest.
CHAPTERS = (
    "field_of_view", "eye_box", "distortion", "seam", "binocular", "color", "luminance", "ghosts",
    "transmittance", "focus", "perception", "tracker", "scan", "sampling", "package", "certainty",
    "provenance", "cautions",
)  # fmt: skip
HOSTILE = "<script>alert('1')</script> & \"x\""


LIMITS = Limits(seam_error_p95_arcmin=0.1, focus_step_dioptres=0.2, field_lost_percent=1.0)
MEASURED = Measured(transmittance_percent=60.0, transmittance_sigma_percent=1.0, note=HOSTILE)


@pytest.fixture(scope="module")
def display():
    """Images at different distances: a seam error, a focus step. Limits on both."""
    return small_display(distance_m=(1.5, 0.9), limits=LIMITS, measured=MEASURED, name=HOSTILE)


@pytest.fixture(scope="module")
def folded(display):
    return display_report(display)


def with_limits(display, report, limits, name="coaxial"):
    """Return a report without figures, its judged chapters made again under other limits."""
    module = SimpleNamespace(**{**vars(display.module), "limits": limits})
    other = replace(display, module=module)
    made = {one.key: one for one in (field_of_view_section(other), seam_section(other), focus_section(other))}
    sections = [made.get(one.key, replace(one, figures=())) for one in report.sections]
    return DisplayReport(name, tuple(sections))


@pytest.fixture(scope="module")
def page(folded):
    return report_html([folded])


def test_tags_are_closed_in_order_and_ids_are_single(page):
    found = Page(page)
    assert page.startswith("<!DOCTYPE html>")
    assert found.wrong == []
    ids = [attributes["id"] for _, attributes, _ in found.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    targets = {attributes["href"] for attributes, _ in found.all("a")}
    assert targets == {f"#{one}" for one in (*CHAPTERS, "chapters")} and set(ids) >= {
        one[1:] for one in targets
    }
    labels = {attributes["aria-labelledby"] for attributes, _ in found.all("section")}
    assert labels == {*CHAPTERS, "verdict"}


def test_headings_and_table_headers_serve_a_screen_reader(page):
    found = Page(page)
    levels = [int(tag[1]) for tag, _, _ in found.elements if re.fullmatch("h[1-6]", tag)]
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in zip(levels, levels[1:], strict=False))
    assert all(attributes.get("scope") in ("col", "row") for attributes, _ in found.all("th"))
    assert len(found.all("caption")) == len(found.all("table")) > 8
    assert all(text for _, text in found.all("caption"))
    (html,) = found.all("html")
    assert html[0]["lang"] == "en"


def test_nothing_is_fetched_or_run(page):
    found = Page(page)
    tags = {tag for tag, _, _ in found.elements}
    assert not tags & {"script", "link", "iframe", "object", "embed", "form", "base", "video", "audio"}
    for tag, attributes, _ in found.elements:
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("src", "href", "srcset", "data", "action", "poster", "style"):
            if name in attributes:
                assert attributes[name].startswith(("data:image/png;base64,", "#")), (tag, name)
    (style,) = found.all("style")
    assert "url(" not in style[1] and "@import" not in style[1]
    assert "http://" not in page and "https://" not in page


def test_a_hostile_name_is_text(page, folded):
    assert "<script" not in page
    found = Page(page)
    assert found.all("h1")[0][1] == HOSTILE and HOSTILE in found.all("title")[0][1]
    assert HOSTILE in found.text
    assert folded.name == HOSTILE


def test_the_same_display_gives_the_same_bytes(folded):
    again = small_display(distance_m=(1.5, 0.9), limits=LIMITS, measured=MEASURED, name=HOSTILE)
    bare = replace(folded, sections=tuple(replace(one, figures=()) for one in folded.sections))
    assert report_html([display_report(again, drawn=False)]) == report_html([bare])
    study = again.studies[0]
    drawn = distortion_figure(study.eye.fields, study.eye.channels, pupil_mm=study.pupils_mm[-1])
    (item,) = folded.section("distortion").figures
    assert in_palette(figure_bytes(drawn)) == item.png


def test_figures_are_there_and_say_what_they_show(page, folded):
    images = Page(page).all("img")
    told = {item.key for section in folded.sections for item in section.figures}
    assert {
        "blend_right",
        "distortion_right",
        "seam_right",
        "focus_right",
        "tracker_right",
        "sampling",
    } <= told
    assert len(images) == len(told)
    for attributes, _ in images:
        assert len(attributes["alt"]) > 30
        data = base64.b64decode(attributes["src"].removeprefix("data:image/png;base64,"), validate=True)
        with Image.open(io.BytesIO(data)) as picture:
            assert picture.size == (int(attributes["width"]), int(attributes["height"]))
            assert len(picture.convert("RGB").getcolors(1 << 24)) > 8


def test_chapters_have_the_order_of_the_trade(folded):
    assert tuple(section.key for section in folded.sections) == CHAPTERS


def test_verdicts_follow_the_limits_both_ways(display, folded):
    by_key = {row.key: row for row in folded.judged}
    assert by_key["focus_step_dioptres"].verdict == "above limit"
    assert by_key["seam_error_p95_arcmin"].verdict == "above limit"
    assert by_key["field_lost_percent"].verdict == "within limit"
    assert folded.verdict == "above limit"
    wide = Limits(seam_error_p95_arcmin=60.0, focus_step_dioptres=1.0, field_lost_percent=1.0)
    kept = with_limits(display, folded, wide)
    assert kept.verdict == "within limit"
    assert kept.sentence == (
        "The display keeps every limit that is set. Of 3 judged figures: 3 within limit."
    )


def test_the_focus_step_is_that_of_the_closed_form(folded):
    """Planes at 1.5 and 0.9 m: 1/0.9 - 1/1.5 = 0.444 D straight ahead, times cos(theta) along the ray."""
    (row,) = [row for row in folded.rows if row.key == "focus_step_dioptres"]
    assert row.value == pytest.approx(1.0 / 0.9 - 1.0 / 1.5, rel=0.02)
    swim = [row.value for row in folded.rows if row.key == "swim_arcmin"]
    # A pupil sqrt(3^2 + 2^2) = 3.6 mm off sees a point of a plane at L turned by 3.6 mm / L, at most.
    for value, distance_mm in zip(swim, (1500.0, 900.0), strict=True):
        assert 0.7 < value / (3437.75 * 13.0**0.5 / distance_mm) <= 1.0


def test_what_is_missing_is_named_and_so_is_what_it_needs(page, folded):
    missing = {row.key: row.needs for row in folded.rows if row.verdict == "not measured"}
    assert all(missing.values())
    for key, words in {
        "luminance_cd_m2": "[measured] luminance_cd_m2",
        "uniformity_percent": "--light GRID",
        "luminance_step_percent": "--light GRID",
        "ghost_percent": "[measured] ghost_percent",
        "dipvergence_max_arcmin": "channels for both eyes",
        "package_place_px": "--package FOLDER",
        "out_of_step": "scan",
        "place_error_px": "a fit whose capture says how sure it is",
        "eye_relief_mm": "mechanical",
    }.items():
        assert words in missing[key], key
    text = Page(page).text
    assert text.count("not measured, needs") >= len(missing)


def test_what_was_measured_elsewhere_stands_with_its_uncertainty(page):
    (line,) = [text for _, text in Page(page).all("tr") if "luminous transmittance" in text]
    assert "60.0 %" in line and "± 1.00 % (1-sigma)" in line


def test_two_displays_stand_side_by_side(display, folded):
    other = with_limits(display, folded, Limits(focus_step_dioptres=1.0))
    text = report_html([other, folded])
    found = Page(text)
    assert found.wrong == [] and "<script" not in text
    (line,) = [text for _, text in found.all("tr") if text.startswith("focus step across") and "mean" in text]
    assert "limit 1 D: ✓ within limit" in line and "limit 0.2 D: ✕ above limit" in line
    heads = [text for _, text in found.all("h3")]
    assert "coaxial" in heads and HOSTILE in heads
    assert len(found.all("img")) == sum(len(one.figures) for one in folded.sections)


def test_one_channel_and_one_colour_have_no_seam_and_no_lateral_colour():
    report = display_report(small_display(channels=two_channels()[:1], colours=("G",)), drawn=False)
    keys = {row.key for row in report.rows if row.known}
    assert not keys & {"seam_error_p95_arcmin", "focus_step_dioptres", "lateral_colour_arcmin"}
    assert any("there is no seam" in one for one in report.section("seam").text)
    assert Page(report_html([report])).wrong == []


def test_both_eyes_have_binocular_rows():
    display = small_display(sides=("left", "right"))
    rows = binocular_section(display).rows
    horizontal = [row for row in rows if row.key == "horizontal_max_arcmin"]
    assert len(horizontal) == 3 and all(row.known for row in rows)
    # Both eyes look through the same channels: centred pupils see no difference.
    assert horizontal[0].value == pytest.approx(0.0, abs=1e-6)
    # Pupils converged on 1 m are some 0.4 mm off, each the other way: 0.8 mm / 1.5 m is 1.9 arcmin.
    assert 1.0 < horizontal[1].value < 3.0
    (table,) = perception_section(replace(display, studies=()), rows).tables
    assert any("Genco" in row[-1] and row[3] == "4.1 arcmin" for row in table.rows)


def test_machines_get_the_same_tree(folded):
    document = json.loads(json_text(folded.as_dict()))
    assert document["verdict"] == "above limit"
    assert [one["key"] for one in document["sections"]] == list(CHAPTERS)
    rows = [row for section in document["sections"] for row in section["rows"]]
    assert len(rows) == len(folded.rows)


def test_no_display_or_too_many_are_refused(folded):
    with pytest.raises(ShapeError, match="0 displays; expected 1 to 4"):
        report_html([])
    with pytest.raises(ShapeError, match="5 displays"):
        report_html([replace(folded)] * 5)


def test_nothing_is_said_of_corners_that_were_not_captured():
    display = small_display(limits=Limits(focus_step_dioptres=0.2))
    far = SimpleNamespace(
        is_far=True, half_mm=2.0, farthest_mm=3.6, text=lambda: "the corner lies far outside"
    )
    # As if the capture held the middle alone; cached, so that nothing is looked up.
    display.studies[0].__dict__["outside"] = (far,)
    report = display_report(display, drawn=False)
    rows = {row.key: row for row in report.rows}
    for key in (
        "field_box_diagonal_deg",
        "field_lost_percent",
        "swim_arcmin",
        "seam_error_fixed_arcmin",
        "focus_step_dioptres",
    ):
        assert rows[key].verdict == "not measured" and "--extrapolate" in rows[key].needs, key
    assert rows["field_centre_diagonal_deg"].known
    assert rows["eye_box_outside_capture_mm"].value == 3.6
    assert report.verdict == "not measured"
    guessed = replace(display.studies[0], extrapolate=True)
    guessed.__dict__["outside"] = (far,)
    assert guessed.lacking is None and len(guessed.pupils_mm) == 5


def packaged(ok):
    checks = (
        Check("lookup", "place", True, 0.2, 0.25, "px", subject="left G"),
        Check("C evaluator", "run", ok, note="as its Python twin" if ok else "other numbers"),
    )
    found = PackageFound("right", VerifyResult(checks, Request()), {"blob": 1500})
    display = replace(small_display(limits=Limits(place_px=0.3)), packages=(found,))
    section = package_section(display)
    return next(row for row in section.rows if row.key == "package_place_px"), section


def test_a_package_is_judged_only_where_all_its_checks_are_good():
    row, section = packaged(True)
    assert row.value == 0.2 and row.verdict == "within limit" and "requested 0.25 px" in row.note
    assert section.tables[0].rows[0][2:] == ("0.200 px left G", "0.25 px", "kept")
    row, section = packaged(False)
    assert row.verdict == "not measured" and "checks are all good" in row.needs
    assert "1 checks FAILED: do not use it" in section.text[0]
    assert ("C evaluator", "run", "other numbers", "-", "NOT KEPT") in section.tables[0].rows


def test_no_package_is_built_where_the_capture_does_not_hold_the_eye_box():
    display = small_display()
    far = SimpleNamespace(is_far=True, half_mm=2.0, text=lambda: "the corner lies far outside")
    display.studies[0].__dict__["outside"] = (far,)
    (found,) = build_packages(display.studies, display.fields, progress=lambda text: None)
    assert found.result is None and "the corner lies far outside" in found.problem
    row = package_section(replace(display, packages=(found,))).rows[0]
    assert row.verdict == "not measured" and "the corner lies far outside" in row.needs
