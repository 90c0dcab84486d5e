"""Long forms of checks that CI runs a tenth of: `python -m tests.long.NAME`."""
