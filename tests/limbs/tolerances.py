"""Tolerances of this folder's tests, each with its unit and the reason for its size."""

# --- chain --------------------------------------------------------------------------------------------------

# Metres: where the damped steps of a leg stop, a hundredth of a mm.
FOLLOWED_PLACE = 1e-5

# Metres: what a leg keyed every third frame may miss between its keys; 5 mm is where sliding is flagged.
PLACED = 2.5e-3

# Degrees per frame by which slopes of a leg that is lifted from one frame to the next may leave their rules: left to
# themselves they do by 10, for 3 mm.
RULED_SLOPE = 2.0

# Metres per degree (or natural slope): central differences with DERIVATIVE_STEP of turns of a 0.9 m leg.
CHAIN_DERIVATIVE = 1e-7


# --- two bones ----------------------------------------------------------------------------------------------

# Shot units: places of a limb two units long through four turns, and back through Euler angles, at 2e-16 each.
PLACE_OF_LIMB = 1e-9

# Shot units: a knee placed by a search for the least turn, which is flat there: the root of 2e-16, times lengths.
SOLVED_ANGLE = 1e-6

# Radians: bends of a few degrees read off cosines, about an axis that isn't quite square to both bones.
IN_PROPORTION = 2e-5
