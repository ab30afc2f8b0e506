"""Tolerances of this folder's tests and of those that folders share, each with unit and reason."""

# --- shared by several folders ------------------------------------------------------------------------------

# Shot units, and relative: some ten products of matrices of numbers near 10, at 2e-16 each.
PLACE = 1e-11

# No unit: entries of a rotation matrix, at most four products of numbers below 1.
MATRIX = 1e-13

# Channel units: balances h^2 f'''/6 against 1e-15 f / h; both are then below 1e-9 for f near 10.
DERIVATIVE_STEP = 1e-5

# Shot units per channel unit, and relative: the error of a central difference with that step, ten times over.
DERIVATIVE = 1e-8

# px: coordinates up to some thousands of px through a division by depth, at 2e-16 each.
PIXEL = 1e-9

# Degrees (or shot units): sums of some ten products of numbers up to some hundred, through arcsin or splines.
ANGLE = 1e-9

# Channel units: a row that is built to hold exactly, after sums of some ten numbers near 30.
ROW = 1e-9

# Channel units of about 20: our backends among each other where the Hessian's condition is below 1e9.
BACKENDS = 1e-7

# Share of the body: half a unit of the fourth decimal, with which segment masses were published.
PRINTED_4 = 5.1e-5

# Channel units, values near 10: the root of a cubic to its last bits, through at most four products.
CURVE = 1e-12

# No unit: sums and quotients of some ten numbers below 10.
ARITHMETIC = 1e-12

# px, and share of the first move: what a second suggestion on a refined shot may still move (the contract).
PROMISED_PX = 0.1
PROMISED_SHARE = 0.05

# Degrees, radians or entries of a rotation: angles up to 400 deg shifted by whole turns at 2e-16 each, then turned.
SAME_TURN = 1e-9

# Channel units of at most some tens: the same cubic evaluated in Bezier and in Hermite form.
SAME_CURVE = 1e-10

# Shot units, or entries of a rotation: the same path through two spellings of the same turns.
SAME_PATH = 1e-8

# Degrees by which a bent curve may miss its limit: what bisection leaves of angles near 30, ten times over.
WITHIN_LIMIT = 1e-8


# --- several of these tests ---------------------------------------------------------------------------------

# px per shot unit, and relative: a central difference of pixels with DERIVATIVE_STEP.
PIXEL_DERIVATIVE = 1e-5

# Channel units: an L1 optimum, exact where it lies on the rules, from values typed to 4 decimals.
CURED = 2e-6

# Channel units and units per frame: twice the tolerance of rows, 1e-6.
LIMIT = 2e-6


# --- cause --------------------------------------------------------------------------------------------------

# Channel units (or units per frame): amounts solved so that a key obeys its rule, from values typed to 4 decimals.
FOUND = 1e-6

# No unit: components of a quaternion; its keys obey the rule in all four only up to the unit length of the fault.
FOUND_QUATERNION = 5e-3


# --- curve --------------------------------------------------------------------------------------------------

# Units per frame: a one-sided difference over 1e-6 frames, f''/2 times the step plus 1e-15 over it.
FORWARD = 1e-5


# --- habit --------------------------------------------------------------------------------------------------

# Units per frame: slopes of some 30 keys through one banded or dense system of well-conditioned numbers.
RULE = 1e-10

# Share of keys: of those that follow one rule exactly, pseudo-keys and coinciding rules take up to a fifth.
FOLLOWED = 0.8


# --- motion -------------------------------------------------------------------------------------------------

# Shot units (or, times the focal length, px) per natural unit: central differences with DERIVATIVE_STEP of turns
# by up to some degrees a unit.
MOTION_DERIVATIVE = 1e-7

# Channel units and units per frame, and relative: central differences with 1e-5 frames beside a hull.
HULL = 1e-6


# --- pose ---------------------------------------------------------------------------------------------------

# Radians by which a half turn's vector may exceed pi through rounding.
HALF_TURN = 1e-15


# --- third differences --------------------------------------------------------------------------------------

# Relative: a sixth root and a sine there and back.
SAME_FREQUENCY = 1e-9


# --- smooth -------------------------------------------------------------------------------------------------

# Share of sigma: a median of about 100 fourth differences that overlap is known to a tenth; twice that.
NOISE_ESTIMATE = 0.2

# Degrees: what a smoothing of noise of 0.2 deg changes at least somewhere in a hundred frames.
SMOOTH_CHANGE = 0.1


# --- suggest ------------------------------------------------------------------------------------------------

# Channel units: pinned frames after numbers are rounded to 4 decimals at least, or rows kept to 1e-6.
SPELLED = 1e-4
