"""What pupil positions of a capture show, and how many positions a field needs; for checks and fits alike."""
