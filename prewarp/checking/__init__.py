"""Checking a distortion grid: findings with row numbers and mends, and figures of its quality."""

from prewarp.checking.check import check_grid, quick_check
from prewarp.checking.result import CheckResult, Finding, require_no_error

__all__ = ["CheckResult", "Finding", "check_grid", "quick_check", "require_no_error"]
