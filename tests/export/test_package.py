"""A whole package: manifest against its schema, verified, again after damage; nothing half written."""

import json
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace

import numpy as np
import pytest

from prewarp.errors import InputFileError, PackageError
from prewarp.export import csv_mesh, package_light
from prewarp.export.build import DeviceBuild
from prewarp.export.c_code import code_of
from prewarp.export.c_sources import c_sources
from prewarp.export.judgement import Request
from prewarp.export.manifest import schema_bytes
from prewarp.export.package import DEFAULT_FORMATS, FORMATS, PackageOptions, export_package
from prewarp.export.package_reading import read_package
from prewarp.export.shader_files import DIALECTS
from prewarp.export.truth import truth_of
from prewarp.export.verify import verify_package
from prewarp.files import sha256_of_bytes, sha256_of_file
from prewarp.lookup.blob import blob_from_lookup
from tests.closed_form import plane_set
from tests.export.device_builds import (
    ASKED,
    LIMIT_PX,
    PUPILS,
    chebyshev_lookup,
    small_build,
    small_fields,
    write_small,
)
from tests.export.sealed import write_manifest
from tests.support import require_module, require_tool


@pytest.fixture(scope="module")
def package(tmp_path_factory):
    folder = tmp_path_factory.mktemp("package") / "visor"
    result = write_small(folder)
    return folder, result


@pytest.fixture
def copy(package, tmp_path):
    return shutil.copytree(package[0], tmp_path / "copy")


@pytest.fixture(autouse=True)
def no_compiler(request, monkeypatch):
    """Leave the C evaluator out, for speed, where a test is about something else."""
    if "compiled" not in request.fixturenames:
        monkeypatch.setattr("prewarp.export.lookup_files.find_compiler", lambda: None)
        monkeypatch.setattr("prewarp.export.shader_checks._tool", lambda name: None)


@pytest.fixture
def compiled():
    require_tool("gcc")


def manifest_of(folder):
    return json.loads((folder / "manifest.json").read_text(encoding="utf-8"))


def failures(folder, **options):
    return [f"{one.artefact}: {one.note}" for one in verify_package(folder, **options).failures]


@pytest.mark.outside
def test_manifest_keeps_its_schema(package):
    # JSON Schema, draft 2020-12, by the reference library of that standard for Python.
    jsonschema = require_module("jsonschema")
    schema = json.loads(schema_bytes())
    jsonschema.Draft202012Validator.check_schema(schema)
    manifest = manifest_of(package[0])
    jsonschema.Draft202012Validator(schema).validate(manifest)
    assert (package[0] / "manifest.schema.json").read_bytes() == schema_bytes()
    for damage in (
        lambda m: m.pop("cautions"),
        lambda m: m["files"][0].pop("sha256"),
        lambda m: m["files"][0].update(path="/etc/passwd"),
        lambda m: m["files"][0].update(path="a/../../b"),
        lambda m: m["channels"][0].update(bit_depth=17),
        lambda m: m["requested"].update(max_error_px=0),
        lambda m: m.update(more=1),
        lambda m: next(f for f in m["files"] if f["arrays"])["arrays"][0].update(shape=[]),
    ):
        wrong = manifest_of(package[0])
        damage(wrong)
        assert list(jsonschema.Draft202012Validator(schema).iter_errors(wrong))


def test_manifest_says_what_a_reader_must_know(package):
    manifest = package[1].manifest
    assert manifest == manifest_of(package[0])
    assert {"panel", "content", "direction", "pupil", "weight", "light"} <= set(manifest["frames"])
    assert manifest["provenance"] == {"input": "none"} and manifest["eye"] == "right"
    assert any("hurt" in text for text in manifest["cautions"])
    assert {tuple(pupil) for pupil in manifest["pupils_mm"]} == {tuple(pupil) for pupil in PUPILS}
    for entry in manifest["files"]:
        path = package[0] / entry["path"]
        assert (path.stat().st_size, sha256_of_file(path)) == (entry["bytes"], entry["sha256"])
        for array in entry["arrays"]:
            assert array["shape"] and len(array["shape"]) == len(array["axes"]) and array["unit"]
    kinds = {(one["kind"], one["channel"], one["color"]) for one in manifest["errors_reached"]}
    for kind in ("lookup blob", "mesh csv", "table png", "table texture", "mesh glTF"):
        assert {(kind, channel, colour) for channel in ("left", "right") for colour in "RGB"} <= kinds
    for one in manifest["errors_reached"]:
        assert one["largest_error_px"] <= manifest["requested"]["max_error_px"]


