"""Names by place that may be off by a pitch: told by the rim, else by light, else said to be open."""

import numpy as np
import pytest

from prewarp.capture.extract.whole_pitch import OFF, OPEN, SURE, whole_pitch
from tests.capture.discs import Lens

PITCH = 80.0


def case(step=(0, 0), *, rim=True, uneven=0.0, seed=0):
    """Return the arguments of `whole_pitch` for dots that truly lie `step` dots further."""
    random = np.random.default_rng(seed)
    number = np.stack(np.meshgrid(np.arange(21), np.arange(17)), axis=-1).reshape(-1, 2)
    texture = np.exp(uneven * random.standard_normal(len(number)))
    lens = Lens(k=-0.1)
    panel = number * PITCH
    inside = np.ones(len(panel), dtype=bool)
    if not rim:
        # The sensor ends before the lattice does, for both colours at the same places.
        inside = (number[:, 0] > 3) & (number[:, 0] < 17) & (number[:, 1] > 3) & (number[:, 1] < 13)
    seen = lens(panel + np.array(step) * PITCH) + random.normal(0.0, 0.05, (len(panel), 2))
    shown = np.ones(len(panel), dtype=bool)
    if not rim:
        at = number + step
        shown = (at[:, 0] > 3) & (at[:, 0] < 17) & (at[:, 1] > 3) & (at[:, 1] < 13)
    noise = np.exp(0.01 * random.standard_normal((2, len(panel))))
    fall = 1.0 + 0.3 * number[:, 0] / 20.0
    return (
        seen[shown], (texture * fall * noise[0])[shown], lens(panel)[inside], panel[inside],
        (texture * noise[1])[inside], panel, PITCH * 0.36,
    )  # fmt: skip


@pytest.mark.parametrize("step", [(1, 0), (0, -1), (-1, 1)])
def test_the_rim_tells(step):
    assert whole_pitch(*case()) == SURE
    assert whole_pitch(*case(step)) == OFF


@pytest.mark.parametrize("step", [(1, 0), (0, -1), (1, 1)])
def test_without_a_rim_light_tells(step):
    assert whole_pitch(*case(rim=False, uneven=0.05)) == SURE
    assert whole_pitch(*case(step, rim=False, uneven=0.05)) == OFF


def test_without_either_it_is_open():
    assert whole_pitch(*case(rim=False)) == OPEN
    assert whole_pitch(*case((1, 0), rim=False)) == OPEN


def test_hidden_dots_do_not_matter():
    seen, seen_light, *rest = case()
    keep = np.random.default_rng(1).random(len(seen)) > 0.1
    assert whole_pitch(seen[keep], seen_light[keep], *rest) == SURE
