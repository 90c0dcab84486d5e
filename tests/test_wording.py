"""Keys as words."""

import pytest

from prewarp.wording import spoken


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("curl_arcmin_per_mm", "curl, arcmin per mm"),
        ("image_vergence_dioptres", "image vergence, dioptres"),
        ("px_per_degree", "px per degree"),
        ("pupils_needed_each_way", "pupils needed each way"),
        ("turn_x_deg", "turn x, degrees"),
        ("field_lost_deg2", "field lost, square degrees"),
        ("layout", "layout"),
        ("scale_percent", "scale, percent"),
    ],
)
def test_units_are_set_off(key, words):
    assert spoken(key) == words
