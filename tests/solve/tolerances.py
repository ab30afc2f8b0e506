"""Tolerances of this folder's tests, each with its unit and the reason for its size."""

# --- backends -----------------------------------------------------------------------------------------------

# The same where a weight of 1e8 stands beside 1: rounding of 2e-16 * 64e8, through the worst direction.
BACKENDS_ILL = 2e-5

# Relative: merits of two solutions that are both optimal to their solvers' gaps (1e-10 at least).
MERIT = 1e-8

# Channel units: Clarabel meets cones within 1e-10 of its scaled data; their square root is what x shows.
CONIC = 2e-5


# --- sequential ---------------------------------------------------------------------------------------------

# Share of the largest gradient: what is left of it at a stationary point, tangential to the rows.
STATIONARY = 1e-5

# Unknowns near 1: where scipy's constrained minimisers stop (their own tolerances are 1e-12 on the cost).
MINIMISER = 3e-5
