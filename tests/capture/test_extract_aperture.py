"""The camera's finite pupil: the mean of a field over it, what the field of the grid says of it, and
without it.
"""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from prewarp.capture.camera import Camera, pose_rotation, turned_by
from prewarp.capture.extract.aperture import KEEP, REMOVE, treat_aperture
from prewarp.capture.extract.aperture_mean import Through, chief_minus_mean, disc_rule
from prewarp.capture.extract.pose import PoseResult, PoseTask, Rows
from prewarp.frames import unit_from_tangent
from prewarp.grids import grid_from_samples

LEFT_ARCMIN = 0.03
DIAMETER_MM = 3.0


PANEL = (2560.0, 2048.0)


class Field:
    """Cosines that are the gradient over the pupil of a wavefront with coma and spherical aberration.

    W = q0 . p - D |p|^2 / 2 + (g . p) |p|^2 + e |p|^4 / 4, by panel point; its pupil Laplacian is 8 g + 8
    e p.
    """

    def forward(self, pixel, *, pupil_mm):
        """Return tangents (..., 2); off the plane z = 0 by fixed-point steps along the ray."""
        panel = (np.asarray(pixel) - np.array(PANEL) / 2.0) / (np.array(PANEL) / 2.0)
        pupil = np.broadcast_to(pupil_mm, (*panel.shape[:-1], 3))
        tangent = np.zeros_like(panel)
        # Each step comes nearer by z D, some thousandths.
        for _ in range(7):
            tangent = self._at_zero(panel, pupil[..., :2] - pupil[..., 2:] * tangent)
        return tangent

    def _at_zero(self, panel, place):
        radius = np.sum(panel**2, axis=-1, keepdims=True)
        start = np.array([0.4, -0.32]) * panel * (1.0 - 0.08 * radius)
        tail = 4e-5 * panel * (1.0 + 0.5 * radius)
        square = np.sum(place**2, axis=-1, keepdims=True)
        along = np.sum(tail * place, axis=-1, keepdims=True)
        cosine = start - 7e-4 * place + tail * square + 2.0 * along * place + 3e-6 * square * place
        return cosine / np.sqrt(1.0 - np.sum(cosine**2, axis=-1, keepdims=True))


@pytest.fixture(scope="module")
def field():
    return Field()


def mean_over_disc(field, pixel, pupil, diameter, count=41):
    """Return the mean direction over an aperture, by a lattice of points: another rule than that of the
    code.
    """
    edge = (np.arange(count) + 0.5) / count * 2.0 - 1.0
    disc = np.stack(np.meshgrid(edge, edge), axis=-1).reshape(-1, 2)
    disc = disc[np.sum(disc**2, axis=1) <= 1.0] * diameter / 2.0
    total = np.zeros_like(pixel)
    for off in disc:
        total += field.forward(pixel, pupil_mm=pupil + [*off, 0.0])
    return total / len(disc)


@pytest.fixture(scope="module")
def capture(field):
    """Return grid, tasks, results and true directions of 25 positions and 10 x 10 dots."""
    u, v = (np.linspace(0.1, 0.9, 10) * length for length in PANEL)
    pixel = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    tasks, results, parts = [], [], []
    camera = Camera(640, 512, (700.0, 700.0), (320.0, 256.0), aperture_mm=DIAMETER_MM)
    for number, (x, y) in enumerate((x, y) for x in np.linspace(-4, 4, 5) for y in np.linspace(-3, 3, 5)):
        pupil = np.array([x, y, 2.0 if number % 2 else -2.0])
        true = field.forward(pixel, pupil_mm=pupil)
        seen = mean_over_disc(field, pixel, pupil, DIAMETER_MM, count=11)
        keep = np.isfinite(seen).all(axis=1)
        count = int(keep.sum())
        rows = Rows(
            np.full(count, "inner"), np.full(count, "G"), np.flatnonzero(keep), np.zeros((count, 2)),
            seen[keep], pixel[keep], np.ones(count), np.full(count, 0.01), np.full(count, np.nan),
            np.full((count, 3), np.nan),
        )  # fmt: skip
        tasks.append(PoseTask(f"p{number}", f"p{number}", (), None, camera, Path()))
        results.append(
            PoseResult(f"p{number}", f"p{number}", pupil, (0.0, 0.0, 0.0), rows, np.zeros(count), [], {}, {})
        )
        parts.append((pupil, true[keep], seen[keep], pixel[keep]))
    grid = grid_from_samples(
        channel="inner",
        colour="G",
        pupil_mm=np.concatenate([np.tile(p, (len(t), 1)) for p, t, _, _ in parts]),
        tangent=np.concatenate([s for _, _, s, _ in parts]),
        pixel=np.concatenate([q for _, _, _, q in parts]),
    )
    return grid, tasks, results, np.concatenate([t for _, t, _, _ in parts])


