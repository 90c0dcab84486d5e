"""A mounted field: turned as a whole, both ways, with slopes, on a lattice and through a file."""

import json

import numpy as np
import pytest

from prewarp.errors import FitError, InputFileError, ShapeError
from prewarp.field import FieldSet
from prewarp.field.mount import Mount
from prewarp.files import npz_bytes, read_npz
from prewarp.frames import arcmin_between, unit_from_tangent
from tests.sampled_fields import sampled_set
from tests.synthetic import two_channels

SIZE = (640, 480)
TURN = Mount((1.2, -2.0, 3.0), 1.004, (-0.27, 0.01))
# Rounding of a few turns and of the inverse's last step.
SAME_ARCMIN = 1e-6


@pytest.fixture(scope="module")
def fields():
    return sampled_set(two_channels(size_px=SIZE, focal_px=720.0))


@pytest.fixture(scope="module")
def points():
    random = np.random.default_rng(2)
    return random.uniform([20, 20], [620, 460], (200, 2)), random.uniform([-4, -3, -2], [4, 3, 2], (200, 3))


def test_signs_of_the_three_turns():
    # Right-hand picture of nothing but words: about x down, about y to the right, about z the right side up.
    ahead, right = np.zeros(2), np.array([0.2, 0.0])
    assert Mount((1.0, 0.0, 0.0)).outward(ahead)[1] == pytest.approx(-np.tan(np.radians(1.0)))
    assert Mount((0.0, 1.0, 0.0)).outward(ahead)[0] == pytest.approx(np.tan(np.radians(1.0)))
    assert Mount((0.0, 0.0, 1.0)).outward(right)[1] == pytest.approx(0.2 * np.sin(np.radians(1.0)))
    assert Mount(scale=1.1, axis=(0.1, 0.0)).outward(right)[0] == pytest.approx(0.21)


def test_no_mount_changes_no_bit(fields, points):
    field = fields.field("inner", "G")
    pixel, pupil = points
    np.testing.assert_array_equal(
        field.mounted(Mount()).forward(pixel, pupil_mm=pupil), field.forward(pixel, pupil_mm=pupil)
    )


@pytest.mark.outside
def test_a_mounted_field_is_the_field_of_a_turned_display(fields, points):
    """Turning optics and panel about the eye-box centre, done by hand on rays of the unturned field."""
    field = fields.field("inner", "G")
    mount = Mount((1.2, -2.0, 3.0))
    pixel, pupil = points
    axis = np.radians(mount.turn_deg)
    angle = np.linalg.norm(axis)
    k = axis / angle

    def turned(vector, angle):  # Rodrigues' rotation formula (common practice, from memory)
        return (
            vector * np.cos(angle)
            + np.cross(k, vector) * np.sin(angle)
            + k * (vector @ k)[..., None] * (1.0 - np.cos(angle))
        )

    ray = turned(unit_from_tangent(field.forward(pixel, pupil_mm=turned(pupil, -angle))), angle)
    shown = field.mounted(mount).forward(pixel, pupil_mm=pupil)
    assert arcmin_between(shown, ray[:, :2] / ray[:, 2:]).max() < SAME_ARCMIN


def test_both_ways_and_along_the_ray(fields, points):
    field = fields.field("inner", "G").mounted(TURN)
    pixel, pupil = points
    tangent = field.forward(pixel, pupil_mm=pupil)
    found = field.inverse(tangent, pupil_mm=pupil)
    assert found.valid.all()
    np.testing.assert_allclose(found.pixel, pixel, atol=1e-6)
    turned = fields.field("inner", "G").mounted(Mount(TURN.turn_deg))
    tangent = turned.forward(pixel, pupil_mm=pupil)
    moved = pupil + 1.5 * np.column_stack([tangent, np.ones(len(tangent))])
    np.testing.assert_allclose(turned.forward(pixel, pupil_mm=moved), tangent, atol=1e-9)