def test_the_guide_names_what_is_there(package):
    """Functions, files, attributes and keys that the guide speaks of exist."""
    text = (package[0] / "GUIDE.md").read_text(encoding="utf-8")
    header = "".join(path.read_text() for path in sorted((package[0] / "c").glob("*.h")))
    for name in re.findall(r"`(prewarp_\w+)`", text):
        assert f"{name}(" in header, name
    paths = [one["path"] for one in package[1].manifest["files"]]
    for pattern in re.findall(r"`([\w*/]*\*[\w*/.]*)`", text):
        if "." in pattern:
            wanted = re.escape(pattern).replace(r"\*", ".*").replace("NNN", r"\d{3}")
            assert any(re.search(f"{wanted}$", path) for path in paths), pattern
    attributes = next(one for one in package[1].manifest["files"] if one["kind"] == "mesh glTF")["arrays"]
    names = {one["name"] for one in attributes}
    for start in ("_PANEL_PX", "_DIRECTION_", "_GAIN_"):
        assert start in text and any(name.startswith(start) for name in names)
    for line in package[1].manifest["cautions"]:
        assert line in text


def test_truth_weighs_directions_by_the_slopes_of_the_maps():
    """The inverse Jacobian of the closed form, at every pupil and point; 32-bit floats as in the file."""
    truth = truth_of(small_build())
    for (channel, colour), points in truth.maps.items():
        field, pixel = small_fields().field(channel, colour), truth.pixel[channel]
        for pupil, slope in zip(truth.pupils_mm, points.px_per_tangent, strict=True):
            exact = np.linalg.inv(field.jacobian(pixel, pupil_mm=pupil))
            np.testing.assert_allclose(slope, exact, rtol=1e-5, atol=1e-3)


def test_a_good_package_passes(package, compiled):
    assert package[1].verification.ok
    result = verify_package(package[0], fields=small_fields())
    assert result.ok and len(result.checks) > 60 and result.requested == ASKED
    assert any("equal to its Python twin to the last bit" in check.note for check in result.checks)


def test_the_same_input_gives_the_same_bytes(package, tmp_path):
    write_small(tmp_path / "again")
    files = sorted(path for path in package[0].rglob("*") if path.is_file())
    assert len(files) > 50
    for path in files:
        assert (tmp_path / "again" / path.relative_to(package[0])).read_bytes() == path.read_bytes(), (
            path.name
        )


def test_every_changed_byte_is_found(package, copy):
    random = np.random.default_rng(4)
    for entry in manifest_of(copy)["files"]:
        path = copy / entry["path"]
        data = path.read_bytes()
        place = int(random.integers(len(data)))
        path.write_bytes(data[:place] + bytes([data[place] ^ 0x10]) + data[place + 1 :])
    (found,) = [one for one in verify_package(copy).checks if one.what == "size and SHA-256"]
    assert not found.ok and "SHA-256 differs" in found.note
    (copy / "manifest.json").unlink()
    with pytest.raises(PackageError, match=r"manifest\.json: not found"):
        read_package(copy)


def test_a_manifest_with_the_older_spelling_of_keys_is_read(package, copy):
    path, manifest = copy / "manifest.json", {**manifest_of(copy), "version": 2}
    older = json.dumps(manifest).replace('"color": ', '"colour": ').replace('"colors": ', '"colours": ')
    assert older.count("colour") > 10
    path.write_text(older, encoding="utf-8")
    assert read_package(copy).manifest == manifest


def rewritten(folder, path, data):
    """Change a file together with its hash, as a careless tool would."""
    (folder / path).write_bytes(data)
    manifest = manifest_of(folder)
    entry = next(one for one in manifest["files"] if one["path"] == path)
    entry.update(bytes=len(data), sha256=sha256_of_bytes(data))
    write_manifest(folder, manifest)


