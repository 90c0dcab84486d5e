"""What is saved of a panel picture: 8-bit codes nearest to those of the panel."""

import numpy as np
import pytest

from prewarp.render.pictures import PanelPicture


@pytest.mark.parametrize(
    ("bits", "codes"), [(8, [0, 1, 127, 255]), (10, [0, 2, 511, 1023]), (12, [0, 8, 2048, 4095])]
)
def test_shown_codes_are_the_nearest_of_8_bits(bits, codes):
    picture = PanelPicture(
        np.tile(np.array(codes, dtype=np.uint16)[None, :, None], (1, 1, 3)), bit_depth=bits
    )
    expected = [int(code / (2**bits - 1) * 255.0 + 0.5) for code in codes]
    np.testing.assert_array_equal(picture.shown()[0, :, 1], expected)
    assert picture.shown().dtype == np.uint8 and expected[-1] == 255
