"""How many pupil positions are needed, from sizes of terms whose sums are known in closed form."""

import numpy as np
import pytest

from prewarp.pupils.needed import MIXED, MOST_NODES, left_px, positions_for


@pytest.mark.parametrize("degrees", [3, 4, 6])
def test_terms_that_fall_by_one_factor_leave_a_geometric_sum(degrees):
    """Terms r^k leave sqrt(sum over k >= n of r^2k) = r^n / sqrt(1 - r^2), whatever degrees are known."""
    left = left_px(0.1 ** np.arange(degrees))
    assert len(left) == MOST_NODES + 1
    np.testing.assert_allclose(left, MIXED * 0.1 ** np.arange(13) / np.sqrt(1.0 - 0.01), rtol=1e-9)


def test_odd_and_even_terms_go_on_apart():
    """8, 0.4, 0.02, .. for odd degrees, 0.08, 0.004, .. for even ones: 4 positions leave those from 4 on."""
    left = left_px(np.array([1500.0, 8.0, 0.08, 0.4, 0.004]))
    odd, even = 0.02 / np.sqrt(1.0 - 0.05**2), 0.004 / np.sqrt(1.0 - 0.05**2)
    np.testing.assert_allclose(left[4], MIXED * np.hypot(odd, even), rtol=1e-9)


def test_the_count_is_the_first_that_is_enough():
    needed = positions_for([100.0, 1.0, 0.1, 0.01], wanted_px=0.1, shows_motion=True)
    assert needed.nodes == 3 and needed.left_px == pytest.approx(0.02, rel=0.01)
    assert needed.fewer_px == pytest.approx(0.2, rel=0.01)
    assert "needs 3 x 3 pupil positions over the captured range (2 x 2 leave up to 0.2 px)" in needed.text()
    assert positions_for([100.0, 0.01, 0.001], wanted_px=0.1, shows_motion=True).fewer_px is None


@pytest.mark.parametrize(
    ("terms", "shows", "why"),
    [
        ([100.0, 1.0], True, "three or more"),
        ([100.0, 1.0, 0.1], False, "three or more"),
        ([100.0, 5.0, 5.0, 5.0], True, "more than 12 each way"),
    ],
)
def test_no_number_where_terms_do_not_tell(terms, shows, why):
    needed = positions_for(terms, wanted_px=0.1, shows_motion=shows)
    assert needed.nodes is None and needed.left_px is None and needed.fewer_px is None
    assert "not known: needs " in needed.text() and why in needed.text()