def first(folder, kind, **details):
    for entry in manifest_of(folder)["files"]:
        if entry["kind"] == kind and details.items() <= entry["details"].items():
            return entry["path"]
    raise AssertionError(kind)


def test_content_that_is_wrong_under_a_right_hash_is_found(copy):
    """Every artefact is held to the fit, not to its hash alone."""
    csv = first(copy, "mesh csv")
    lines = (copy / csv).read_text().splitlines(keepends=True)
    cells = lines[400].split(",")
    cells[6] = str(float(cells[6]) + 30.0)
    lines[400] = ",".join(cells)
    rewritten(copy, csv, "".join(lines).encode())
    # Two pictures changed over.
    one, other = (first(copy, "table png", component=name) for name in ("content_u", "content_v"))
    a, b = (copy / one).read_bytes(), (copy / other).read_bytes()
    rewritten(copy, one, b)
    rewritten(copy, other, a)
    assert {text.split(":")[0] for text in failures(copy)} == {"mesh csv", "table png"}


def test_a_lookup_of_another_fit_is_found(copy, package, monkeypatch):
    # A map that is not the fit's may show a panel under any angle: dither is not averaged over all of it.
    asked, windows = [], package_light._windows
    monkeypatch.setattr(package_light, "_windows", lambda half: asked.append(half) or windows(half))
    lookup = chebyshev_lookup()
    shifted = replace(lookup.maps[0], affine=lookup.maps[0].affine + 0.01, blocks=lookup.maps[1].blocks)
    path = first(copy, "lookup blob")
    rewritten(copy, path, blob_from_lookup(replace(lookup, maps=(shifted, *lookup.maps[1:]))))
    assert any(text.startswith("lookup blob") for text in failures(copy))
    assert 1 < max(asked) <= 12
    rewritten(copy, path, b"PWLOOKUP" + bytes(200))
    assert any("lookup.prewarp" in text for text in failures(copy))


def changed(folder, change):
    """Change the manifest of a package."""
    manifest = manifest_of(folder)
    change(manifest)
    write_manifest(folder, manifest)


def test_what_was_asked_for_judges_and_nothing_else(copy):
    """Asked for less than it reaches, every artefact that is worse fails, whatever it was measured to be."""
    asked = 0.03
    changed(copy, lambda m: m["requested"].update(max_error_px=asked))
    result = verify_package(copy)
    measured = {
        (one["kind"], f"{one['channel']} {one['color']}"): one["largest_error_px"]
        for one in manifest_of(copy)["errors_reached"]
    }
    worse = {key for key, px in measured.items() if px > asked}
    assert {kind for kind, _ in worse} >= {"lookup blob", "coefficient block"} and worse != set(measured)
    assert {(one.artefact, one.subject) for one in result.failures} == worse
    for one in result.failures:
        assert one.what == "place" and one.requested == asked < one.measured
        assert one.measured == pytest.approx(measured[one.artefact, one.subject], rel=1e-6)
    # The worst that is told is the worst of all that is measured or known.
    assert result.worst_place.measured == pytest.approx(max(measured.values()), rel=1e-6)


def test_what_a_blob_says_of_itself_counts_where_it_is_worse(package):
    """The dense measure of the search is worse than what is found at few random points."""
    rows = [one for one in verify_package(package[0]).checks if one.artefact == "lookup blob"]
    tables = chebyshev_lookup()
    for table in tables.maps:
        subject = " ".join(tables.key_of(table))
        (row,) = (one for one in rows if one.what == "place" and one.subject == subject)
        assert table.error_px <= row.measured <= row.requested == LIMIT_PX


def test_files_that_give_other_figures_than_were_recorded_are_found(copy):
    """Still within the request, and yet not the files that were written."""

    def halve(manifest):
        claim = next(one for one in manifest["errors_reached"] if one["kind"] == "lookup blob")
        claim["largest_error_px"] /= 2.0

    changed(copy, halve)
    (wrong,) = verify_package(copy).failures
    assert (wrong.artefact, wrong.what, wrong.subject) == ("lookup blob", "as written", "left R")
    changed(copy, lambda m: m["errors_reached"].pop(0))
    (wrong,) = verify_package(copy).failures
    assert wrong.what == "as written" and "not both in the manifest and in the files: left R" in wrong.note


