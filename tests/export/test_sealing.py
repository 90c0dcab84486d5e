"""The manifest guards the package, and what guards the manifest: digest, signature, facts held elsewhere."""

import copy as copies
import hashlib
import json
import re
import shutil
import subprocess
from base64 import b64encode

import pytest

from prewarp.errors import InputFileError, PackageError
from prewarp.export.manifest import FACTS
from prewarp.export.manifest_checks import claim_checks
from prewarp.export.package import PackageOptions, export_package
from prewarp.export.package_reading import read_package
from prewarp.export.reached import Reached
from prewarp.export.sealing import canonical_bytes, manifest_from_bytes
from prewarp.export.signing import read_signing_key, read_trusted_key
from prewarp.export.verify import verify_package
from tests.cli.conftest import run
from tests.export.device_builds import ASKED, chebyshev_lookup, small_build
from tests.export.sealed import read_manifest, write_manifest
from tests.support import require_tool

# RFC 8032, section 7.1, test 3: the secret key, the public one, the message, the signature.
_SECRET = "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7"
_PUBLIC = "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025"
_MESSAGE = "af82"
_SIGNATURE = (
    "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac"
    "18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a"
)
# What PKCS 8 and SubjectPublicKeyInfo put before the 32 bytes of a key (RFC 8410, sections 4 and 7).
_PKCS8, _SPKI = "302e020100300506032b657004220420", "302a300506032b6570032100"


def _pem(kind, text):

    return (
        f"-----BEGIN {kind} KEY-----\n{b64encode(bytes.fromhex(text)).decode()}\n-----END {kind} KEY-----\n"
    )


@pytest.fixture(scope="module")
def keys(tmp_path_factory):
    """Files of the key of RFC 8032."""
    folder = tmp_path_factory.mktemp("keys")
    (folder / "key.pem").write_text(_pem("PRIVATE", _PKCS8 + _SECRET))
    (folder / "trusted.pem").write_text(_pem("PUBLIC", _SPKI + _PUBLIC))
    return folder


@pytest.fixture(autouse=True)
def no_programs(monkeypatch):
    """Neither C nor shaders are compiled: other tests do."""
    monkeypatch.setattr("prewarp.export.lookup_files.find_compiler", lambda: None)
    monkeypatch.setattr("prewarp.export.shader_checks._tool", lambda name: None)


@pytest.fixture(scope="module")
def package(tmp_path_factory, keys):
    folder = tmp_path_factory.mktemp("package") / "visor"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("prewarp.export.lookup_files.find_compiler", lambda: None)
        options = PackageOptions(
            lookup=chebyshev_lookup(), formats=("lookup",), request=ASKED, eye="right",
            sign=read_signing_key(keys / "key.pem"),
        )  # fmt: skip
        export_package(folder, small_build(), options, light=lambda package: None)
    return folder


@pytest.fixture
def copy(package, tmp_path):
    return shutil.copytree(package, tmp_path / "copy")


def wrong(folder, **options):
    """Return what of the manifest itself is wrong, without the light, which is slow and another matter."""
    found = verify_package(folder, light=lambda package: None, **options)
    return [check.what for check in found.failures if check.artefact == "manifest"]