def test_slopes_against_differences(fields, points):
    field = fields.field("outer", "G").mounted(TURN)
    pixel, pupil = points
    for slopes, shift_pixel, size in (
        (field.jacobian(pixel, pupil_mm=pupil), True, 1e-2),
        (field.pupil_jacobian(pixel, pupil_mm=pupil), False, 1e-2),
    ):
        for axis in (0, 1):
            step = np.eye(3)[axis] * size
            by = [
                field.forward(
                    pixel + (sign * step[:2] if shift_pixel else 0.0),
                    pupil_mm=pupil + (0.0 if shift_pixel else sign * step),
                )
                for sign in (-1.0, 1.0)
            ]
            np.testing.assert_allclose(slopes[..., axis], (by[1] - by[0]) / (2 * size), atol=2e-8)


@pytest.mark.parametrize("depth", [0.0, 1.5])
def test_lattice_equals_scattered(fields, depth):
    field = fields.field("inner", "G").mounted(TURN)
    u, v, pupil = np.linspace(0, 640, 7), np.linspace(0, 480, 5), [1.0, -2.0, depth]
    columns, rows = np.meshgrid(u, v)
    expected = field.forward(np.stack([columns, rows], axis=-1), pupil_mm=pupil)
    np.testing.assert_allclose(field.forward_lattice(u, v, pupil_mm=pupil), expected, atol=1e-10)


def test_mounting_again_replaces(fields, points):
    field = fields.field("inner", "G").mounted(TURN)
    again = field.mounted(Mount())
    np.testing.assert_allclose(
        again.captured_tangent, fields.field("inner", "G").captured_tangent, atol=1e-12
    )
    assert arcmin_between(field.captured_tangent, again.captured_tangent).min() > 60.0


def test_a_mount_goes_through_the_file(fields, points, tmp_path):
    mounted = fields.mounted({"inner": TURN}, provenance={"pairs": "pairs.csv"})
    mounted.save(tmp_path / "a.npz")
    again = FieldSet.load(tmp_path / "a.npz")
    again.save(tmp_path / "b.npz")
    assert (tmp_path / "a.npz").read_bytes() == (tmp_path / "b.npz").read_bytes()
    assert again.field("inner", "G").mount == TURN and again.field("outer", "G").mount.is_identity
    assert again.provenance["pairs"] == "pairs.csv"
    pixel, pupil = points
    np.testing.assert_array_equal(
        again.field("inner", "G").forward(pixel, pupil_mm=pupil),
        mounted.field("inner", "G").forward(pixel, pupil_mm=pupil),
    )
    with pytest.raises(FitError, match="channel 'middle'"):
        fields.mounted({"middle": TURN}, provenance={})


@pytest.mark.parametrize(
    ("entry", "part"),
    [({"turn_deg": [0, 0, 400], "scale": 1, "axis": [0, 0]}, "turn_deg"), ({"scale": 1}, "KeyError")],
)
def test_a_damaged_mount_is_refused(fields, tmp_path, entry, part):
    fields.mounted({"inner": TURN}, provenance={}).save(tmp_path / "a.npz")
    arrays = read_npz(tmp_path / "a.npz", limit_bytes=1 << 28, what="a fit")
    header = json.loads(arrays["header"].tobytes().decode())
    header["fields"][0]["mount"] = entry
    arrays["header"] = np.frombuffer(json.dumps(header).encode(), dtype=np.uint8)
    (tmp_path / "b.npz").write_bytes(npz_bytes(arrays))
    with pytest.raises(InputFileError, match=part):
        FieldSet.load(tmp_path / "b.npz")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (((np.nan, 0.0, 0.0),), r"turn_deg is \(nan, 0.0, 0.0\); expected a rotation vector"),
        (((0.0, 0.0, 0.0), 3.0), "scale is 3.0; expected 0.5 to 2"),
        (((0.0, 0.0, 0.0), 1.0, (np.inf, 0.0)), "two finite tangents"),
    ],
)
def test_bad_mounts_say_what_is_wrong(arguments, message):
    with pytest.raises(ShapeError, match=message):
        Mount(*arguments)