@pytest.mark.parametrize(
    "request_",
    [{}, {"max_error_px": 0.1}, {"max_error_px": "a", "max_light_percent": 1, "max_gradient_per_deg": 1}, 3],
)
def test_a_package_that_does_not_say_what_was_asked_for_is_refused(copy, request_):
    changed(copy, lambda m: m.update(requested=request_))
    with pytest.raises(PackageError, match="is damaged"):
        verify_package(copy)


@pytest.mark.outside
@pytest.mark.parametrize("dialect", ["glsl330", "vulkan450"])
def test_a_shader_that_does_not_compile_is_found(copy, compiled, dialect):
    require_tool("glslangValidator")
    path = f"shaders/{dialect}/c1-right_table.frag"
    rewritten(
        copy,
        path,
        (copy / path).read_bytes().replace(b"prewarp_decoded(t_table_red", b"prewarp_decodet(t_table_red"),
    )
    (wrong,) = verify_package(copy).failures
    assert wrong.what == "reference compiler" and path in wrong.note and "prewarp_decodet" in wrong.note


def test_constants_of_another_panel_are_found(copy):
    path = "shaders/glsl300es/c1-right_table.frag"
    text = (copy / path).read_bytes()
    rewritten(
        copy, path, text.replace(b"const vec2 u_panel_px = vec2(320.0", b"const vec2 u_panel_px = vec2(330.0")
    )
    assert any("constants are not those of the manifest" in text for text in failures(copy))
    manifest = manifest_of(copy)
    entry = next(one for one in manifest["files"] if one["path"] == path)
    next(one for one in entry["details"]["constants"] if one["name"] == "u_panel_px")["values"][0] = 330.0
    write_manifest(copy, manifest)
    assert any("u_panel_px is not that of the tables" in text for text in failures(copy))


def test_blocks_of_another_pupil_are_found(copy):
    one, other = (first(copy, "coefficient block", channel="left", pupil=pupil) for pupil in (0, 1))
    a, b = (copy / one).read_bytes(), (copy / other).read_bytes()
    rewritten(copy, one, b)
    rewritten(copy, other, a)
    assert {text.split(":")[0] for text in failures(copy)} == {"coefficient block"}


@pytest.mark.parametrize(
    ("made_by", "added", "good", "told"),
    [
        (None, b"\n#error not to be compiled\n", False, "prewarp_open.c: not the code of prewarp "),
        ("prewarp 0.0.9", b"\n#error not to be compiled\n", None, "prewarp 0.0.9 wrote it: neither compiled"),
        (None, b"\n/* as before */\n", True, "comments differ in prewarp_open.c"),
        ("prewarp 0.0.9", b"\n/* as before */\n", True, "comments differ in prewarp_open.c"),
        (None, b"\n/* no end", False, "prewarp_open.c: not the code of prewarp "),
    ],
)
def test_c_sources_are_held_to_this_version_s(copy, made_by, added, good, told):
    path = copy / "c/prewarp_open.c"
    manifest = manifest_of(copy)
    manifest["made_by"] = made_by or manifest["made_by"]
    write_manifest(copy, manifest)
    rewritten(copy, "c/prewarp_open.c", path.read_bytes() + added)
    result = verify_package(copy)
    rows = {check.what: check for check in result.checks if check.artefact == "C evaluator"}
    assert rows["sources"].ok is good and told in rows["sources"].note
    assert result.ok is (good is not False)


