"""Tolerances of this folder's tests, each with its unit and the reason for its size."""

# Frames: the parabola through three correlations of bells 3.5 frames wide; at 12 fps a bell is narrower than 2.
LAG = 0.1
