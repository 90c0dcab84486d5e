"""Numbers in words: three significant digits, no exponents."""

import math

# Values smaller than these, in the units of a report: small, and nothing but rounding of sums.
_SMALLEST, _ROUNDING = 1e-4, 1e-9


def number_text(value: float | None, /) -> str:
    """Return a number with three significant digits, without exponents; a dash where there is none."""
    if value is None or math.isnan(value):
        return "–"
    if math.isinf(value):
        return "unbounded"
    if abs(value) < _ROUNDING:
        return "0"
    if abs(value) < _SMALLEST:
        return f"below {_SMALLEST:g}" if value > 0.0 else f"above -{_SMALLEST:g}"
    digits = max(0, 2 - math.floor(math.log10(abs(value))))
    return f"{value:.{digits}f}"