def test_what_is_compiled_is_this_version_s_own(copy, compiled):
    write_manifest(copy, manifest_of(copy) | {"made_by": "prewarp 0.0.9"})
    path = copy / "c/prewarp_open.c"
    rewritten(copy, "c/prewarp_open.c", path.read_bytes() + b"\n#error not to be compiled\n")
    rows = {one.what: one for one in verify_package(copy).checks if one.artefact == "C evaluator"}
    assert rows["sources"].ok is None and rows["run"].ok and "Python twin" in rows["run"].note


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("int  a; /* px */\n\nint b;\n", "\tint a;\nint b;", True),
        ("int a = 1;", "int a = 2;", False),
        ("int a/**/b;", "int ab;", False),
        # A literal is no comment, and its spaces count.
        ('char *a = "/* x */";', 'char *a = "";', False),
        ('char *a = "x  y";', 'char *a = "x y";', False),
        # A comment that a compiler ends at a spliced line.
        ("/* x *\\\n/ int evil; /* */", "/* x */ /* int evil; */", False),
        ("#define A 1 \\\n + 2", "#define A 1 + 2", True),
        # What old compilers read on after is no comment.
        ("int a; // 2", "int a;", False),
    ],
)
def test_the_code_of_a_c_text_is_what_a_compiler_sees(one, other, same):
    assert (code_of(one) == code_of(other)) is same


@pytest.mark.parametrize("text", ["??/\n", "a \\ \nb", "a\rb", "a /* b", "a\0"])
def test_what_compilers_take_differently_has_no_code(text):
    with pytest.raises(PackageError):
        code_of(text)


def test_the_evaluator_s_own_texts_have_code_and_no_line_comments():
    for text in c_sources().values():
        assert "//" not in code_of(text)


def test_files_beside_and_files_missing_are_found(copy):
    (copy / "tables" / "stray.png").write_bytes(b"x")
    missing = first(copy, "mesh csv")
    (copy / missing).unlink()
    text = " ".join(failures(copy))
    assert "tables/stray.png" in text and "not found" in text


def test_a_fit_that_is_another_one_is_found(package):
    left, right = (small_fields().field(name, "G") for name in ("left", "right"))
    other = plane_set(replace(left, half_width=0.3601), right)
    (wrong,) = verify_package(package[0], fields=other).failures
    assert wrong.artefact == "truth" and wrong.measured > 0.01


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (lambda m: m.update(version=9), "expected .'prewarp package', 3"),
        (lambda m: m["files"][0].update(path="../outside"), "expected a path inside the package"),
        (lambda m: m["files"][0].update(path="/outside"), "expected a path inside the package"),
        (lambda m: m["files"][0].pop("bytes"), "is damaged .KeyError: 'bytes'"),
        (lambda m: m.update(files=3), "is damaged .TypeError"),
        (lambda m: m["content"].update(projection="odd"), "is damaged .ModuleError"),
        (lambda m: m["channels"][0].update(panel_size_px=[1]), "is damaged .ValueError"),
    ],
)
def test_damaged_manifests_are_refused(copy, damage, message):
    manifest = manifest_of(copy)
    damage(manifest)
    write_manifest(copy, manifest)
    with pytest.raises(PackageError, match=message):
        verify_package(copy)


@pytest.mark.parametrize("damage", ["details", "claims", "rows"])
def test_a_manifest_that_says_nonsense_fails_its_rows(copy, damage):
    manifest = manifest_of(copy)
    entry = next(one for one in manifest["files"] if one["kind"] == "mesh csv")
    if damage == "details":
        entry["details"] = {}
    elif damage == "rows":
        entry["details"]["rows"] = 10**9
    else:
        manifest["errors_reached"] = []
    write_manifest(copy, manifest)
    assert any(text.startswith("mesh csv") for text in failures(copy))


def test_links_out_of_the_package_are_not_followed(copy, tmp_path):
    secret = tmp_path / "secret"
    secret.write_bytes((copy / "truth.npz").read_bytes())
    (copy / "truth.npz").unlink()
    (copy / "truth.npz").symlink_to(secret)
    assert any("leads out of the package" in text for text in failures(copy))


def test_a_failed_verification_leaves_nothing(tmp_path, monkeypatch):
    original = csv_mesh.csv_bytes
    monkeypatch.setattr(
        csv_mesh, "csv_bytes", lambda mesh: original(replace(mesh, content_px=mesh.content_px + 0.01))
    )
    with pytest.raises(PackageError, match=r"checks failed: mesh csv .* Nothing was written"):
        write_small(tmp_path / "visor", formats=("csv",))
    assert list(tmp_path.iterdir()) == []


