"""Trade picture and table."""

import io

import numpy as np
from PIL import Image

from prewarp.lookup import OptimisationResult, TradeRow
from prewarp.lookup.measure import MapError
from prewarp.report.trade import bytes_text, trade_figure, trade_picture, trade_table
from tests.lookup.small_lookups import case
from tests.report.drawn import line


def rows():
    return (
        TradeRow(0.5, "chebyshev", 4000, 0.45, "500 terms"),
        TradeRow(0.5, "spline", 90_000, 0.49, "33 x 33 nodes"),
        TradeRow(0.25, "chebyshev", 6000, 0.24, "700 terms"),
        TradeRow(0.25, "spline", None, None, "", "cannot reach 0.25 px"),
    )


def result(byte_count):
    error = MapError("left", "G", 0.24, 0.05, (0.0, 0.0), (0.0, 0.0, 0.0))
    return OptimisationResult(case("chebyshev"), 0.25, byte_count, (error,), rows())


def test_table_says_what_cannot():
    sections = trade_table(rows())
    assert [title for title, _ in sections] == ["at most 0.5 px", "at most 0.25 px"]
    assert sections[0][1][0] == ["Chebyshev terms", "4000", "0.45", "500 terms"]
    assert sections[1][1][1] == ["B-spline mesh with pupil modes", "cannot", "-", "cannot reach 0.25 px"]


def test_picture_is_one_and_the_same():
    first = trade_picture(result(6000), title="A field")
    assert first == trade_picture(result(6000), title="A field")
    with Image.open(io.BytesIO(first)) as picture:
        assert picture.size == (1000, 640)
        assert np.asarray(picture.convert("L")).std() > 10
    assert trade_picture(result(5000)) != first


def test_marks_lie_at_error_and_bytes():
    (axes,) = trade_figure(result(6000)).axes
    np.testing.assert_array_equal(line(axes, "Chebyshev terms"), [[0.24, 6000.0], [0.45, 4000.0]])
    np.testing.assert_array_equal(line(axes, "chosen"), [[0.24, 6000.0]])
    assert axes.get_xscale() == axes.get_yscale() == "log"
    assert any(np.ptp(one.get_xdata()) == 0.0 and one.get_xdata()[0] == 0.25 for one in axes.lines)
    assert axes.get_title(loc="left").startswith("6000 bytes for 0.24 px")


def test_units_of_bytes():
    assert [bytes_text(value) for value in (12.0, 4096.0, 2.5e6, 6.4e8, 1e9)] == [
        "12 bytes",
        "4.096 kB",
        "2.5 MB",
        "640 MB",
        "1 GB",
    ]
