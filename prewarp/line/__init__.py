"""A line of units of one design: families from tolerances or earlier units, units from few camera positions, flags, runs."""
