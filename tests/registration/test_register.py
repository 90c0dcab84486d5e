"""Registration recovers a known mount, says how sure it is, and says what pairs cannot fix."""

import dataclasses

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from prewarp.errors import GridError, SeamError
from prewarp.field.mount import UNMOUNTED, Mount
from prewarp.frames import arcmin_between, arcmin_step
from prewarp.registration import register_channels
from tests.long.register_few import few_pairs, middle_of_misfit
from tests.registration.scenes import ASKEW, nudged, pairs_of, seam_directions
from tests.sampled_fields import sampled_set
from tests.synthetic import PlaneImage, two_channels

SIZE = (640, 480)
NOISE_ARCMIN = 0.3
# The owner's figure for 40 pairs; per-axis noise of 0.3 arcmin leaves 0.3 sqrt(3 / 40) = 0.082 at best.
AT_THE_SEAM_ARCMIN = 0.1
# Without noise only rounding is left.
EXACT_ARCMIN = 1e-6


@pytest.fixture(scope="module")
def fields():
    return sampled_set(two_channels(size_px=SIZE, focal_px=720.0), colours=("G", "R"))


@pytest.fixture(scope="module")
def truth(fields):
    return fields.mounted({"outer": ASKEW}, provenance={})


def left_at_the_seam(fields, truth, result):
    """Return the angle between what the registered and the true outer channel show along the seam, arcmin."""
    tangent, centre = seam_directions(100, np.random.default_rng(9)), np.zeros(3)
    pixel = truth.field("outer", "G").inverse(tangent, pupil_mm=centre).pixel
    mounted = fields.mounted(result.mounts, provenance={}).field("outer", "G")
    return arcmin_between(mounted.forward(pixel, pupil_mm=centre), tangent)


def test_exact_pairs_give_the_exact_mount(fields, truth):
    result = register_channels(fields, pairs_of(truth, colours=("G", "R")))
    np.testing.assert_allclose(result.mounts["outer"].turn_deg, ASKEW.turn_deg, atol=1e-7)
    assert left_at_the_seam(fields, truth, result).max() < EXACT_ARCMIN
    figures = result.as_dict()
    assert (
        figures["mismatch_before_rms_arcmin"] > 20.0 and figures["mismatch_after_rms_arcmin"] < EXACT_ARCMIN
    )
    assert figures["findings"] == [] and figures["reference"] == "inner"
    told = f"mismatch left {figures['mismatch_after_rms_arcmin']:.3g} arcmin RMS; all fixed"
    assert repr(result) == f"<RegistrationResult: outer onto inner, 40 pairs (0 left out), {told}>"
    assert "<td>turn_x_deg</td><td>0.25</td>" in result._repr_html_()


def test_uncertain_pairs_weigh_least(fields, truth):
    """Half of the pairs are off by 3 arcmin and say so; the other half is as good as exact."""
    good, bad = pairs_of(truth, count=20), pairs_of(truth, count=20, noise_arcmin=3.0, seed=5)
    joined = {
        name: np.concatenate([getattr(good, name), getattr(bad, name)])
        for name in (
            "channel_a",
            "channel_b",
            "colour",
            "pupil_mm",
            "pixel_a",
            "pixel_b",
            "step_arcmin",
            "row",
        )
    }
    pairs = dataclasses.replace(good, **joined, sigma_arcmin=np.repeat([0.01, 3.0], 20))
    left = left_at_the_seam(fields, truth, register_channels(fields, pairs))
    assert np.sqrt(np.mean(left**2)) < 0.03


def test_a_point_off_the_panel_to_one_side_is_named(fields, truth):
    pairs = pairs_of(truth)
    for place, value in ((0, -1.0), (1, -1.0), (0, SIZE[0] + 1.0), (1, SIZE[1] + 1.0)):
        pixel = pairs.pixel_b.copy()
        pixel[7, place] = value
        with pytest.raises(GridError, match="row 9: a panel point lies off its panel"):
            register_channels(fields, dataclasses.replace(pairs, pixel_b=pixel))


