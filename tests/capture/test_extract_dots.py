"""Dots against the truth of drawn discs: noise and the bound, bias of discs, ghosts, drift, coma, many at
once.
"""

import numpy as np
import pytest

from prewarp.capture.extract.codeless import measure_by_place
from prewarp.capture.extract.frames import Sensor
from tests.capture.discs import Lens, Scene
from tests.capture.extraction import frames_of, marks_of, outcome

# Error over the Cramer-Rao bound, and error over stated sigma: what the work asks for.
BOUND_RATIO, SIGMA_RATIO = 1.15, 0.15
BIAS_PX = 0.0005


class Quiet(Scene):
    """A scene without noise."""

    def exposed(self, electrons):
        """Return rounded codes."""
        return np.clip(np.round(electrons / self.gain + self.black), 0, self.full_scale).astype(np.uint16)


def bound_px(scene: Scene, frames: int) -> float:
    """Return the Cramer-Rao bound by axis of a dot's place, px, from `frames` frames with shot and read
    noise.

    Unknown are place, light and an even background (S. Kay, Fundamentals of Statistical Signal Processing:
    Estimation Theory, 1993, section 3.9: the inverse of the Fisher information of independent pixels). The
    picture is the scene's own, with differences of places for its slopes: nothing is shared with what is
    tested.
    """
    stamp, middle, _ = scene._stamps
    step = 1e-3
    along, same = [], np.ones(len(stamp), dtype=bool)
    for axis in np.eye(2):
        moved = []
        for sign in (1.0, -1.0):
            lens = Lens(**{**vars(scene.lens), "shift_px": tuple(sign * step * axis)})
            other = Scene(lens=lens, dots=scene.dots, radius_px=scene.radius_px, blur_px=scene.blur_px)
            moved.append(other._stamps[0])
            same &= np.all(other._stamps[1] == middle, axis=1)
        along.append((moved[0] - moved[1]) / (2.0 * step))
    assert same.mean() > 0.8
    found = []
    for dot in np.flatnonzero(same)[::20]:
        light = scene.bright_e * stamp[dot]
        slopes = np.stack([scene.bright_e * part[dot] for part in along] + [light, np.ones_like(light)])
        slopes = slopes.reshape(4, -1)
        variance = (light + scene.stray_e * 0.6 + scene.read_e**2 + scene.gain**2 / 12.0).ravel()
        found.append(np.linalg.inv(frames * (slopes / variance) @ slopes.T)[:2, :2].trace() / 2.0)
    return float(np.sqrt(np.mean(found)))


@pytest.mark.parametrize(
    ("radius_px", "bright_e", "gain"), [(13.0, 9000.0, 4.0), (8.0, 9000.0, 4.0), (4.2, 800.0, 1.0)]
)
def test_noise_is_as_small_as_can_be_and_as_stated(radius_px, bright_e, gain):
    """A dot is lit in the whole frame and in six code frames; all of them count."""
    errors, sigmas = [], []
    for seed in range(3):
        scene = Scene(
            lens=Lens(k=-0.05), radius_px=radius_px, bright_e=bright_e, gain=gain, stray_e=30.0, seed=seed
        )
        done = outcome(scene)
        assert len(done.mark) == len(scene.panel)
        errors.append(done.error)
        sigmas.append(done.sigma)
    rms = np.sqrt(np.mean(np.concatenate(errors) ** 2))
    bound = bound_px(scene, 7)
    assert bound < rms * 1.05
    assert rms < BOUND_RATIO * bound
    assert rms == pytest.approx(np.sqrt(np.mean(np.concatenate(sigmas) ** 2)), rel=SIGMA_RATIO)


@pytest.mark.parametrize("k", [-0.2, 0.2])
def test_a_bent_disc_shows_the_image_of_its_centre(k):
    scene = Quiet(
        lens=Lens(k=k, scale=0.36 if k < 0 else 0.3), bright_e=2.4e5, full_scale=65535.0, stray_e=0.0,
        radius_px=13.0, blur_px=0.8, quadrature=(10, 40),
    )  # fmt: skip
    stamp, middle, reach = scene._stamps
    at = np.arange(-reach, reach + 1) + 0.5
    plain = np.stack([(stamp.sum(axis=1) * at).sum(axis=1), (stamp.sum(axis=2) * at).sum(axis=1)], axis=1)
    plain = plain / stamp.sum(axis=(1, 2))[:, None] + middle - scene.place
    # The light's centroid lies far off, so there is something to take out.
    assert np.hypot(*plain.T).max() > 0.02
    done = outcome(scene)
    assert len(done.mark) == len(scene.panel)
    assert np.hypot(*done.error.T).max() < BIAS_PX


