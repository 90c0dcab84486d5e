"""A camera from photographs of a flat board: where its marks are, and which camera sees them there.

Reading order: `board` (its geometry), `dots` and `corners` (marks in a photograph), `lattice` (which mark is
which), `projection` (a board in a camera, with slopes), `bundle` (camera and poses together), `entrance` (the
entrance pupil, from a stage that turns), `levels` (what a file's values mean), `calibrate` (all of it).
"""
