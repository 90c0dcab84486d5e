"""The demo: two modules from traced grid to merged picture, with figures and pictures side by side."""

from prewarp.demo.run import ALL_STEPS, MODULES, run_demo
from prewarp.demo.table import table_lines

__all__ = ["ALL_STEPS", "MODULES", "run_demo", "table_lines"]
