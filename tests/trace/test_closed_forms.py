"""The kernel against closed forms: mirrors' foci, Coddington, Malus-Dupin, magnifier, first-order figures."""

import numpy as np
import pytest

from prewarp.trace.design import DesignChannel, PanelPlace, Surface
from prewarp.trace.glass import index_from_wavelength
from prewarp.trace.rays import trace_rays
from tests.trace.erfle import EYE_RELIEF_MM, LINE_C_NM, LINE_D_NM, LINE_F_NM, PRESCRIPTION, erfle


def through(surfaces, point, direction, wavelength_nm=LINE_D_NM):
    channel = DesignChannel("a", tuple(surfaces), PanelPlace())
    direction = np.asarray(direction, dtype=float)
    direction = direction / np.linalg.norm(direction, axis=-1, keepdims=True)
    return trace_rays(
        channel.surfaces,
        channel.places(),
        np.asarray(point, dtype=float),
        direction,
        wavelength_nm=wavelength_nm,
    )


def closest_distance(point, direction, target):
    return np.linalg.norm(np.cross(target - point, direction), axis=-1)


def test_paraboloid_focuses_collimated_light_exactly():
    x, y = np.meshgrid(np.linspace(-60, 60, 9), np.linspace(-60, 60, 9))
    start = np.stack([x, y, np.full_like(x, -90.0)], axis=-1)
    rays = through([Surface(gap_mm=10.0, radius_mm=-100.0, conic=-1.0, reflect=True)], start, [0.0, 0.0, 1.0])
    assert closest_distance(rays.point, rays.direction, np.array([0.0, 0.0, -40.0])).max() < 1e-13


def test_ellipsoid_images_one_focus_on_the_other():
    # Semi-axes a = 50 along z and b = 30: c = 40; vertex radius b^2 / a = 18, conic -(c / a)^2 = -0.64.
    angles = np.radians(np.linspace(-70, 70, 15))
    direction = np.stack([np.sin(angles), 0.3 * np.sin(2 * angles), np.cos(angles)], axis=-1)
    rays = through([Surface(gap_mm=10.0, radius_mm=-18.0, conic=-0.64, reflect=True)], np.zeros(3), direction)
    assert closest_distance(rays.point, rays.direction, np.array([0.0, 0.0, -80.0])).max() < 1e-12


def fan_focus(rays, centre, side):
    """Return the distance along the central ray at which a neighbour on either side crosses nearest."""
    p, d = rays.point[centre], rays.direction[centre]
    q, e = rays.point[side], rays.direction[side]
    # In cross products: scalar products of nearly parallel rays lose all digits.
    across = np.cross(d, e)
    return np.cross(q - p, e) @ across / (across @ across)


def focal_distances(surface, incidence_deg, step=1e-4):
    """Return tangential and sagittal focal distances of a collimated bundle oblique at the vertex."""
    angle = np.radians(incidence_deg)
    direction = np.array([0.0, np.sin(angle), np.cos(angle)])
    across = np.array([0.0, np.cos(angle), -np.sin(angle)])
    offsets = np.stack([0 * across, step * across, -step * across, [step, 0, 0], [-step, 0, 0]])
    rays = through([surface], offsets - 30.0 * direction, np.broadcast_to(direction, offsets.shape))
    tangential = (fan_focus(rays, 0, 1) + fan_focus(rays, 0, 2)) / 2
    sagittal = (fan_focus(rays, 0, 3) + fan_focus(rays, 0, 4)) / 2
    return tangential, sagittal


@pytest.mark.outside
def test_coddington_sphere_and_mirror():
    # R. Kingslake, Lens Design Fundamentals (Coddington's equations; from memory), numbers computed from
    # them: R = 50 mm, 1 to 1.5, 30 degrees: t' = 121.612745, s' = 136.814338; concave mirror R = 100:
    # 43.301270, 57.735027.
    found = focal_distances(Surface(radius_mm=50.0, index=1.5), 30.0)
    assert found == pytest.approx((121.612745, 136.814338), abs=2e-5)
    found = focal_distances(Surface(radius_mm=-100.0, reflect=True), 30.0)
    assert found == pytest.approx((43.301270, 57.735027), abs=2e-5)


@pytest.mark.outside
def test_angle_of_refraction():
    # Snell's law (common practice): 30 degrees in air are arcsin(0.5 / 1.5) = 19.471221 in n = 1.5.
    rays = through([Surface(gap_mm=5.0, index=1.5)], np.zeros(3), [0.0, 0.5, np.sqrt(0.75)])
    assert np.degrees(np.arcsin(rays.direction[1])) == pytest.approx(19.471221, abs=5e-7)


