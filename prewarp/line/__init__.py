"""A line of units: families from tolerances or from fits, units from few camera positions, flags, runs."""
