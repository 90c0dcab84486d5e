"""The bench: its file, what is drawn by lot, and what the sensor makes of light."""

import re

import numpy as np
import pytest

from prewarp.capture.camera import Camera
from prewarp.capture.photograph.bench import Bench, Ghost, Hair, Hidden, read_bench
from prewarp.capture.photograph.sensor import values_of_light
from prewarp.errors import CaptureError

CAMERA = Camera(64, 48, (50.0, 50.0), (32.0, 24.0), black=64.0, full_scale=4095.0, shift_bits=4)
WHOLE = """
seed = 7
blur_px = 0.7
drift_px = [0.1, -0.2]
dead_columns = [3, 9]
[lateral_color]
R = 1e-4
[[ghost]]
strength = 0.05
shift_px = [78.0, 0.0]
[[ghost]]
strength = 0.01
scale = -1.0
blur_px = 3.0
channel = "inner"
[[hair]]
from_px = [0.0, 10.0]
to_px = [100.0, 20.0]
width_px = 4.0
[[hidden]]
from_px = [0.0, 0.0]
to_px = [10.0, 10.0]
channel = "outer"
"""


def values(light, bench=None, camera=CAMERA, exposure_ms=1.0, seed=0):
    random = np.random.default_rng(seed)
    return values_of_light(light, camera, bench or Bench(), exposure_ms=exposure_ms, random=random, name="a")


def test_a_bench_file(tmp_path):
    (tmp_path / "bench.toml").write_text(WHOLE, encoding="utf-8")
    bench = read_bench(tmp_path / "bench.toml")
    assert (bench.seed, bench.blur_px, bench.drift_px, bench.dead_columns) == (7, 0.7, (0.1, -0.2), (3, 9))
    assert bench.magnification("R") == 1.0 + 1e-4 and bench.magnification("G") == 1.0
    assert [one.strength for one in bench.ghosts_of("inner")] == [0.05, 0.01]
    assert bench.ghosts_of("outer") == (Ghost(0.05, (78.0, 0.0)),)
    assert bench.hairs == (Hair((0.0, 10.0), (100.0, 20.0), 4.0),)
    assert bench.hidden == (Hidden((0.0, 0.0), (10.0, 10.0), "outer"),)
    assert bench.seeded(9).seed == 9


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("blur_px = 0.1", "blur_px is 0.1 (out of range)"),
        ("read_noise_e = 2.0", "read_noise_e is given without full_well_e"),
        ("gost = 1", "gost is not a known key"),
        ("[[ghost]]\nstrength = 2.0", "ghost[1].strength is 2.0"),
        ("[[ghost]]\nstrength = 0.1\nscale = 0.0", "ghost[1].scale is 0"),
        ("[[hair]]\nfrom_px = [0.0, 1.0]\nwidth_px = 2.0", "hair[1].to_px is missing"),
        ("[lateral_color]\nR = 3.0", "lateral_color.R is 3.0"),
    ],
)
def test_bad_bench_files_say_what_and_where(tmp_path, text, message):
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    with pytest.raises(CaptureError, match=f"bench.toml: {re.escape(message)}"):
        read_bench(tmp_path / "bench.toml")


def test_what_lies_on_a_panel():
    assert Bench().free("inner", (40, 30)) is None
    bench = Bench(
        hairs=(Hair((0.0, 15.0), (40.0, 15.0), 4.0),), hidden=(Hidden((0.0, 0.0), (5.0, 5.0), "inner"),)
    )
    inner, outer = (bench.free(name, (40, 30)) for name in ("inner", "outer"))
    assert np.flatnonzero(~outer.all(axis=1)).tolist() == [13, 14, 15, 16]
    assert not inner[:5, :5].any() and outer[:5, :5].all()
    dusty = Bench(dust_specks=20, dust_radius_px=(3.0, 3.0))
    first, again = dusty.free("inner", (400, 300)), dusty.free("inner", (400, 300))
    assert np.array_equal(first, again) and not np.array_equal(first, dusty.free("outer", (400, 300)))
    assert not np.array_equal(first, dusty.seeded(2).free("inner", (400, 300)))
    assert (~first).sum() == pytest.approx(20 * np.pi * 9.0, rel=0.15)


def test_codes_of_light():
    light = np.full((48, 64), 0.5)
    light[0, 0], light[0, 1] = 1.5, 0.0
    found = values(light)
    assert found.dtype == np.uint16
    assert found[0, :3].tolist() == [4095 << 4, 64 << 4, round(64 + 0.5 * 4031) << 4]
    assert CAMERA.light_from_values(found)[5, 5] == pytest.approx(0.5, abs=0.5 / 4031)
    eight = Camera(64, 48, (50.0, 50.0), (32.0, 24.0), full_scale=255.0)
    assert values(light, camera=eight).dtype == np.uint8
    whole = Camera(64, 48, (50.0, 50.0), (32.0, 24.0))
    assert values(light, camera=whole)[0, 0] == 65535


def test_noise_of_light_and_of_reading():
    """Variance: electrons, and the square of the read noise (common practice: the photon transfer curve)."""
    light = np.full((400, 400), 0.25)
    camera = Camera(400, 400, (50.0, 50.0), (32.0, 24.0))
    bench = Bench(full_well_e=10_000.0, read_noise_e=30.0)
    found = camera.light_from_values(values(light, bench, camera)) * 10_000.0
    assert found.mean() == pytest.approx(2500.0, rel=1e-3)
    assert found.var() == pytest.approx(2500.0 + 900.0, rel=0.02)


def test_stray_light_hot_pixels_and_dead_columns():
    light = np.zeros((48, 64))
    light[10, 10] = 48.0 * 64.0 * 0.1
    found = CAMERA.light_from_values(values(light, Bench(stray_fraction=0.1, stray_level=0.02)))
    assert found[30, 30] == pytest.approx(0.1 * 0.1 + 0.02, abs=2e-4)
    hot = Bench(hot_pixels=12, hot_per_ms=0.05)
    short, long = (values(np.zeros((48, 64)), hot, exposure_ms=ms) for ms in (2.0, 4.0))
    assert 10 <= (short > 64 << 4).sum() <= 12
    assert np.array_equal(short > 64 << 4, long > 64 << 4)
    assert (long.astype(int) - (64 << 4)).sum() == pytest.approx(
        2 * (short.astype(int) - (64 << 4)).sum(), rel=0.02
    )
    dead = values(np.full((48, 64), 0.5), Bench(dead_columns=(5, 500)))
    assert np.all(dead[:, 5] == 64 << 4) and np.all(dead[:, 6] > 64 << 4)
