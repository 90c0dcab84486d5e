"""The trade of bytes against error says the error of the worst map."""

from prewarp.lookup import optimise_lookup
from tests.closed_form import plane_set, two_channels
from tests.lookup.small_lookups import BOX_MM


def test_the_error_of_a_row_is_that_of_its_worst_map(monkeypatch):
    monkeypatch.setattr("prewarp.lookup.trade.TRADE_FACTORS", (1.0,))
    result = optimise_lookup(
        plane_set(*two_channels(), colours=("G", "R")),
        max_error_px=0.5,
        pupil_box_mm=BOX_MM,
        channels=("right",),
        panel_points=17,
        pupil_counts=(2, 2, 2),
    )
    errors = [error.max_px for error in result.errors]
    assert len(errors) == 2 and max(errors) > min(errors)
    (row,) = [row for row in result.trade if row.byte_count == result.byte_count]
    assert row.error_px == max(errors)
