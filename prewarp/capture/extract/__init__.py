"""From photographs of the panels to a distortion grid: dots found, named, measured, and what was refused.

`view` takes one pose, channel and colour through all steps; `run` takes all poses of a plan.
"""
