"""Tolerances of this folder's tests, each with its unit and the reason for its size."""

# Share: noise of 0.1 deg at 120 Hz on a swing of 0.8 s; its second difference falls to what the swing has by itself.
CALMER = 0.5
