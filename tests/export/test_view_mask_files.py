"""Masks in a package: what is read back is what was made, and damage of every kind is found."""

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest

from prewarp.errors import PackageError
from prewarp.export.package_reading import read_package
from prewarp.export.truth import read_truth
from prewarp.export.verify import verify_package
from prewarp.export.view_mask import masks_c, masks_json, view_mask
from prewarp.export.view_mask_files import (
    BOX,
    C_PATH,
    JSON_PATH,
    KIND,
    c_faults,
    coverage,
    mask_faults,
    masks_from_c,
    masks_from_json,
    pupil_name,
)
from prewarp.files import sha256_of_bytes
from prewarp.seam.light import FARTHEST_DEG
from tests.export.device_builds import PUPILS, small_build, write_small
from tests.export.sealed import write_manifest

NAMES = (BOX, *(pupil_name(number) for number in range(len(PUPILS))))


@pytest.fixture(scope="module")
def package(tmp_path_factory):
    folder = tmp_path_factory.mktemp("masks") / "visor"
    return folder, write_small(folder, formats=("masks",), lookup=None)


@pytest.fixture
def copy(package, tmp_path):
    return shutil.copytree(package[0], tmp_path / "copy")


def masks_in(folder):
    return masks_from_json((folder / JSON_PATH).read_bytes(), where=JSON_PATH)


def truth_in(folder):
    return read_truth(folder / "truth.npz", ["left", "right"], list("RGB"))


def rewrite(folder, masks, *, header=None):
    """Write other masks with hashes that are right."""
    manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
    for path, text in ((JSON_PATH, masks_json(masks)), (C_PATH, header or masks_c(masks))):
        data = text.encode()
        (folder / path).write_bytes(data)
        entry = next(one for one in manifest["files"] if one["path"] == path)
        entry.update(bytes=len(data), sha256=sha256_of_bytes(data))
    write_manifest(folder, manifest)


def wrong_in(folder):
    return {one.what: one for one in verify_package(folder).failures}


def test_a_package_of_masks(package):
    folder, result = package
    rows = {one.what: one for one in result.verification.checks if one.artefact == KIND}
    assert set(rows) == {"C arrays", "triangles", "lit directions hidden", "dark directions shown"}
    assert all(one.ok for one in rows.values())
    assert rows["lit directions hidden"].measured == 0 == rows["dark directions shown"].requested
    entries = read_package(folder).entries(KIND)
    assert [one["path"] for one in entries] == [JSON_PATH, C_PATH]
    for entry in entries:
        assert entry["details"]["masks"] == list(NAMES)
        assert entry["sha256"] == sha256_of_bytes((folder / entry["path"]).read_bytes())
    masks = masks_in(folder)
    assert tuple(masks) == NAMES
    # From the eye box at least as much is seen as from any of its pupils.
    box = masks[BOX].field_of_view
    for name in NAMES[1:]:
        view = masks[name].field_of_view
        assert box.left <= view.left < view.right <= box.right and box.down <= view.down < view.up <= box.up


def test_what_is_lit_and_dark_is_asked_of_every_mask(package):
    truth = truth_in(package[0])
    hidden, shown, asked = coverage(masks_in(package[0]), truth)
    points = sum(len(points) for points in truth.pixel.values())
    assert (hidden, shown, asked) == (0, 0, points * (len(truth.pupils_mm) + len(PUPILS)))
    lit = np.concatenate([depth.ravel() for depth in truth.lit_deg.values()])
    assert np.mean(lit > 0.0) > 0.9 and np.all(lit <= FARTHEST_DEG)


def test_a_mask_that_hides_a_channel_is_found(copy):
    masks = masks_in(copy)
    light = small_build().eye.seam.lights[0]
    masks["p000"] = view_mask([light.outline(PUPILS[0]).outline[::64]])
    rewrite(copy, masks)
    wrong = wrong_in(copy)
    assert set(wrong) == {"lit directions hidden"} and wrong["lit directions hidden"].measured > 100


def test_a_mask_that_shows_everything_is_found(tmp_path, package):
    """Dark directions are rare among panel points: asked with the truth's depths moved."""
    folder = package[0]
    truth = truth_in(folder)
    darker = replace(truth, lit_deg={name: depth - 3.0 for name, depth in truth.lit_deg.items()})
    hidden, shown, _ = coverage(masks_in(folder), darker)
    assert hidden == 0 and shown > 50


