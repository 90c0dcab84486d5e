"""The warp and the perceived view: a CPU reference and its moderngl twin."""
