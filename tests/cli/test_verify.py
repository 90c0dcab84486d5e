"""The commands export and verify: what is written, exit codes, tables, JSON, options at odds."""

import json
import re

import pytest

from tests.cli.conftest import run


@pytest.fixture(scope="module")
def package(capture, tmp_path_factory):
    folder = tmp_path_factory.mktemp("packages") / "visor"
    done = run(
        "export", capture / "visor.fit.npz", "--module", capture / "visor.toml", "--pupils", "1x1x1",
        "--family", "chebyshev", "--max-error", "0.5px", "--max-light", "1", "--format", "lookup",
        "--format", "gltf",
        "--format", "shaders",
        "--dialect", "glsl300es", "-o", folder,
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    return folder, done


def test_export_says_what_it_did(package):
    text = package[1].stdout
    assert "Chebyshev terms, at most 0." in text and "files written and verified" in text
    assert "lookup blob" in text and "WRONG" not in text
    assert "Not asked for (--format): gpu, translations, blocks, csv, png, ktx2, masks, st." in text
    worst = re.search(r"Worst place of all: (\S+) px \(.*\), requested 0\.5 px\.", text)
    assert 0.0 < float(worst[1]) <= 0.5
    assert re.search(r"lookup blob +place +\S+ px.* 0\.5 px", text)


def test_a_good_package(package, capture):
    done = run("verify", package[0])
    assert done.exit_code == 0 and "all good" in done.stdout and "C evaluator, integer" in done.stdout
    found = json.loads(run("verify", package[0], "--fit", capture / "visor.fit.npz", "--json").stdout)
    assert found["ok"] and not [one for one in found["checks"] if one["ok"] is False]
    # Truth is worked out for all pupils at once, and held to the fit pupil by pupil: last digits differ.
    (held,) = (check for check in found["checks"] if check["what"] == "against the fit")
    assert held["measured"] < 1e-9
    assert found["requested"] == {
        "max_error_px": 0.5, "max_light_percent": 1.0, "max_gradient_per_deg": 1.0
    }  # fmt: skip
    places = [check for check in found["checks"] if check["what"] == "place"]
    assert {check["requested"] for check in places} == {0.5} and len(places) > 20
    assert found["worst_place"]["measured"] == max(check["measured"] for check in places) <= 0.5
    assert found["light"]["ripple_percent"] <= 1.0 and found["light"]["sum_error"] < 1e-6
    assert found["not_known"] == []


def test_a_changed_file_gives_exit_code_1(package):
    path = package[0] / "shaders" / "glsl300es" / "c0-inner_mesh.frag"
    text = path.read_bytes()
    path.write_bytes(text.replace(b"255.0", b"254.0", 1))
    try:
        done = run("verify", package[0])
        assert done.exit_code == 1
        assert "WRONG" in done.stdout and "checks FAILED. Do not use it." in done.stdout
        quiet = run("verify", package[0], "--quiet")
        assert quiet.exit_code == 1 and quiet.stdout == ""
    finally:
        path.write_bytes(text)


def test_what_is_no_package_gives_exit_code_2(capture, tmp_path):
    for place in (tmp_path / "nothing", tmp_path, capture):
        done = run("verify", place)
        assert (
            done.exit_code == 2
            and "manifest.json: not found; expected the manifest of a package" in done.stderr
        )


def test_the_manifest_names_the_fit(package, capture):
    from prewarp.files import sha256_of_file

    manifest = json.loads((package[0] / "manifest.json").read_text(encoding="utf-8"))
    fit = manifest["provenance"]["fit_file"]
    assert fit == {"name": "visor.fit.npz", "sha256": sha256_of_file(capture / "visor.fit.npz")}
    assert manifest["requested"]["max_error_px"] == 0.5 and manifest["eye"] == "right"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--max-error", "0"), "'0': expected 0.001px to 100px, such as 0.25px"),
        (("--max-error", "small"), "expected 0.001px to 100px"),
        (("--max-error", "nan"), "expected 0.001px to 100px"),
        (("--max-light", "0"), "'0': expected 0.01% to 100%, such as 0.5%"),
        (("--max-light", "half"), "expected 0.01% to 100%"),
        (("--white", "gains"), "--white needs --light with a grid that holds luminance"),
        (("--format", "gif"), "'gif' is not one of"),
        (("--dialect", "hlsl"), "'hlsl' is not one of"),
        (("--bits", "9"), "bits is 9; expected 8, 12 or 16"),
        (("--format", "csv", "--step", "160", "--max-error", "0.001px"), "Use a smaller --step, such as"),
        (("--format", "translations"), "translations are made from shaders"),
        (("--format", "gpu", "--format", "lookup"), "meshes made on the GPU are drawn by stages of"),
        (("--format", "gltf", "--step", "160", "--max-error", "0.001px"), "meshes (mesh glTF) with nodes"),
    ],
)
def test_bad_options(capture, tmp_path, options, message):
    done = run(
        "export", capture / "visor.fit.npz", "--module", capture / "visor.toml", "--pupils", "1x1x1",
        "-o", tmp_path / "new", *options,
    )  # fmt: skip
    assert done.exit_code == 2 and message in done.stderr
    assert not (tmp_path / "new").exists() and list(tmp_path.iterdir()) == []
