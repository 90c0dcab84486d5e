"""Exported meshes: read back, drawn from alone, compared with the reference renderer; damaged folders."""

import csv
import json

import numpy as np
import pytest
from PIL import Image

from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction, linear_from_srgb
from prewarp.errors import InputFileError, PackageError
from prewarp.export.mesh import export_mesh
from prewarp.export.mesh_reading import read_mesh_export
from prewarp.export.quantise import coded_table
from prewarp.mesh import panel_mesh
from prewarp.render.cpu import prewarp_panel
from tests.closed_form import plane_set, two_channels
from tests.render.conftest import context, session_context  # noqa: F401  (fixtures)
from tests.render.scenes import hard_scene

CONTENT = ContentProjection("flat", (800, 500), 80.0)
PUPILS = np.array([[0.0, 0.0, 0.0], [3.0, -2.0, 1.0]])
GAMMA = TransferFunction("power", gamma=2.2)


def write(folder, fields, seam):
    return export_mesh(folder, fields, CONTENT, pupils_mm=PUPILS, seam=seam, transfers={"right": GAMMA})


@pytest.fixture(scope="module")
def exported(fields, seam, tmp_path_factory):
    folder = tmp_path_factory.mktemp("export") / "meshes"
    write(folder, fields, seam)
    return folder


def test_everything_is_there_and_reads_back(exported, fields, seam):
    meshes = read_mesh_export(exported)
    assert len(meshes) == 2 * 3 * 2
    for got in meshes:
        mesh = panel_mesh(
            fields.field(got.channel, got.colour), CONTENT, tracked_pupil_mm=got.pupil_mm, seam=seam
        )
        np.testing.assert_array_equal(got.nodes[..., 6:8], mesh.content_px)
        pixel = np.random.default_rng(0).uniform([0, 0], [640, 480], (5000, 2))
        error = np.abs(got.table.spline().at(pixel) - mesh.spline().at(pixel)).max(axis=0)
        # Half a step of 16 bits over what the affine part leaves, in px; weights run from -1 to 2 where they ring.
        assert error[0] < 0.001 and error[1] < 0.001 and error[2] < 1e-4
    assert {tuple(mesh.pupil_mm) for mesh in meshes} == {tuple(pupil) for pupil in PUPILS}


