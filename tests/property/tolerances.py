"""Tolerances of this folder's tests, each with its unit and the reason for its size."""

# --- key mends ----------------------------------------------------------------------------------------------

# px: what one mend of such keys may move, a key's own warning (the carried arm adds its turn's second order).
MENDED_PIXELS = 1.1


# --- suggest properties -------------------------------------------------------------------------------------

# Relative, channel units near 1e6 at most: rows kept to 1e-6, numbers rounded to 4 decimals at least.
KEPT = 1e-5

# Radians: keyed quaternions whose keys stay are recomputed from the same numbers.
KEPT_TURN = 1e-7
