"""Tolerances of this folder's tests, each with its unit and the reason for its size."""

# --- clean benchmark ----------------------------------------------------------------------------------------

# Share of a clip's own noise, by sixth differences: a curve through keys 8 samples apart or more has hardly any.
NOISE_LEFT = 0.2

# mm: what fitted keys miss a clip by, noise included.
TRUTH_FROM_CLIP = 4.0

# Relative: the RMS of some hundred thousand draws, coloured ones counting for a tenth of that.
DRAWN_RMS = 0.02

# Relative: the same of one channel's 1200, five sigmas (white 0.02 each, coloured 0.04).
DRAWN_RMS_OF_ONE = 0.2

# Relative: some hundred spikes over four seeds at the smallest share, two and a half sigmas.
DRAWN_SHARE = 0.25

# Relative: Welch's estimate from some 230 half overlapping windows, five sigmas.
SPECTRUM = 0.4

# mm: the same rotations from other angles, points up to some metres from the root.
MM_OF_THE_SAME_POSE = 1e-6

# Share: a damped step overshoots its slide a little where the leg is nearly straight.
OVER_A_STRETCHED_LEG = 1.1

# deg: hip and knee of a leg whose foot slides by 60 mm turn by 4 and 8 at most where it bends; torn ones by 15 to 30.
LEG_OF_A_SLIDE = 10.0

# Channel units: two banded factorisations of matrices with a condition of 1e7, on samples of 20.
BANDED_TWICE = 1e-7

# Share of the residual: GRID's weights stand 10 % of a frequency apart, and the least GCV is flat.
GRID_OF_WEIGHTS = 0.2

# Parameters: traces at the largest weight, with a condition of 3e11.
TRACE = 1e-3

# Gain: a wave's mean over whole periods up to its share of a period.
FAR_FROM_THE_ENDS = 0.01

# Gain: the common factor 0.802 is meant for the continuous filter.
FILTER_GAIN = 0.01

# Relative: the median over 93 channels of an estimate from 1200 samples each, motion adding a little.
NOISE_FOUND = 0.05

# Relative: filtered angles of two branches differ by rounding, and where a branch begins.
OTHER_BRANCH = 1e-6

# Relative: a leg's length by the median of nine frames, of a whole clip or of part of it.
SCALE_OF_A_WINDOW = 1e-3


# --- corpus -------------------------------------------------------------------------------------------------

# No unit, of an amplitude of 1: a 6th-order Butterworth run twice at 0.24 of its edge leaves 1 - 4e-8, the
# cubic spline through 60 samples a cycle 1e-6, the filter's start a second earlier the rest.
PASS_BAND_RIPPLE = 1e-4

# No unit, of an amplitude of 1: the same filter at 2.4 times its edge leaves (1 + 2.4^12)^-1 = 3e-5 at most.
STOP_BAND_REST = 1e-4

# Radians: the magnitude of a small rotation comes from a quaternion, whose rounding of 2e-16 it doubles.
TURN = 1e-12


# --- faults -------------------------------------------------------------------------------------------------

# Relative: a share comes back from a difference of values up to 1000 times larger.
SHARE = 1e-9

# Relative: a bulge read at 64 samples a frame misses its peak by half a sample; the square of that share.
BETWEEN_SAMPLES = 1e-3


# --- scoreboard ---------------------------------------------------------------------------------------------

# Share: planted sizes are found by bisection to 2 %; a foot led by its leg, or a step among keys, comes no nearer.
PLANTED = 0.1

# Share: an estimate of noise's power from 48 frames, whose cut-off is sharp, against a filter's that isn't.
WELCH = 0.4

# Share: what a keyed foot drifts by between its keys, beside what it is led by.
SLID_BETWEEN_KEYS = 0.25
