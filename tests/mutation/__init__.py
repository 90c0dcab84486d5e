"""Deliberate faults over all packages, and a script that sees whether the tests catch them.

Long form, not in CI: `python -m tests.mutation`.
"""