def arcmin(first, second):
    cross = np.cross(unit_from_tangent(first), unit_from_tangent(second))
    return np.degrees(np.arcsin(np.linalg.norm(cross, axis=-1))) * 60.0


def test_the_mean_is_taken_out(capture):
    grid, tasks, results, true = capture
    before = arcmin(grid.tangent, true)
    assert before.max() > 0.2
    mended, told = treat_aperture(grid, tasks, results, REMOVE)
    after = arcmin(mended.tangent, true)
    assert np.sqrt(np.mean(after**2)) < LEFT_ARCMIN
    assert np.quantile(after, 0.95) < LEFT_ARCMIN
    assert told.treatment == "removed"
    assert told.largest_arcmin == pytest.approx(before.max(), rel=0.1)
    assert "chief rays" in told.words


def test_it_is_kept_when_asked_and_said(capture):
    grid, tasks, results, _ = capture
    kept, told = treat_aperture(grid, tasks, results, KEEP)
    assert kept is grid
    assert told.treatment == "kept" and "an eye with a 3 mm pupil, as asked" in told.words


def test_few_positions_cannot_tell(capture):
    grid, tasks, results, _ = capture
    few = grid.take(np.isin(np.cumsum(np.r_[0, np.any(np.diff(grid.pupil_mm, axis=0), axis=1)]), range(4)))
    kept, told = treat_aperture(few, tasks[:4], results[:4], REMOVE)
    assert kept is few
    assert told.treatment == "kept" and "not known: needs 6 pupil positions" in told.words


class OneField:
    """A fit of one channel and colour whose field is known."""

    def __init__(self, field):
        self._field = field

    def field(self, channel, colour):
        return self._field


class LitAperture:
    """25 positions, five of them of a camera turned by 10 degrees, whose dots give more light to one side.

    Each ray is put where a camera focused on `FOCUS` dioptres has it, and rays are summed by their light over
    rings of the aperture, many more than the code has.
    """

    FOCUS = 1.6
    # Of the logarithm of light, per mm where the ray meets the plane z = 0.
    SLOPE = np.array([0.05, -0.03])

    def __init__(self, field):
        u, v = (np.linspace(0.1, 0.9, 9) * length for length in PANEL)
        dots = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
        places = [(x, y) for x in (-4, -2, 0, 2, 4) for y in (-3, -1.5, 0, 1.5, 3)]
        pupil = np.array([[x, y, 2.0 if k % 2 else -2.0] for k, (x, y) in enumerate(places)])
        turned = pose_rotation(10.0, -4.0, 3.0)
        turns = [turned if k in (6, 8, 12, 16, 18) else np.eye(3) for k in range(25)]
        self.rotation = np.repeat(turns, len(dots), axis=0)
        pixel, pupil = np.tile(dots, (25, 1)), np.repeat(pupil, len(dots), axis=0)
        node, share = np.polynomial.legendre.leggauss(4)
        total, square, weight = np.zeros_like(pixel), np.zeros((len(pixel), 2, 2)), np.zeros((len(pixel), 1))
        for radius, part in zip(np.sqrt(0.5 * (node + 1.0)) * DIAMETER_MM / 2.0, share, strict=True):
            for angle in np.arange(12) * np.pi / 6.0:
                off = radius * np.array([np.cos(angle), np.sin(angle)])
                at = pupil + self.rotation @ [*off, 0.0]
                tangent = field.forward(pixel, pupil_mm=at)
                light = part * self.light(pixel, tangent, at)[:, None]
                own = turned_by(tangent, self.rotation.transpose(0, 2, 1))
                ray = own + off * self.FOCUS / 1000.0
                total += light * ray
                square += light[..., None] * ray[:, :, None] * ray[:, None, :]
                weight += light
        mean = total / weight
        self.square = square / weight[..., None] - mean[:, :, None] * mean[:, None, :]
        self.true = field.forward(pixel, pupil_mm=pupil)
        light = self.light(pixel, self.true, pupil)
        self.grid = grid_from_samples(
            channel="inner",
            colour="G",
            pupil_mm=pupil,
            tangent=turned_by(mean, self.rotation),
            pixel=pixel,
            luminance=light / light.max(),
        )

    def photographed(self, lens_px2=0.3, views=25, diameter_mm=DIAMETER_MM):
        """Return tasks and results of poses whose camera does not know its focus, dots blurred as its rays
        say, and by a lens whose blur grows to the corners; the fit of a view's blur has errors of its own.
        """
        camera = Camera(900, 800, (700.0, 690.0), (440.0, 410.0), aperture_mm=diameter_mm)
        random, size = np.random.default_rng(5), len(self.grid) // 25
        tasks, results = [], []
        for k in range(views):
            own = slice(k * size, (k + 1) * size)
            seen = turned_by(self.grid.tangent[own], self.rotation[own].transpose(0, 2, 1))
            place, slopes = camera.pixel(seen), np.diag([700.0, -690.0])
            blur = slopes @ self.square[own] @ slopes.T
            lens = lens_px2 * (1.0 + 2.0 * np.sum(((place - [440.0, 410.0]) / 400.0) ** 2, axis=1))
            lens = lens + 0.01 * random.normal()
            spread = np.stack([blur[:, 0, 0] + lens, blur[:, 0, 1], blur[:, 1, 1] + lens], axis=1)
            rows = Rows(
                np.full(size, "inner"), np.full(size, "G"), np.arange(size), place, self.grid.tangent[own],
                self.grid.pixel[own], self.grid.luminance[own], np.full(size, 0.01), np.full(size, np.nan),
                spread + 0.005 * random.normal(size=spread.shape),
            )  # fmt: skip
            turn = (10.0, -4.0, 3.0) if k in (6, 8, 12, 16, 18) else (0.0, 0.0, 0.0)
            pupil = self.grid.pupil_mm[own][0]
            tasks.append(PoseTask(f"p{k}", f"p{k}", (), None, camera, Path()))
            results.append(PoseResult(f"p{k}", f"p{k}", pupil, turn, rows, np.zeros(size), [], {}, {}))
        return tasks, results

    def light(self, pixel, tangent, pupil):
        place = pupil[:, :2] - pupil[:, 2:] * tangent
        return np.exp(place @ self.SLOPE - 2e-4 * pixel[..., 0])

    def left(self, field, grid=None, focus=FOCUS):
        """Return what is left of the mean over the aperture, arcmin (n,), and what is said."""
        grid = self.grid if grid is None else grid
        count = len(grid)
        through = Through(np.full(count, DIAMETER_MM), np.zeros(count), self.rotation, np.full(count, focus))
        moved, words = chief_minus_mean(grid, through, base=OneField(field))
        return arcmin(grid.tangent + moved, self.true), words


