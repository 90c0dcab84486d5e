"""A line of units of one design: families from tolerances, units from few camera positions, flags, runs."""