def test_csv_by_hand(exported, fields):
    # Plain csv module: header and one node, without any of our reading code.
    with (exported / "c0-left_G_p001.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    node = next(row for row in rows if row["row"] == "7" and row["column"] == "31")
    pixel = np.array([float(node["panel_u_px"]), float(node["panel_v_px"])])
    np.testing.assert_allclose(pixel, [31 * 16.0, 7 * 16.0])
    tangent = fields.field("left", "G").forward(pixel, pupil_mm=PUPILS[1])
    np.testing.assert_allclose(
        [float(node["dir_x_deg"]), float(node["dir_y_deg"])], np.degrees(np.arctan(tangent)), atol=1e-10
    )


def test_same_input_same_bytes(exported, fields, seam, tmp_path):
    write(tmp_path / "again", fields, seam)
    for path in sorted(exported.iterdir()):
        assert (tmp_path / "again" / path.name).read_bytes() == path.read_bytes()


@pytest.mark.gl
@pytest.mark.parametrize("channel", ["left", "right"])
def test_shaders_draw_the_reference_from_the_files_alone(exported, fields, seam, context, channel):  # noqa: F811
    """Only manifest, PNG and shader files are used: an integrator's path, with nothing of the package in it."""
    manifest = json.loads((exported / "manifest.json").read_text())
    described = next(entry for entry in manifest["channels"] if entry["channel"] == channel)
    program = context.program(
        vertex_shader=(exported / manifest["vertex_shader"]["file"]).read_text(),
        fragment_shader=(exported / described["fragment_shader"]["file"]).read_text(),
    )
    width, height = described["panel_size_px"]
    image = hard_scene(800, 500)
    light = np.ones((500, 800, 4), dtype=np.float32)
    light[..., :3] = linear_from_srgb(image / 255.0)
    textures = {"t_content_linear": context.texture((800, 500), 4, light.tobytes(), dtype="f4")}
    for colour, name in (("R", "red"), ("G", "green"), ("B", "blue")):
        entry = next(
            mesh
            for mesh in manifest["meshes"]
            if (mesh["channel"], mesh["colour"], mesh["pupil"]) == (channel, colour, 1)
        )
        codes = [
            np.asarray(Image.open(exported / entry["png"][c]["file"])) for c in manifest["table_components"]
        ]
        table = np.stack([*codes, codes[0] * 0], axis=-1).astype(np.float32)
        textures[f"t_table_{name}"] = context.texture(table.shape[1::-1], 4, table.tobytes(), dtype="f4")
        program[f"u_affine_{name}"].value = tuple(np.ravel(entry["affine"]))
        program[f"u_scale_{name}"].value = tuple(entry["scale"])
        program["u_nodes_per_px"].value = tuple(1.0 / np.array(entry["step_px"]))
    program["u_largest_code"].value = float(2 ** described["bit_depth"] - 1)
    if described["encoding"] == "power":
        program["u_gamma"].value = described["gamma"]
    for unit, (name, texture) in enumerate(textures.items()):
        texture.use(unit)
        program[name].value = unit
    target = context.texture((width, height), 4)
    frame = context.framebuffer([target])
    frame.use()
    context.vertex_array(program, []).render(vertices=3)
    got = np.frombuffer(frame.read(components=3, alignment=1), np.uint8).reshape(height, width, 3).astype(int)
    transfer = GAMMA if channel == "right" else TransferFunction()
    reference = prewarp_panel(
        fields, CONTENT, image, channel=channel, tracked_pupil_mm=PUPILS[1], seam=seam, transfer=transfer
    ).codes
    for plane in range(3):
        difference = np.abs(got[..., plane] - reference[..., plane])
        assert np.mean(difference <= 1) >= 0.999
        # Code 3 of a pure power law is 6e-5 of light, as little as the 16-bit weights resolve: so near black such a
        # panel is held to the light instead, everything else to the codes.
        light = [transfer.linear_from_encoded(codes[..., plane] / 255.0) for codes in (got, reference)]
        dark = (np.maximum(*light) < 2e-4) & (transfer.kind == "power")
        assert difference[~dark].max() <= 3
        # Light changes by at most 1 per px each way at a hard edge, and by the weight's own rounding.
        resolved = max(
            2.0 * mesh["largest_rounding_px"] + 0.5 * mesh["scale"][2] for mesh in manifest["meshes"]
        )
        assert resolved < 1e-3
        assert np.abs(light[0] - light[1])[dark].max(initial=0.0) < resolved


def test_coded_table_takes_the_affine_part_away(fields):
    spline = panel_mesh(fields.field("left", "G"), CONTENT, tracked_pupil_mm=PUPILS[0]).spline()
    table = coded_table(spline)
    # 16 bits over the whole content would be 800 / 65535 = 0.012 px a code.
    assert table.scale[:2].max() < 0.001
    assert np.abs(table.spline().coefficients - spline.coefficients).max() <= 0.501 * table.scale[:2].max()


def damage_text(path, old, new):
    path.write_text(path.read_text().replace(old, new, 1))


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (lambda d: (d / "manifest.json").unlink(), "manifest.json: .* not found"),
        (lambda d: (d / "manifest.json").write_text("{"), "manifest.json is not JSON"),
        (lambda d: (d / "manifest.json").write_text("[]"), "manifest.json names None"),
        (
            lambda d: damage_text(d / "manifest.json", '"version": 1', '"version": 9'),
            "expected .'pre-warp meshes', 1",
        ),
        (
            lambda d: damage_text(d / "manifest.json", '"c0-left.frag"', '"../c0-left.frag"'),
            "without folders",
        ),
        (
            lambda d: damage_text(d / "manifest.json", '"rows": 31', '"rows": 900000000'),
            "900000000 x 41 nodes",
        ),
        (
            lambda d: damage_text(d / "manifest.json", '"rows": 31', '"rows": 30'),
            "expected 1230 of row, column",
        ),
        (lambda d: damage_text(d / "manifest.json", '"affine"', '"afine"'), "damaged .KeyError: 'affine'"),
        (lambda d: (d / "c0-left_G_p000.csv").write_text("x"), "c0-left_G_p000.csv: the file is not the one"),
        (lambda d: (d / "c1-right_B_p001_weight.png").unlink(), "c1-right_B_p001_weight.png: .* not found"),
    ],
)
def test_damaged_folders_are_refused(exported, tmp_path, damage, message):
    folder = tmp_path / "copy"
    folder.mkdir()
    for path in exported.iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    damage(folder)
    with pytest.raises(PackageError, match=message):
        read_mesh_export(folder)


def test_a_failed_export_leaves_nothing(fields, seam, tmp_path, monkeypatch):
    def refuse(*_):
        raise PackageError("read back wrong")

    monkeypatch.setattr("prewarp.export.mesh.compare_with", refuse)
    with pytest.raises(PackageError, match="read back wrong"):
        write(tmp_path / "meshes", fields, seam)
    assert list(tmp_path.iterdir()) == []


def test_bad_requests(fields, tmp_path):
    with pytest.raises(PackageError, match="pupils_mm holds 0 positions; expected 1 to 1000"):
        export_mesh(tmp_path / "x", fields, CONTENT, pupils_mm=np.zeros((0, 3)))
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("keep me")
    with pytest.raises(InputFileError, match="was not written by prewarp"):
        export_mesh(tmp_path / "mine", fields, CONTENT, pupils_mm=np.zeros(3))
    assert (tmp_path / "mine" / "letter.txt").exists()


def test_odd_channel_names_stay_in_the_folder(tmp_path):
    left, _ = two_channels()
    fields = plane_set(type(left)("../in ner"), colours=("G",))
    export_mesh(tmp_path / "out", fields, CONTENT, pupils_mm=np.zeros(3))
    assert (tmp_path / "out" / "c0-___in_ner_G_p000.csv").exists()
    assert read_mesh_export(tmp_path / "out")[0].channel == "../in ner"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out"]
