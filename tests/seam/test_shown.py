"""Weights of what is lit: the formula, the soft rim, and white that ends where the first colour does."""

from dataclasses import replace

import numpy as np
import pytest

from prewarp.errors import SeamError
from prewarp.frames import degrees_from_tangent, tangent_from_degrees
from prewarp.seam import ChannelLight, build_seam, quintic_smoothstep, shown_weights, survey_gaps
from tests.closed_form import PlaneChannel, PlaneSet

CENTRE = np.zeros(3)
# Red ends 18 arcmin before green, blue 18 after: lateral colour of an eyepiece without correction.
SPAN = {"R": 0.300, "G": 0.305, "B": 0.310}


def pair(**changes):
    channels = {}
    for name, middle in (("left", -0.22), ("right", 0.22)):
        for colour, half in SPAN.items():
            channels[name, colour] = PlaneChannel(
                name, colour, centre=(middle, 0.0), half_width=half, distance_m=1e6, **changes
            )
    return PlaneSet(channels)


def row(x_deg):
    return tangent_from_degrees(np.stack([x_deg, np.zeros_like(x_deg)], axis=-1))


def test_weights_are_claims_of_what_is_lit():
    claims = np.array([[0.7, 0.7, 0.7, 0.0], [0.3, 0.3, 0.3, 1.0]])
    depth = np.array([[1.0, 1.0, -1.0, 1.0], [1.0, -1.0, -1.0, -1.0]])
    expected = [[0.7, 1.0, 0.0, 1.0], [0.3, 0.0, 0.0, 0.0]]
    np.testing.assert_allclose(shown_weights(claims, depth), expected, atol=5e-3)
    total = shown_weights(claims, depth).sum(axis=0)
    np.testing.assert_allclose(total, [1.0, 1.0, 0.0, 1.0], atol=1e-12)


def test_light_fades_toward_the_rim_and_nowhere_else():
    claims, edge = np.full((2, 5), 0.5), 2.0
    depth = np.array([[0.5, 1.0, 2.0, 0.1, -1.0], [-1.0, -1.0, -1.0, 5.0, -1.0]])
    total = shown_weights(claims, depth, edge_deg=edge).sum(axis=0)
    # Quintic smoothstep of the depth over the width; deep inside another channel nothing fades.
    expected = [*quintic_smoothstep(np.array([0.25, 0.5, 1.0])), 1.0, 0.0]
    np.testing.assert_allclose(total, expected, atol=1e-12)


def test_white_ends_where_the_first_colour_does():
    fields = pair()
    light = ChannelLight("right", tuple(fields.field("right", colour) for colour in SPAN))
    x = degrees_from_tangent(
        np.array([0.22 + SPAN["R"] - 1e-4, 0.22 + SPAN["R"] + 1e-4, 0.22 + SPAN["B"] - 1e-4])
    )
    depth = light.depth_deg(row(x), pupil_mm=CENTRE)
    assert depth[0] > 0.0 > depth[1] > depth[2]
    # A tangent step of s at t is s / (1 + t^2): the depth is the angle, to a tenth of it this far out.
    inner = degrees_from_tangent(np.array([0.22 + SPAN["R"] - 0.02]))
    angle = degrees_from_tangent(np.array([0.22 + SPAN["R"]])) - inner
    assert light.depth_deg(row(inner), pupil_mm=CENTRE) == pytest.approx(angle, rel=0.12)
    seam = build_seam(fields, pupils_mm=CENTRE)
    weights = seam.at(CENTRE).weights(row(x))
    assert weights[1].tolist() == [1.0, 0.0, 0.0] and not weights[0].any()
    assert light.spacing_deg(CENTRE) == 0.0 and not light.has_dark


def test_a_seam_keeps_its_rim_and_refuses_absurd_ones():
    seam = build_seam(pair(), pupils_mm=CENTRE, edge_deg=3.0)
    edge = degrees_from_tangent(np.array([0.22 + SPAN["R"]]))[0]
    total = seam.at(CENTRE).weights(row(edge - np.array([0.05, 1.5, 4.0]))).sum(axis=0)
    assert total[0] < 1e-3 and 0.3 < total[1] < 0.7 and total[2] == pytest.approx(1.0, abs=1e-12)
    assert all(gap.gap_deg2 == 0.0 for gap in survey_gaps(seam, CENTRE))
    wide = build_seam(pair(), pupils_mm=CENTRE, edge_deg=12.0).at(CENTRE)
    assert wide.depth_deg(row(np.array([12.0])))[1] > 12.0
    assert wide.weights(row(np.array([12.0]))).sum() == pytest.approx(1.0, abs=1e-9)
    for absurd in (-1.0, 90.0):
        with pytest.raises(SeamError, match="edge_deg is"):
            build_seam(pair(), pupils_mm=CENTRE, edge_deg=absurd)


def test_directions_that_are_not_known_are_dark():
    seam = build_seam(pair(), pupils_mm=CENTRE).at(CENTRE)
    weights = seam.weights(np.array([[np.nan, 0.0], [0.0, 0.0]]))
    assert not weights[:, 0].any() and weights[:, 1].sum() == pytest.approx(1.0)
    assert np.isfinite(seam.depth_deg(np.array([np.nan, np.nan]))).all()
    assert replace(seam, pupil_mm=None).depth_deg(np.zeros(2)).tolist() == [np.inf, np.inf]
