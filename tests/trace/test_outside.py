"""Real rays against optiland (a library) on a published prescription and on tilted, decentred surfaces."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from prewarp.frames import tangent_from_degrees, unit_from_tangent
from prewarp.trace.design import DesignChannel, PanelPlace, Surface
from prewarp.trace.rays import trace_rays
from tests.support import require_module
from tests.trace.erfle import erfle

pytestmark = pytest.mark.outside
WAVELENGTH_NM = 587.5618
# Any numbers serve, as long as both sides have the same ones: only geometry is compared.
INDICES = {"L-BSL7": 1.5163300, "N-BAK2": 1.5399600, "N-F2": 1.6200530}
HEIGHT_LIMIT_MM = 1e-9


def landings(channel, point, direction):
    """Return the panel points (..., 2) in the panel's own frame, mm."""
    places = channel.places()
    rays = trace_rays(channel.surfaces, places, point, direction, wavelength_nm=WAVELENGTH_NM)
    assert np.all(rays.cause == 0)
    vertex, axes = places[-1]
    start, heading = (rays.point - vertex) @ axes, rays.direction @ axes
    return (start - heading * (start[..., 2:] / heading[..., 2:]))[..., :2]


def outside_landings(channel, point, direction):
    """Return the same from optiland, every surface placed in absolute coordinates."""
    optic = require_module("optiland.optic").Optic()
    ideal = require_module("optiland.materials").IdealMaterial
    rays = require_module("optiland.rays").RealRays
    optic.surfaces.add(index=0, radius=np.inf, z=-np.inf)
    optic.surfaces.add(index=1, radius=np.inf, x=0.0, y=0.0, z=0.0, is_stop=True)
    elements = [*channel.surfaces, Surface()]
    for number, (surface, (vertex, axes)) in enumerate(zip(elements, channel.places(), strict=True), 2):
        # optiland turns about the fixed x, then y, then z axis.
        turns = Rotation.from_matrix(axes).as_euler("xyz")
        material = "mirror" if surface.reflect else ideal(n=surface.index_behind(WAVELENGTH_NM))
        if number == len(elements) + 1:
            material = "air"
        optic.surfaces.add(
            index=number,
            surface_type="even_asphere",
            radius=surface.radius_mm or np.inf,
            conic=surface.conic,
            coefficients=[0.0, *surface.aspheric],
            # Its Newton iteration stops at 1e-10 mm of sag unless told otherwise.
            tol=1e-15,
            max_iter=100,
            material=material,
            **dict(zip(("x", "y", "z", "rx", "ry", "rz"), map(float, (*vertex, *turns)), strict=True)),
        )
    optic.set_aperture(aperture_type="EPD", value=4.0)
    optic.wavelengths.add(value=WAVELENGTH_NM * 1e-3, is_primary=True)
    point = np.broadcast_to(point, direction.shape).reshape(-1, 3)
    flat = direction.reshape(-1, 3)
    bundle = rays(*point.T, *flat.T, np.ones(len(flat)), np.full(len(flat), WAVELENGTH_NM * 1e-3))
    for surface in optic.surfaces.surfaces[2:]:
        surface.trace(bundle)
    vertex, axes = channel.places()[-1]
    ends = (np.stack([bundle.x, bundle.y, bundle.z], axis=-1) - vertex) @ axes
    return ends[:, :2].reshape(*direction.shape[:-1], 2)


def bundle(half_x_deg, half_y_deg):
    x, y = np.meshgrid(np.linspace(-half_x_deg, half_x_deg, 7), np.linspace(-half_y_deg, half_y_deg, 7))
    direction = unit_from_tangent(tangent_from_degrees(np.stack([x, y], axis=-1)))
    pupils = np.array([[0.0, 0.0, 0.0], [2.0, 0.0, 0.0], [-1.0, 3.0, 1.0], [3.0, -2.0, -2.0]])
    return pupils[:, None, None], np.broadcast_to(direction, (4, *direction.shape))


CHANNELS = {
    "erfle": (erfle(indices=INDICES), 20.0, 20.0),
    "asphere": (
        DesignChannel(
            "a",
            (
                Surface(gap_mm=18.0, radius_mm=40.0, index=1.7),
                Surface(gap_mm=9.0, radius_mm=-35.0, conic=-1.4, aspheric=(6e-6, -4e-9)),
            ),
            PanelPlace(gap_mm=20.0),
        ),
        15.0,
        15.0,
    ),
    "tilted mirror": (
        DesignChannel(
            "a",
            (
                Surface(
                    gap_mm=45.0,
                    radius_mm=-110.0,
                    conic=-0.6,
                    aspheric=(1e-7,),
                    reflect=True,
                    tilt_deg=(28.0, 0, 0),
                    axis_follows_reflection=True,
                ),
                Surface(
                    gap_mm=-25.0,
                    radius_mm=-60.0,
                    index=1.6,
                    tilt_deg=(5.0, -4.0, 20.0),
                    decentre_mm=(1.0, -3.0),
                ),
                Surface(gap_mm=-6.0, radius_mm=80.0, tilt_deg=(-2.0, 3.0, 0.0)),
            ),
            PanelPlace(gap_mm=-12.0, tilt_deg=(10.0, 3.0, -5.0), decentre_mm=(0.5, 1.0)),
            turn_deg=(2.0, 16.0, 1.0),
        ),
        12.0,
        10.0,
    ),
}


@pytest.mark.parametrize("name", CHANNELS)
def test_ray_heights_equal_the_outside_library(name):
    channel, half_x, half_y = CHANNELS[name]
    point, direction = bundle(half_x, half_y)
    if name == "tilted mirror":
        turn = channel.turn_deg[1]
        direction = direction @ Rotation.from_euler("y", turn, degrees=True).as_matrix().T
    found, expected = landings(channel, point, direction), outside_landings(channel, point, direction)
    assert np.ptp(found[..., 0]) > 5.0
    np.testing.assert_allclose(found, expected, rtol=0, atol=HEIGHT_LIMIT_MM)


def test_chief_rays_of_the_erfle_with_dispersion():
    # Heights at 5, 10, 14, 20 degrees, d line, and F - C, computed outside this project (US patent
    # 1,479,229).
    direction = unit_from_tangent(
        tangent_from_degrees(np.array([[0.0, 5.0], [0.0, 10.0], [0.0, 14.0], [0.0, 20.0]]))
    )
    heights = {}
    for line in (587.5618, 486.1327, 656.2725):
        channel = erfle()
        rays = trace_rays(channel.surfaces, channel.places(), np.zeros(3), direction, wavelength_nm=line)
        to_panel = (channel.places()[-1][0][2] - rays.point[:, 2]) / rays.direction[:, 2]
        heights[line] = rays.point[:, 1] + to_panel * rays.direction[:, 1]
    np.testing.assert_allclose(
        heights[587.5618], [6.931185, 13.777007, 19.137205, 26.901327], rtol=0, atol=6e-7
    )
    lateral = heights[486.1327] - heights[656.2725]
    np.testing.assert_allclose(lateral, [-0.03461, -0.06890, -0.09559, -0.13220], rtol=0, atol=6e-6)
