"""Checking a distortion grid: findings with row numbers and mends, and figures of its quality."""

from prewarp.checking.check import check_grid
from prewarp.checking.result import CheckResult, Finding

__all__ = ["CheckResult", "Finding", "check_grid"]
