"""The assembled eye: made in one place, its module and fit checked against each other."""

import ast
import copy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import prewarp
from prewarp.content import ContentProjection
from prewarp.errors import ModuleError
from prewarp.eye import assemble_eye, assemble_eyes, eye_of_fit
from prewarp.module import Channel, Colour, DisplayModule, EyeBox, Panel, Reach
from prewarp.seam import survey_gaps
from tests.closed_form import EYE_BOX_CORNERS, PlaneSet, plane_set, two_channels
from tests.sources import nodes_of

ROOT = Path(prewarp.__file__).parent
# What joins channels or matches their light, and where it may be called.
JOINING = {"build_seam", "match_light", "lit_fields", "fit_luminance"}
PLACES = {"eye.py", "seam/policies.py"}
# The light of one channel over a camera's pupil, by which a centroid is weighted: no eye.
CHANNEL_ALONE = {"fit_luminance": {"capture/extract/aperture_mean.py"}}
REACH = Reach((-40.0, 10.0), (-20.0, 20.0))


def panel(width=640, height=480, **more):
    return Panel(width, height, 5.0, more.pop("encoding", "srgb"), more.pop("bit_depth", 8), **more)


def module(*, names=("left", "right"), sides=("right", "right"), panels=None, colours=("R", "G", "B")):
    """A module of the closed-form channels."""
    panels = panels or [panel()] * len(names)
    channels = tuple(
        Channel(name, side, own, REACH) for name, side, own in zip(names, sides, panels, strict=True)
    )
    return DisplayModule(
        "visor",
        channels,
        tuple(Colour(name, 550.0) for name in colours),
        EyeBox(4.0, 3.0, 2.0),
        ContentProjection("flat", (800, 500), 80.0),
    )


@pytest.fixture(scope="module")
def fields():
    return plane_set(*two_channels())


def test_an_eye_holds_what_module_and_fit_say(fields):
    own = module(panels=[panel(bit_depth=10), panel(encoding="power", gamma=2.4)])
    eye = assemble_eye(fields, own)
    assert (eye.side, eye.channels, eye.name) == ("right", ("left", "right"), "visor, right eye")
    assert eye.bit_depths == {"left": 10, "right": 8}
    assert eye.transfers["right"].gamma == 2.4
    assert eye.content == own.content and eye.eye_box == own.eye_box
    assert eye.has_seam and eye.seam is eye.seam
    # Over the whole eye box: every direction that the seam serves is served from its corners.
    reach = eye.seam.reaches[0]
    inside = 0.98 * reach.outline + 0.02 * reach.outline.mean(axis=0)
    for pupil in EYE_BOX_CORNERS:
        assert fields.field("left", "G").inverse(inside, pupil_mm=pupil).valid.all()
    (pair,) = eye.overlaps(step_deg=2.0)
    assert pair.channels == ("left", "right")
    assert eye.policy("fixed").feather_deg == eye.seam.feather_deg


def test_short_text_with_numbers(fields):
    eye = assemble_eye(fields, module())
    assert repr(eye) == (
        "<Eye visor, right eye: left, right; R G B; to be joined; eye box 8 x 6 x 4 mm; luminance not known>"
    )
    assert f"feather {eye.seam.feather_deg:.2f} deg" in repr(eye)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"panels": [panel(), panel(640, 360)]}, r"panel of channel 'right' has 640 x 360 px.*640 x 480"),
        ({"names": ("left", "rigth")}, r"channel 'rigth' is not in the fit.*mean 'right'"),
        ({"colours": ("R", "G", "B", "W")}, r"colour 'W' is not in the fit, which has R, G, B"),
    ],
)
def test_module_and_fit_are_held_against_each_other(fields, change, message):
    with pytest.raises(ModuleError, match=message):
        assemble_eye(fields, module(**change))


def test_which_eye_must_be_there_and_be_said(fields):
    with pytest.raises(ModuleError, match="no channel for the left eye; there is one for the right eye"):
        assemble_eye(fields, module(), side="left")
    both = module(sides=("left", "right"))
    with pytest.raises(ModuleError, match="both eyes; name one: left or right"):
        assemble_eye(fields, both)
    assert [eye.side for eye in assemble_eyes(fields, both)] == ["left", "right"]
    assert [eye.channels for eye in assemble_eyes(fields, both, side="right")] == [("right",)]


def test_one_channel_is_an_eye_without_a_seam(fields):
    eye = assemble_eye(fields, module(names=("left",), sides=("right",)))
    assert not eye.has_seam and eye.overlaps() == ()
    np.testing.assert_array_equal(eye.seam.weights([[-0.2, 0.0], [0.0, 0.1]]), [[1.0, 1.0]])
    assert "one channel, no seam" in repr(eye)


def test_channels_with_a_gap_make_an_eye(fields):
    far = {
        key: replace(c, centre=(1.5 * c.centre[0], 0.0), half_width=0.2) for key, c in fields.fields.items()
    }
    eye = assemble_eye(PlaneSet(far), module())
    (gap,) = survey_gaps(eye.seam, np.zeros(3))
    assert gap.gap_deg2 > 100.0 and eye.overlaps() == ()


def test_no_luminance_no_brightest_place(fields):
    with pytest.raises(ModuleError, match="no luminance is known.*'luminance'"):
        assemble_eye(fields, module()).brightest(np.zeros(3))


def test_a_fit_alone_makes_an_eye_for_a_look(fields):
    captured = copy.copy(fields)
    object.__setattr__(captured, "pupil_box_mm", np.array([[-3.0, -2.0, 0.0], [4.0, 2.5, 0.0]]))
    eye = eye_of_fit(captured)
    assert eye.side is None and eye.channels == ("left", "right")
    np.testing.assert_array_equal(eye.eye_box.half_mm, [4.0, 2.5, 0.0])
    edge = np.degrees(np.arctan(0.28 + 0.36))
    assert eye.content.field_x_deg > 2.0 * edge


def test_nothing_else_puts_an_eye_together():
    """Only `prewarp.eye` joins the channels of an eye and matches their light ."""
    found = set()
    for path in ROOT.rglob("*.py"):
        place = path.relative_to(ROOT).as_posix()
        for node in nodes_of(path):
            called = node.func if isinstance(node, ast.Call) else None
            name = getattr(called, "id", getattr(called, "attr", None))
            if name in JOINING and place not in CHANNEL_ALONE.get(name, ()):
                found.add(place)
    assert found == PLACES