def test_half_a_degree_from_forty_noisy_pairs(fields, truth):
    """Twelve draws of the noise: what is left at the seam, and whether the covariance says so."""
    assert np.linalg.norm(ASKEW.turn_deg) == pytest.approx(0.5, abs=0.03)
    left, misfit = [], []
    for seed in range(12):
        result = register_channels(fields, pairs_of(truth, noise_arcmin=NOISE_ARCMIN, seed=seed))
        left.append(np.sqrt(np.mean(left_at_the_seam(fields, truth, result) ** 2)))
        error = np.array([p.value for p in result.parameters]) - ASKEW.turn_deg
        misfit.append(error @ np.linalg.solve(result.covariance, error))
        assert result.noise_arcmin == pytest.approx(NOISE_ARCMIN, rel=0.35)
        assert np.sqrt(np.mean(result.sigma_arcmin**2)) < AT_THE_SEAM_ARCMIN
    assert np.sqrt(np.mean(np.square(left))) < AT_THE_SEAM_ARCMIN
    # Errors in units of the covariance follow chi squared of three degrees of freedom each.
    assert chi2.cdf(sum(misfit), 36) == pytest.approx(0.5, abs=0.495)


@pytest.mark.outside
def test_agrees_with_scipy_least_squares(fields, truth):
    """scipy's solver on the plain sum of squares, with the rotation applied by hand to unit vectors."""
    pairs = pairs_of(truth, noise_arcmin=NOISE_ARCMIN, seed=3)
    inner = fields.field("inner", "G").forward(pairs.pixel_a, pupil_mm=pairs.pupil_mm)

    def rest(turn):
        rotation = Rotation.from_rotvec(turn, degrees=True)
        own = fields.field("outer", "G").forward(pairs.pixel_b, pupil_mm=rotation.inv().apply(pairs.pupil_mm))
        ray = rotation.apply(np.column_stack([own, np.ones(len(own))]))
        return arcmin_step(inner, ray[:, :2] / ray[:, 2:]).ravel()

    plain = least_squares(rest, np.zeros(3), xtol=1e-14, ftol=1e-14).x
    result = register_channels(fields, pairs)
    # No pair lies beyond four sigmas, so the robust weights are all one.
    np.testing.assert_allclose(result.mounts["outer"].turn_deg, plain, atol=1e-6)


def test_outliers_lose_their_weight(fields, truth):
    pairs = pairs_of(truth, noise_arcmin=NOISE_ARCMIN, seed=1)
    pixel = pairs.pixel_b.copy()
    bad = np.arange(2, 40, 5)
    pixel[bad] += [6.0, -9.0]
    result = register_channels(fields, dataclasses.replace(pairs, pixel_b=pixel))
    assert set(result.as_dict()["outlier_rows"]) == set((bad + 2).tolist())
    assert np.sqrt(np.mean(left_at_the_seam(fields, truth, result) ** 2)) < 2.0 * AT_THE_SEAM_ARCMIN


def test_a_measured_step_counts(fields):
    """The channels lie right; pictures were seen 2 arcmin apart, so the second is turned by as much."""
    pairs = pairs_of(fields, count=60)
    step = np.tile([2.0, 0.0], (60, 1))
    result = register_channels(
        fields, dataclasses.replace(pairs, step_arcmin=step), hold=("turn_z_deg", "turn_x_deg")
    )
    assert result.mounts["outer"].turn_deg[1] * 60.0 == pytest.approx(2.0, abs=0.05)
    assert result.mounts["outer"].turn_deg[0] == result.mounts["outer"].turn_deg[2] == 0.0


def test_scale_is_found_where_asked_for(fields):
    axis = fields.field("outer", "G").forward([320.0, 240.0], pupil_mm=np.zeros(3))
    mount = Mount(ASKEW.turn_deg, 1.006, tuple(axis.tolist()))
    truth = fields.mounted({"outer": mount}, provenance={})
    result = register_channels(
        fields, pairs_of(truth, count=60, within=((-3.0, 3.0), (-12.0, 12.0))), scale=True
    )
    assert result.mounts["outer"].scale == pytest.approx(1.006, abs=1e-7)
    np.testing.assert_allclose(result.mounts["outer"].turn_deg, mount.turn_deg, atol=1e-6)
    assert result.parameters[-1].name == "scale_percent" and result.parameters[-1].value == pytest.approx(
        0.6, abs=1e-5
    )


def test_a_registered_fit_is_registered_again(fields, truth):
    first = register_channels(fields, pairs_of(truth))
    again = register_channels(fields.mounted(first.mounts, provenance={}), pairs_of(truth, seed=4))
    np.testing.assert_allclose(again.mounts["outer"].turn_deg, ASKEW.turn_deg, atol=1e-7)
    assert again.as_dict()["mismatch_before_rms_arcmin"] < EXACT_ARCMIN