def cosines_at(place_mm):
    """Return (L, M) at z = 60 of the ray from (7, 4, -80) through a sphere R = 50 at z = 0, air to n = 1.5.

    The ray that lands on `place_mm` is found by Newton's method with differences.
    """
    surface = [Surface(gap_mm=80.0, radius_mm=50.0, index=1.5)]
    place_mm = np.asarray(place_mm, dtype=float)

    def land(slope):
        rays = through(surface, np.array([7.0, 4.0, 0.0]), [*slope, 1.0])
        to_plane = (140.0 - rays.point[2]) / rays.direction[2]
        return (rays.point + rays.direction * to_plane)[:2], rays.direction[:2]

    slope = (place_mm - [7.0, 4.0]) / 140.0
    for _ in range(12):
        here, cosines = land(slope)
        columns = [(land(slope + h)[0] - land(slope - h)[0]) / 2e-5 for h in np.eye(2) * 1e-5]
        slope = slope - np.linalg.solve(np.stack(columns, axis=1), here - place_mm)
    return cosines


@pytest.mark.outside
@pytest.mark.parametrize(("place", "expected"), [((3.0, 2.0), -4.7446149e-5), ((-4.0, 5.0), 1.0386183e-4)])
def test_malus_dupin_cosines_are_a_gradient(place, expected):
    # M. Born and E. Wolf, Principles of Optics, section 3.3 (from memory): rays from one point stay normal to
    # wavefronts. Numbers computed outside this project.
    h = 1e-2
    x, y = place
    d_l_by_y = (cosines_at((x, y + h))[0] - cosines_at((x, y - h))[0]) / (2 * h)
    d_m_by_x = (cosines_at((x + h, y))[1] - cosines_at((x - h, y))[1]) / (2 * h)
    assert d_l_by_y == pytest.approx(d_m_by_x, abs=1e-11)
    assert d_l_by_y == pytest.approx(expected, abs=2e-11)


@pytest.mark.outside
def test_magnifier_vergence():
    # Thin lens f = 40 mm, panel at 38 mm: 1.31579 D, image at 760 mm; 0.625 D per mm of panel (plain
    # arithmetic). The lens is flat-convex, n = 1.5, R = -20, one nanometre thick: its principal planes lie at
    # the vertex.
    surfaces = [Surface(index=1.5), Surface(gap_mm=1e-6, radius_mm=-20.0)]
    height = 1e-3 * np.array([-1.0, 1.0])
    start = np.stack([0 * height, height, 0 * height], axis=-1)

    def vergence(panel_mm, step=1e-6):
        # Turn the two rays until they meet on the panel; vergence is the turn over their distance.
        def gap(turn):
            rays = through(surfaces, start, np.stack([0 * height, -height * turn, 1 + 0 * height], axis=-1))
            along = (panel_mm - rays.point[:, 2]) / rays.direction[:, 2]
            return np.diff(rays.point[:, 1] + along * rays.direction[:, 1])[0]

        slope = (gap(step) - gap(-step)) / (2 * step)
        return -gap(0.0) / slope * 1000.0

    assert vergence(38.0) == pytest.approx(1.31579, abs=5e-6)
    assert (vergence(39.95) - vergence(40.05)) / 0.1 == pytest.approx(0.625, rel=1e-5)


def paraxial(wavelength_nm):
    """Return focal length and back focal distance of the Erfle by the y-u trace: a plain loop."""
    y, nu, index = 1.0, 0.0, 1.0
    for radius, thickness, glass in PRESCRIPTION:
        behind = index_from_wavelength(glass, wavelength_nm)
        nu -= y * (behind - index) / radius
        index = behind
        last_y = y
        y += thickness * nu / index
    return -1.0 / nu, -last_y / nu


@pytest.mark.outside
@pytest.mark.parametrize(
    ("line", "focal_mm"), [(LINE_D_NM, 79.687696), (LINE_F_NM, 79.323146), (LINE_C_NM, 79.869634)]
)
def test_focal_length_of_the_erfle(line, focal_mm):
    # US patent 1,479,229; focal lengths computed outside this project, optiland 0.6.3 agrees to 1.4e-6
    # relative.
    height = 1e-4
    rays = through(erfle().surfaces, [0.0, height, EYE_RELIEF_MM - 1.0], [0.0, 0.0, 1.0], line)
    slope = rays.direction[1] / rays.direction[2]
    focal, back = paraxial(line)
    assert focal == pytest.approx(focal_mm, abs=6e-7)
    assert -height / slope == pytest.approx(focal, rel=1e-9)
    assert -rays.point[1] / slope == pytest.approx(back, rel=1e-9)
