"""Tolerances of this folder's tests, each with its unit and the reason for its size."""

# --- several of these tests ---------------------------------------------------------------------------------

# Relative: two ways to the same sum of some hundred squares.
COST = 1e-10


# --- affine bands -------------------------------------------------------------------------------------------

# Relative to the largest entry: products of small whole numbers added in another order.
SUM_ORDER = 1e-13