def test_other_reference_turns_the_other_channel(fields, truth):
    result = register_channels(fields, pairs_of(truth), reference="outer")
    assert set(result.mounts) == {"inner"}
    mounted = fields.mounted(result.mounts, provenance={})
    assert mounted.field("outer", "G").mount.is_identity
    # The mount of one against the other is the inverse turn, but for the pupils, which half a degree moves by
    # 0.03 mm.
    turn = Rotation.from_rotvec(ASKEW.turn_deg, degrees=True).inv().as_rotvec(degrees=True)
    np.testing.assert_allclose(result.mounts["inner"].turn_deg, turn, atol=1e-5)


def test_pairs_in_one_direction_cannot_fix_the_roll(fields, truth):
    """Around one direction any roll about the line of sight agrees: one vector fixes two angles."""
    result = register_channels(
        fields, pairs_of(truth, within=((0.0, 1e-9), (0.0, 1e-9)), noise_arcmin=NOISE_ARCMIN)
    )
    assert [p.name for p in result.unfixed] == ["turn_z_deg"]
    assert "channel 'outer': the pairs do not determine turn_z_deg" in result.findings()[0]
    assert "--hold turn_z_deg" in result.findings()[0]
    entry = result.as_dict()["channels"][0]["parameters"]
    assert entry["turn_x_deg"]["fixed"] and not entry["turn_z_deg"]["fixed"]
    held = register_channels(fields, pairs_of(truth, within=((0.0, 1e-9), (0.0, 1e-9))), hold=("turn_z_deg",))
    assert held.unfixed == () and held.mounts["outer"].turn_deg[2] == pytest.approx(0.0, abs=2e-3)


def test_a_narrow_seam_cannot_tell_scale_from_turn(fields, truth):
    """At one height, scale about the panel's middle and the turn about y both move the seam sideways."""
    pairs = pairs_of(truth, within=((-0.1, 0.1), (-0.1, 0.1)), noise_arcmin=NOISE_ARCMIN)
    names = [p.name for p in register_channels(fields, pairs, scale=True).unfixed]
    assert "scale_percent" in names and "turn_y_deg" in names