def test_a_failed_export_keeps_the_package_that_was_there(package, tmp_path):
    folder = shutil.copytree(package[0], tmp_path / "visor")
    with pytest.raises(
        PackageError, match="px apart are .* px off; expected at most 1e-06 px. Use a smaller --step, such as"
    ):
        write_small(folder, formats=("csv",), request=Request(1e-6))
    assert verify_package(folder).ok and [path.name for path in tmp_path.iterdir()] == ["visor"]


_SCRIPT = """
import sys
from pathlib import Path
from tests.export.device_builds import small_build
from prewarp.export.package import PackageOptions, export_package
build = small_build()
print("begin", flush=True)
export_package(Path(sys.argv[1]), build, PackageOptions(formats=("csv", "png")))
print("end", flush=True)
"""


def test_a_kill_at_random_moments_leaves_no_half_package(package, tmp_path):
    """Killed without warning, the folder is either not there or a whole package; never something between."""
    random = np.random.default_rng(11)
    outcomes = []
    for turn in range(2):
        folder = tmp_path / f"turn{turn}" / "visor"
        if turn == 1:
            shutil.copytree(package[0], folder)
        with subprocess.Popen(
            [sys.executable, "-c", _SCRIPT, str(folder)], stdout=subprocess.PIPE, text=True
        ) as process:
            assert process.stdout.readline() == "begin\n"
            time.sleep(float(random.uniform(0.05, 0.5)))
            process.send_signal(signal.SIGKILL)
        outcomes.append(folder.exists())
        if folder.exists():
            assert verify_package(folder).ok
        else:
            # What is left beside is plainly named as unfinished, and no reader takes it for a package.
            for left in folder.parent.iterdir():
                assert left.name.startswith(".visor.") and left.name.endswith(".part")
    assert outcomes == [False, True]


@pytest.mark.parametrize("matched", [False, True])
def test_without_formats_a_package_is_what_a_device_needs(tmp_path, matched):
    """Nothing per pupil position, however many there are; small enough for a device's own memory."""
    build = replace(
        small_build(matched=matched), pupils_mm=np.zeros((40, 3)) + np.linspace(0, 1, 40)[:, None]
    )
    options = PackageOptions(lookup=chebyshev_lookup(matched=matched), request=ASKED)
    manifest = export_package(tmp_path / "visor", build, options).manifest
    files = [one for one in (tmp_path / "visor").rglob("*") if one.is_file()]
    assert len(files) <= 60 and sum(one.stat().st_size for one in files) <= 1_500_000
    assert (tmp_path / "visor" / "truth.npz").stat().st_size <= 300_000
    assert (tmp_path / "visor" / "lookup" / "lookup.prewarp").is_file()
    assert {one.name for one in (tmp_path / "visor").iterdir()} == {
        ".prewarp", "GUIDE.md", "c", "lookup", "manifest.json", "manifest.schema.json", "manifest.sha256",
        "shaders", "truth.npz",
    }  # fmt: skip
    assert {one.name for one in (tmp_path / "visor" / "shaders").iterdir()} == set(DIALECTS)
    absent = {one["what"] for one in manifest["not_available"] if one["why"] == "not asked for"}
    assert absent == {*set(FORMATS) - set(DEFAULT_FORMATS), "table shader"}
    assert verify_package(tmp_path / "visor").ok


def test_bad_requests(tmp_path):
    with pytest.raises(PackageError, match="formats are gif; expected some of lookup"):
        PackageOptions(formats=("gif",))
    with pytest.raises(PackageError, match="translations are made from shaders of the dialect vulkan450"):
        PackageOptions(formats=("translations", "lookup"))
    with pytest.raises(PackageError, match="texture is 'png'; expected one of snorm16, half"):
        PackageOptions(formats=("ktx2",), texture="png")
    with pytest.raises(PackageError, match="the format 'lookup' needs a lookup"):
        export_package(tmp_path / "a", small_build(), PackageOptions(formats=("lookup",)))
    with pytest.raises(PackageError, match="pupils_mm holds 0 positions; expected 1 to 1000"):
        DeviceBuild(small_build().eye, np.zeros((0, 3)))
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("keep me")
    with pytest.raises(InputFileError, match=r"mine: holds what prewarp did not .*: letter\.txt\. Move it"):
        write_small(tmp_path / "mine")
    assert (tmp_path / "mine" / "letter.txt").exists()
