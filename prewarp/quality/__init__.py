"""Statistics of units that are judged: risks of a verdict, capability, control charts, yield, gauge studies.

Pure functions of numbers; nothing here knows of displays. Sources stand beside the formulas.
"""