def joined(parts):
    """Return the pairs of several tables as one."""
    names = [field.name for field in dataclasses.fields(parts[0]) if field.name not in ("source", "sha256")]
    return type(parts[0])(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def test_three_channels_are_joined_through_the_middle_one():
    turns = {"left": -30.0, "middle": 0.0, "right": 30.0, "spare": 30.0}
    fields = sampled_set(
        {name: PlaneImage(size_px=SIZE, focal_px=720.0, yaw_deg=yaw) for name, yaw in turns.items()}
    )
    mounts = {"middle": Mount((0.1, 0.2, -0.1)), "right": Mount((-0.2, 0.1, 0.2))}
    truth = fields.mounted(mounts, provenance={})
    first, second, apart = (
        pairs_of(truth, within=((low, low + 2.0), (-10.0, 10.0)), names=names)
        for low, names in (
            (-16.0, ("left", "middle")),
            (14.0, ("middle", "right")),
            (29.0, ("right", "spare")),
        )
    )
    result = register_channels(fields, joined([first, second]))
    for name, mount in mounts.items():
        np.testing.assert_allclose(result.mounts[name].turn_deg, mount.turn_deg, atol=1e-6)
    with pytest.raises(SeamError, match="no chain of pairs joins channel 'right' to the reference 'left'"):
        register_channels(fields, joined([first, apart]))


def test_no_pairs_are_refused(fields, truth):
    pairs = pairs_of(truth)
    columns = {name: value for name, value in vars(pairs).items() if isinstance(value, np.ndarray)}
    none = dataclasses.replace(pairs, **{name: value[:0] for name, value in columns.items()})
    with pytest.raises(SeamError, match="no pairs. Measure points that two channels both show"):
        register_channels(fields, none)


@pytest.mark.parametrize(
    ("change", "error", "message"),
    [
        (
            {"channel_b": "third"},
            GridError,
            "channel is 'third', which is not in the fit; it has inner, outer",
        ),
        ({"colour": "X"}, GridError, "pairs.csv, rows 2, 3.*color is 'X'"),
        ({"pixel_a": -3.0}, GridError, "rows 2, 3, 4, 5, 6 and 35 more: a panel point lies off its panel"),
    ],
)
def test_pairs_that_do_not_fit_the_fit(fields, truth, change, error, message):
    pairs = pairs_of(truth)
    change = {
        name: np.full_like(getattr(pairs, name), value, dtype=None if isinstance(value, float) else "U8")
        for name, value in change.items()
    }
    with pytest.raises(error, match=message):
        register_channels(fields, dataclasses.replace(pairs, **change))


@pytest.mark.parametrize("count", [3, 4, 5])
def test_few_pairs_say_how_little_they_know(fields, truth, count):
    """A part of `tests.long.register_few`: 95 % intervals hold, the middle misfit is the F law's (scipy)."""
    draws = 20
    holds, misfit, lost = few_pairs(fields, truth, count, draws, first_seed=5000)
    # Three turns of a draw hang together: as good as 30 to 90 independent ones, of which 2.5 sigma.
    assert holds.mean() > 0.95 - 2.5 * np.sqrt(0.95 * 0.05 / draws)
    # Half of the draws lie below the middle, give or take 3 sigma of a binomial law.
    below = (misfit < middle_of_misfit(count)).mean()
    assert below == pytest.approx(0.5, abs=3.0 * np.sqrt(0.25 / draws))
    assert not lost.any()


def test_one_wrong_pair_of_few_is_named(fields, truth):
    pairs = pairs_of(truth, count=5, noise_arcmin=0.05, seed=2)
    pixel = pairs.pixel_b.copy()
    pixel[3] += [6.0, -9.0]
    result = register_channels(fields, dataclasses.replace(pairs, pixel_b=pixel))
    assert result.as_dict()["outlier_rows"] == [5]
    assert left_at_the_seam(fields, truth, result).max() < 5.0 * result.sigma_arcmin.max()


def test_a_wrong_pair_that_nothing_gives_away_makes_the_interval_wide(fields, truth):
    """Of three pairs any may be the wrong one: none is left out, and not all turns are called fixed."""
    pairs = pairs_of(truth, count=3, noise_arcmin=0.05, seed=2)
    pixel = pairs.pixel_b.copy()
    pixel[1] += [6.0, -9.0]
    result = register_channels(fields, dataclasses.replace(pairs, pixel_b=pixel))
    assert not result.outlier.any() and "turn_z_deg" in [one.name for one in result.unfixed]
    error = np.array([one.value for one in result.parameters]) - ASKEW.turn_deg
    assert np.all(np.abs(error) < [one.half95 for one in result.parameters])


def test_a_turn_that_rests_on_one_pair_is_not_fixed(fields, truth):
    """Five pairs in one direction, one 10 degrees away: it alone speaks of the roll, right or wrong."""
    heap = pairs_of(truth, count=5, within=((0.0, 1e-9), (0.0, 1e-9)), noise_arcmin=0.05)
    far = dataclasses.replace(
        pairs_of(truth, count=1, within=((0.0, 1e-9), (10.0, 10.0001)), seed=1), row=np.array([77])
    )
    result = register_channels(fields, joined([heap, far]))
    (roll,) = result.unfixed
    assert roll.name == "turn_z_deg" and roll.alone_row == 77
    assert "it rests on row 77 alone, and nothing checks that pair" in result.findings()[0]
    again = dataclasses.replace(
        pairs_of(truth, count=1, within=((0.0, 1e-9), (10.0, 10.0001)), seed=3), row=np.array([78])
    )
    assert register_channels(fields, joined([heap, far, again])).unfixed == ()


def test_pairs_that_leave_nothing_to_check_them_are_refused(fields, truth):
    with pytest.raises(SeamError, match="3 pairs for 4 parameters; expected at least 4 pairs .some must be"):
        register_channels(fields, pairs_of(truth, count=3), scale=True)


def test_bad_requests_say_what_to_do(fields, truth):
    with pytest.raises(SeamError, match="2 pairs for 3 parameters; expected at least 3"):
        register_channels(fields, pairs_of(truth, count=2))
    with pytest.raises(SeamError, match="hold is 'turn_y'; .* Did you mean 'turn_y_deg'"):
        register_channels(fields, pairs_of(truth), hold=("turn_y",))
    with pytest.raises(SeamError, match="reference channel 'outre' has no pairs"):
        register_channels(fields, pairs_of(truth), reference="outre")
    assert UNMOUNTED.is_identity and nudged(np.zeros(2), np.array([60.0, 0.0]))[0] > 0.0
