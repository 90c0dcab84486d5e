"""From photographs of the panels to distortion grids: target pictures, the plan of a capture, its marks.

`plan` and `marks` are the files that all parts share; `codes` names dots in time; `positions` says where the
camera stands; `patterns` and `panel_png` draw and write what the panels show; `targets` puts a plan together.
"""