@pytest.fixture(scope="module")
def lit(field):
    return LitAperture(field)


def test_light_that_differs_over_the_aperture_is_weighed(field, lit):
    """r^2/4 of 0.058 per mm at some 0.9 dioptres out of focus: 0.1 arcmin."""
    even, words = lit.left(field, replace(lit.grid, luminance=None))
    assert np.median(even) > 0.07 and "light is taken as even" in words
    weighed, words = lit.left(field)
    assert weighed.max() < 0.003 and words == ""


def test_a_focus_that_is_not_known_is_that_of_the_images_and_said(field, lit):
    left, words = lit.left(field, focus=np.nan)
    # Images lie at 0.6 to 0.8 dioptres, the camera is focused elsewhere: as much is left as without light.
    assert "needs focus_dioptres in the camera file" in words
    assert np.median(left) > 0.05


def test_blur_shows_the_focus(field, lit):
    """The test sums rays; the code knows moments alone. Images lie at 0.6 to 0.8 dioptres."""
    tasks, results = lit.photographed()
    mended, told = treat_aperture(lit.grid, tasks, results, REMOVE, base=OneField(field))
    value, sigma = re.search(r"focused on ([\d.]+) \+- ([\d.]+) dioptres", told.words).groups()
    assert abs(float(value) - lit.FOCUS) < 2.5 * float(sigma) and float(sigma) < 0.1
    assert "not known" not in told.words
    assert np.median(arcmin(mended.tangent, lit.true)) < 0.01


def test_blur_that_does_not_tell_is_not_used(field, lit):
    """Too few views, or an aperture that is not the stated one (then so is what is left of the light)."""
    for tasks, results in (lit.photographed(views=7), lit.photographed(diameter_mm=2.0)):
        count = len(results) * len(lit.grid) // 25
        grid = lit.grid.take(np.arange(count))
        _, told = treat_aperture(grid, tasks, results, REMOVE, base=OneField(field))
        assert "not known: needs focus_dioptres in the camera file" in told.words
        assert "0.1 dioptres off leave" in told.words
        assert "by the blur" not in told.words


def test_the_rule_is_exact_for_low_powers():
    """Means over the unit disc: x^2 1/4, x^4 1/8, x^2 y^2 1/24, x^6 5/64 (elementary integrals)."""
    point, share = disc_rule()
    x, y = point.T
    assert share.sum() == pytest.approx(1.0)
    for value, mean in ((x * x, 1 / 4), (x**4, 1 / 8), (x * x * y * y, 1 / 24), (x**6, 5 / 64), (x**3, 0.0)):
        assert share @ value == pytest.approx(mean, abs=1e-12)
