"""Tolerances of this folder's tests, each with its unit and the reason for its size."""

# Page units: pictures are written with two decimals, and a length is the difference of two of them.
PAGE = 0.0101