def test_the_digest_is_that_of_the_canonical_form(package):
    manifest = read_manifest(package)
    plain = json.dumps(manifest, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    assert (package / "manifest.sha256").read_text() == hashlib.sha256(plain).hexdigest() + "\n"
    # A device needs no JSON to make it: the file without white space outside strings.
    text = (package / "manifest.json").read_text(encoding="utf-8")
    assert re.sub(r'("(?:[^"\\]|\\.)*")|\s+', lambda one: one[1] or "", text).encode() == plain


def test_a_good_package_has_nothing_wrong(package, keys):
    trust = read_trusted_key(keys / "trusted.pem")
    assert wrong(package) == [] and wrong(package, trust=trust) == []
    found = {check.what: check for check in verify_package(package).checks if check.artefact == "manifest"}
    assert set(found) == {"digest", "signature", "display", "tables", "claimed errors"}
    assert found["signature"].ok is None and "--trust" in found["signature"].note


@pytest.mark.outside
def test_signatures_are_those_of_the_standard(package, keys):
    """RFC 8032's own example both ways, and OpenSSL on what was written."""
    sign, trust = read_signing_key(keys / "key.pem"), read_trusted_key(keys / "trusted.pem")
    message, signature = bytes.fromhex(_MESSAGE), bytes.fromhex(_SIGNATURE)
    assert sign(message) == signature and trust(signature, message)
    assert not trust(signature, message + b"\0") and not trust(signature[:-1], message)
    assert len((package / "manifest.sig").read_bytes()) == 64
    canonical = package.parent / "canonical"
    canonical.write_bytes(canonical_bytes(read_manifest(package)))
    command = (
        require_tool("openssl"), "pkeyutl", "-verify", "-pubin", "-inkey", keys / "trusted.pem", "-rawin",
        "-in", canonical, "-sigfile", package / "manifest.sig",
    )  # fmt: skip
    assert subprocess.run(command, capture_output=True, check=False).returncode == 0


def test_every_changed_number_and_word_breaks_the_seal(copy, keys):
    """Each in turn, with all else as it was."""
    manifest = read_manifest(copy)
    sealed = (copy / "manifest.sha256").read_text()
    count = 0
    for path in _leaves(manifest):
        changed = copies.deepcopy(manifest)
        _change(changed, path)
        digest = hashlib.sha256(canonical_bytes(changed)).hexdigest()
        count += 1
        assert digest + "\n" != sealed, path
    assert count > 300
    manifest["cautions"].pop()
    (copy / "manifest.json").write_text(json.dumps(manifest))
    assert wrong(copy) == ["digest"]
    assert wrong(copy, trust=read_trusted_key(keys / "trusted.pem")) == ["digest", "signature"]


def _leaves(value, path=()):
    if isinstance(value, dict | list):
        for key, one in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _leaves(one, (*path, key))
    else:
        yield path


def _change(manifest, path):
    *way, last = path
    for key in way:
        manifest = manifest[key]
    value = manifest[last]
    manifest[last] = not value if isinstance(value, bool) else f"{value}x" if isinstance(value, str) else 9.5


@pytest.mark.parametrize(
    "change",
    [
        lambda m: m["content"].update(focal_px=m["content"]["focal_px"] * 1.001),
        lambda m: m["content"].update(field_x_deg=m["content"]["field_x_deg"] + 1.0),
        lambda m: m["pupils_mm"][0].__setitem__(0, 0.5),
        lambda m: m["pupil_box_mm"][1].__setitem__(0, 9.0),
        lambda m: m["frames"].update(direction="tangents, +x to the left"),
        lambda m: m["channels"][0].update(encoding="power", gamma=1.0),
        lambda m: m["channels"][0].update(bit_depth=6),
        lambda m: m["channels"][0]["drive_from_content"][0].__setitem__(0, 0.5),
        lambda m: m["channels"][1].update(panel_size_px=[321, 240]),
        lambda m: m["blend"].update(feather_deg=1.0),
        lambda m: m["blend"].update(edge_deg=0.5),
        lambda m: m["light"].update(dither="blue"),
        lambda m: m.update(eye="left"),
    ],
)
def test_physical_facts_are_held_to_what_the_package_holds(copy, change):
    """Changed by one who writes the digest anew."""
    manifest = read_manifest(copy)
    change(manifest)
    write_manifest(copy, manifest)
    found = wrong(copy)
    assert found and set(found) <= {"display", "tables"}


def test_facts_are_all_that_says_which_display_it_is(package):
    others = {
        "format", "version", "made_by", "requested", "errors_reached", "files", "not_available",
        "provenance", "cautions",
    }  # fmt: skip
    assert set(FACTS) == set(read_manifest(package)) - others


@pytest.mark.parametrize("number", ["Infinity", "-Infinity", "NaN", "1e999"])
def test_numbers_that_are_none_are_refused(copy, number):
    path = copy / "manifest.json"
    text = re.sub(r'("largest_error_px": )[^,]+', rf"\g<1>{number}", path.read_text(), count=1)
    path.write_text(text)
    with pytest.raises(PackageError, match=r"not JSON \(.* is no number\)"):
        read_package(copy)


def test_a_key_that_stands_twice_is_refused():
    with pytest.raises(ValueError, match="'a' stands twice"):
        manifest_from_bytes(b'{"b": {"a": 1, "c": 2, "a": 3}}')


def test_claims_are_those_that_are_measured_again(copy):
    manifest = read_manifest(copy)
    claims = manifest["errors_reached"]
    for change, word in (
        (lambda: claims.append({**claims[0], "largest_error_px": 1e9}), "claimed errors"),
        (lambda: claims.append({**claims[0], "kind": "mesh of another hand"}), "claimed errors"),
    ):
        change()
        write_manifest(copy, manifest)
        assert wrong(copy) == [word]
        claims.pop()
    rows = list(claim_checks([Reached("a", "c", "G", 0.1)] * 2, []))
    assert (
        rows[0].ok is False and "claimed twice: a c G; claimed, and nothing here shows it: a" in rows[0].note
    )


def test_what_is_asked_now_goes_before_what_was_asked_then(copy):
    manifest = read_manifest(copy)
    manifest["requested"]["max_error_px"] = 100.0
    write_manifest(copy, manifest)
    assert verify_package(copy, light=lambda package: None).ok
    found = verify_package(copy, light=lambda package: None, max_error_px=0.01)
    assert {check.what for check in found.failures} == {"place"} and found.requested.max_error_px == 0.01


def test_an_unsigned_package_is_not_trusted(copy, keys):
    write_manifest(copy, read_manifest(copy))
    assert wrong(copy) == []
    assert wrong(copy, trust=read_trusted_key(keys / "trusted.pem")) == ["signature"]
    (copy / "manifest.sha256").unlink()
    assert wrong(copy) == ["digest"]


def test_the_command_trusts_a_key_and_asks_for_less(copy, keys):
    done = run("verify", copy, "--trust", keys / "trusted.pem", "--max-error", "0.01px")
    assert done.exit_code == 1 and "by the trusted key" in done.stdout and "requested 0.01 px" in done.stdout
    done = run("verify", copy, "--trust", keys / "key.pem")
    assert done.exit_code == 2 and "no public Ed25519 key in PEM (SubjectPublicKeyInfo)" in done.stderr
    done = run("export", "no.npz", "--module", "no.toml", "--sign", keys / "trusted.pem", "-o", copy / "new")
    assert done.exit_code == 2 and "no private Ed25519 key in PEM (PKCS 8)" in done.stderr


def test_files_that_are_no_keys_are_told(keys, tmp_path):
    (tmp_path / "text.pem").write_text("my key")
    for read, other in ((read_signing_key, "trusted.pem"), (read_trusted_key, "key.pem")):
        for path in (tmp_path / "text.pem", keys / other):
            with pytest.raises(InputFileError, match="no (private|public) Ed25519 key in PEM"):
                read(path)
        with pytest.raises(InputFileError, match="not found"):
            read(tmp_path / "none.pem")
    locked = tmp_path / "locked.pem"
    command = (
        require_tool("openssl"), "pkey", "-in", keys / "key.pem", "-aes256", "-passout", "pass:word",
        "-out", locked,
    )  # fmt: skip
    subprocess.run(command, check=True, capture_output=True)
    with pytest.raises(InputFileError, match="locked by a password"):
        read_signing_key(locked)
