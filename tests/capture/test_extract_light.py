"""Luminance without the camera's own fall of light, and what is said of it."""

import json

import numpy as np
import pytest

from prewarp.grids import read_grid
from tests.capture.disc_folder import write_capture
from tests.capture.discs import Scene
from tests.cli.conftest import run

FOCAL_PX, CENTRE_PX = 700.0, np.array([320.0, 256.0])


class Dimmed(Scene):
    """An evenly bright panel behind an ideal lens: cos^4 of the field angle."""

    def light_at(self, place):
        tangent = (place - CENTRE_PX) / FOCAL_PX
        return np.cos(np.arctan(np.hypot(tangent[..., 0], tangent[..., 1]))) ** 4


@pytest.mark.parametrize(
    ("falloff", "words"),
    [
        ("cos4", "an ideal lens, cos^4 of the field angle"),
        # 1 / (1 + r^2)^2 by its first terms.
        ((-2.0, 3.0, -4.0, 5.0), "by the measured falloff of the camera file"),
        (None, "includes the camera's own fall of light to its corners: needs falloff"),
    ],
)
def test_luminance_of_an_even_panel(tmp_path, falloff, words):
    folder = write_capture(
        tmp_path / "capture", {"p0": (0.0, 0.0, 0.0)}, falloff=falloff,
        scene=lambda pose, channel, number: Dimmed(dots=(9, 7), quadrature=(3, 12)),
    )  # fmt: skip
    done = run(*folder.command, "-o", tmp_path / "bench.npz", "--json", "--no-pictures")
    assert done.exit_code == 0, done.output
    assert words in json.loads(done.stdout)["luminance"]
    light = read_grid(tmp_path / "bench.npz").luminance
    assert len(light) == 63
    left = np.ptp(light) / light.max()
    assert left > 0.25 if falloff is None else left < 0.03