def damaged(mask, kind):
    if kind == "winding":
        return replace(mask, visible=np.concatenate([mask.visible[:1, ::-1], mask.visible[1:]]))
    if kind == "missing":
        return replace(mask, hidden=mask.hidden[1:])
    if kind == "twice":
        return replace(mask, visible=np.concatenate([mask.visible, mask.visible[:1]]))
    if kind == "loop":
        return replace(mask, loop=mask.loop[::-1])
    if kind == "nothing":
        return replace(mask, visible=mask.visible[:0], hidden=np.concatenate([mask.hidden, mask.visible]))
    # A corner that lies on no border moves off the triangles that share it: they cover each other.
    inner = mask.loop[len(mask.loop) // 2]
    vertices = mask.vertices.copy()
    vertices[inner] += 0.5
    return replace(mask, vertices=vertices)


@pytest.mark.parametrize(
    ("kind", "told"),
    [
        ("winding", "1 triangles do not run counter-clockwise"),
        ("missing", "triangles cover 0.9"),
        ("twice", "belong to two triangles on one hand: they overlap"),
        ("loop", "the loop does not run once and counter-clockwise"),
        ("nothing", "nothing is visible"),
        ("moved", "do not run counter-clockwise"),
    ],
)
def test_damage_is_told(copy, kind, told):
    masks = masks_in(copy)
    assert list(mask_faults(masks[BOX])) == []
    masks[BOX] = damaged(masks[BOX], kind)
    rewrite(copy, masks)
    wrong = wrong_in(copy)
    assert f"{BOX}: " in wrong["triangles"].note and told in wrong["triangles"].note
    # The header holds the same damage: it is no difference of the two.
    assert "C arrays" not in wrong


@pytest.mark.parametrize("place", ["vertices", "fov_rad", "visible", "loop"])
def test_a_header_with_another_number_is_found(copy, place):
    text = (copy / C_PATH).read_text("utf-8")
    start = text.index(f"prewarp_view_{BOX}_{place}[")
    digit = next(i for i in range(text.index("= {", start) + 4, len(text)) if text[i] in "2345678")
    rewrite(copy, masks_in(copy), header=text[:digit] + "1" + text[digit + 1 :])
    assert wrong_in(copy)["C arrays"].note == f"{BOX}: other numbers in the header than in the JSON"


def test_a_header_without_a_mask_is_found(package):
    masks = masks_in(package[0])
    fewer = masks_from_c(masks_c({BOX: masks[BOX]}))
    (told,) = c_faults(masks, fewer)
    assert told == f"the header holds {BOX}; expected {', '.join(NAMES)}"
    assert list(c_faults(masks, masks_from_c(masks_c(masks)))) == []
    assert masks_from_c("no header") == {}


@pytest.mark.parametrize(
    "change",
    [
        lambda one: one.pop("vertices"),
        lambda one: one.update(vertices=[[0.0]]),
        lambda one: one["vertices"].__setitem__(0, [float("nan"), 0.0]),
        lambda one: one["visible_triangles"].__setitem__(0, [0, 1, 10**6]),
        lambda one: one["visible_triangles"].__setitem__(0, [0, -1, 2]),
        lambda one: one.update(visible_triangles=[[0, 1]]),
        lambda one: one["field_of_view"].update(angleLeft_rad=2.0),
        lambda one: one.update(field_of_view=3),
        lambda one: one.update(line_loop={}),
    ],
)
def test_json_that_is_no_mask_is_refused(package, change):
    found = json.loads((package[0] / JSON_PATH).read_text("utf-8"))
    change(found["masks"][BOX])
    with pytest.raises(PackageError, match=r"masks\.json: damaged"):
        masks_from_json(json.dumps(found).encode(), where=JSON_PATH)
    for data in (b"", b"[]", b"{}", b"\xff", b"[" * 100_000):
        with pytest.raises(PackageError, match="damaged"):
            masks_from_json(data, where=JSON_PATH)


def test_masks_left_out_are_found(copy):
    masks = masks_in(copy)
    del masks["p001"]
    rewrite(copy, masks)
    (wrong,) = verify_package(copy).failures
    assert "masks eye_box, p000; expected eye_box, p000, p001" in wrong.note
