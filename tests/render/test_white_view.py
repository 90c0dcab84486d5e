"""A white picture on channels that go dark: what the eye sees of it, held to a trace."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from prewarp.content import ContentProjection
from prewarp.encoding import linear_from_srgb
from prewarp.eye import assemble_eye
from prewarp.render.cpu import perceived_view, prewarp_panel
from prewarp.seam.directions import node_areas_deg2, plane_deg_from_tangent
from tests.dark_cases import (
    BETWEEN,
    CENTRED,
    CHECKED,
    CORNER,
    FIRST,
    SIDE,
    WAVELENGTH_UM,
    case,
    eye,
    fitted,
)
from tests.support import LONG

# A quarter of a degree a pixel; nodes of the map half a degree apart.
VIEW = ContentProjection("equidistant", (480, 480), 120.0)
VIEW_STEP_PX = 2.0
TANGENT = VIEW.tangent_from_pixel(np.stack(np.meshgrid(np.arange(480), np.arange(480)), axis=-1) + 0.5)
AREA = node_areas_deg2(plane_deg_from_tangent(TANGENT), 0.25)
COLOURS = tuple(WAVELENGTH_UM)
# A view in which half of the light or more is missing is dark there.
HALF = 0.5
# Colours that differ by a tenth of white show as a fringe.
FRINGE = 0.1
ALL_PLACES = [
    *(("stacked", pupil) for pupil in (CENTRED, SIDE, CORNER, BETWEEN[0])),
    *((name, pupil) for name in ("side by side, pitched", "photographs") for pupil in (CENTRED, BETWEEN[1])),
    *(("cut mirror, two depths", pupil) for pupil in (SIDE, BETWEEN[0])),
    *((name, CORNER) for name in ("stacked, rows lost", "stacked, 3 x 3 pupils")),
    ("apart from some pupils", (0.0, -4.0, 0.0)),
    *(("steep", pupil) for pupil in (SIDE, CORNER)),
    ("nothing dark", BETWEEN[0]),
]
PLACES = [place for place in ALL_PLACES if place[0] in CHECKED]


@cache
def unlit(name):
    """Return the fit without what it knows of dark places: a view through it shows all that panels drive."""
    fields = fitted(name)
    return replace(fields, fields={key: replace(one, lit=()) for key, one in fields.fields.items()})


@cache
def panels(name, pupil):
    """Return the panels of a white picture by channel."""
    one, white = eye(name), np.full((480, 480, 3), 255, dtype=np.uint8)
    return {
        channel: prewarp_panel(
            one.fields,
            one.content,
            white,
            channel=channel,
            tracked_pupil_mm=pupil,
            seam=one.seam.at(pupil),
        )
        for channel in one.channels
    }


@cache
def driven(name, pupil):
    """Return what the panel of each channel drives in every direction, lit or not, (2, 480, 480, 3) linear
    light.
    """
    views = [
        perceived_view(unlit(name), {channel: panel}, VIEW, pupil_mm=pupil, step_px=VIEW_STEP_PX)
        for channel, panel in panels(name, pupil).items()
    ]
    return np.stack([linear_from_srgb(view / 255.0) for view in views])


@cache
def predicted(name, pupil):
    """Return the view as the fit predicts it, (480, 480, 3) linear light."""
    view = perceived_view(fitted(name), panels(name, pupil), VIEW, pupil_mm=pupil, step_px=VIEW_STEP_PX)
    return linear_from_srgb(view / 255.0)


@cache
def traced(name, pupil):
    """Return where each channel lights each colour, by the trace, (2, 480, 480, 3)."""
    pair = case(name)
    return np.stack(
        [
            np.stack([pair.lit(channel, colour, TANGENT, np.array(pupil)) for colour in COLOURS], axis=-1)
            for channel in pair.optics
        ]
    )


@pytest.mark.outside
@pytest.mark.parametrize(("name", "pupil"), PLACES)
def test_white_is_shown_where_the_trace_lights_it(name, pupil):
    """At most 1 % of what is lit is shown where the trace finds dark, at most 8 % of it is left dark."""
    lit = traced(name, pupil).all(axis=-1).any(axis=0)
    field = AREA[lit].sum()
    for view in (driven(name, pupil).sum(axis=0), predicted(name, pupil)):
        shown = (view >= HALF).all(axis=-1)
        assert AREA[shown & ~lit].sum() <= 0.01 * field
        assert AREA[lit & ~shown].sum() <= 0.08 * field


@pytest.mark.outside
@pytest.mark.parametrize(("name", "pupil"), PLACES)
def test_no_coloured_fringe(name, pupil):
    """Some but not all colours are shown in at most 0.3 % of what is lit: as driven, as predicted, and
    through the optics as the trace has them, which take out of every channel and colour what is dark.
    """
    views, light = driven(name, pupil), traced(name, pupil)
    field = AREA[light.all(axis=-1).any(axis=0)].sum()
    for view in (views.sum(axis=0), predicted(name, pupil), (views * light).sum(axis=0)):
        coloured = view.max(axis=-1) - view.min(axis=-1) > FRINGE
        assert AREA[coloured].sum() <= 0.003 * field


@pytest.mark.outside
@pytest.mark.parametrize(("name", "pupil"), PLACES)
def test_no_light_is_given_to_a_channel_that_is_dark(name, pupil):
    """Light handed to a channel that the trace finds dark is lost: 1 % of the field at most, so that what
    both channels light stays as bright as the rest.
    """
    views, light = driven(name, pupil), traced(name, pupil)
    field = AREA[light.all(axis=-1).any(axis=0)].sum()
    assert (AREA[..., None] * np.where(light, 0.0, views).sum(axis=0)).mean(axis=-1).sum() <= 0.01 * field
    both = light.all(axis=(0, -1))
    arriving = (views * light).sum(axis=0).min(axis=-1)
    assert AREA[both & (arriving < 0.9)].sum() <= 0.01 * field


@pytest.mark.outside
def test_without_what_is_lit_the_limits_are_broken():
    """The same picture for channels taken to be lit all over: so the limits above can fail."""
    name, pupil = ("stacked" if LONG else FIRST), CORNER
    all_lit = assemble_eye(unlit(name), case(name).module)
    white = np.full((480, 480, 3), 255, dtype=np.uint8)
    views = []
    for channel in all_lit.channels:
        panel = prewarp_panel(
            unlit(name),
            all_lit.content,
            white,
            channel=channel,
            tracked_pupil_mm=pupil,
            seam=all_lit.seam.at(pupil),
        )
        view = perceived_view(unlit(name), {channel: panel}, VIEW, pupil_mm=pupil, step_px=VIEW_STEP_PX)
        views.append(linear_from_srgb(view / 255.0))
    light = traced(name, pupil)
    lit = light.all(axis=-1).any(axis=0)
    shown = (np.stack(views).sum(axis=0) >= HALF).all(axis=-1)
    assert AREA[shown & ~lit].sum() > 0.05 * AREA[lit].sum()
    arriving = (np.stack(views) * light).sum(axis=0)
    fringe = arriving.max(axis=-1) - arriving.min(axis=-1) > FRINGE
    assert AREA[fringe].sum() > 0.003 * AREA[lit].sum()