def test_a_ghost_on_the_neighbour_is_taken_out_by_codes():
    """5 % of the light, where the neighbour's rim is: 0.13 px on a plain centroid."""
    scene = Scene(ghost=0.05, ghost_px=(31.0 + 2.5, 1.5))
    done = outcome(scene)
    assert done.rms < 0.0037
    assert done.ratio < 1.15
    ghosts = done.view.ghosts
    assert len(ghosts.of) >= 17
    assert np.median(ghosts.strength) == pytest.approx(0.05, abs=0.002)
    measured = done.view.measured
    seen = measured.others[:, 0] >= 0
    assert np.median(measured.other_share[seen, 0]) == pytest.approx(0.05, abs=0.004)


def test_drift_is_measured_and_taken_out():
    drift = 0.3 * (np.arange(16) / 15.0 - 0.5)
    lits = [np.ones(289), *Scene().words.T.astype(float)[:6], np.ones(289),
    *Scene().words.T.astype(float)[6:],
            np.ones(289)]  # fmt: skip
    photographs = []
    for number, (lit, shift) in enumerate(zip(lits, drift, strict=True)):
        moved = Scene(lens=Lens(shift_px=(float(shift), 0.0)), seed=number)
        photographs.append(moved.exposed(moved.light(lit)))
    order = [0, 7, 15, *(k for k in range(16) if k not in (0, 7, 15))]
    done = outcome(Scene(), [photographs[k] for k in order], whole=3)
    assert done.rms < 0.002
    assert done.view.measured.shifts[:, 0] == pytest.approx(drift[order] - drift.mean(), abs=0.003)
    assert np.abs(done.view.measured.shifts[:, 1]).max() < 0.003


def test_a_tail_that_grows_steeply_to_the_rim_is_followed():
    """With the fifth power of the distance from the middle, as higher aberrations of lenses do."""
    done = outcome(Quiet(lens=Lens(k=-0.05), coma=0.8, coma_power=5))
    assert len(done.mark) == 17 * 17
    assert np.sqrt(np.mean(done.error**2)) < 0.0006


@pytest.mark.parametrize(("coma", "worst"), [(0.3, 0.002), (0.5, 0.0035)])
def test_a_tail_to_one_side_leaves_the_centroid(coma, worst):
    """A fifth of the light `coma` px aside, of zero mean; what is left goes with the fifth moment of the
    blur.
    """
    done = outcome(Scene(coma=coma, blur_px=0.7))
    assert np.abs(done.error.mean(axis=0)).max() < worst


def test_saturated_dots_are_told_of_and_never_measured():
    scene = Scene(bright_e=9000.0)
    scene.strength[:] = 1.0
    frames = scene.frames(2)
    bright = [np.where(f.astype(int) - 100 > 1500, 4095, f).astype(np.uint16) for f in frames]
    done = outcome(scene, bright, whole=2)
    assert len(done.mark) == 0
    assert set(done.view.measured.state) == {"saturated"}


def test_a_colour_without_codes_is_named_by_place():
    coded = outcome(Scene()).view
    other = Scene(lens=Lens(shift_px=(3.0, -2.0), scale=0.3605), seed=7)
    sensor = Sensor(other.black, other.full_scale)
    view = measure_by_place(frames_of(other.frames(3)[:3], whole=3), marks_of(other), sensor, coded)
    good = view.measured.state == "found"
    error = view.measured.place[good] - other.place[view.mark[good]]
    sigma = np.sqrt(np.einsum("nii->n", view.measured.covariance[good]) / 2.0)
    assert np.count_nonzero(good) == 289
    assert np.sqrt(np.mean(error**2)) < 0.003
    assert np.sqrt(np.mean(error**2 / sigma[:, None] ** 2)) == pytest.approx(1.0, abs=SIGMA_RATIO)


def test_a_colour_that_lies_elsewhere_is_refused():
    coded = outcome(Scene()).view
    other = Scene(lens=Lens(scale=0.3), seed=7)
    sensor = Sensor(other.black, other.full_scale)
    view = measure_by_place(frames_of(other.frames(1)[:1]), marks_of(other), sensor, coded)
    assert view.measured is None and "dots lie where the coded colour has them" in view.refused


def test_a_colour_that_lies_a_whole_pitch_off_is_refused():
    coded = outcome(Scene(dots=(11, 9), quadrature=(3, 10))).view
    pitch = 1600.0 * 0.86 / 10.0 * 0.36
    other = Scene(dots=(11, 9), quadrature=(3, 10), lens=Lens(shift_px=(pitch - 1.0, 0.5)), seed=7)
    sensor = Sensor(other.black, other.full_scale)
    view = measure_by_place(frames_of(other.frames(1)[:1]), marks_of(other), sensor, coded)
    assert view.measured is None and "moved by a whole pitch" in view.refused
