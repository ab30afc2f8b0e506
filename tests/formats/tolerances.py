"""Tolerances of this folder's tests, each with its unit and the reason for its size."""

# --- bvh write ----------------------------------------------------------------------------------------------

# Shot units: Euler angles or quaternions to matrices and back at 2e-16, times lengths of some ten units.
REWRITTEN_PLACE = 1e-11

# Degrees: arctan2 of matrix entries with errors of some 1e-16, times 57.
REWRITTEN_ANGLE = 1e-11

# No unit: matrix entries rebuilt from angles within 1e-8 of a gimbal lock, whose angles are known to that.
NEAR_LOCK = 3e-8


# --- splice -------------------------------------------------------------------------------------------------

# Relative: half a unit of float64's last place, twice over, between a decimal text and its number.
TEXT_ROUNDING = 3e-16
