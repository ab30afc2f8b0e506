"""Tolerances of this folder's tests, each with its unit and the reason for its size."""

# --- several of these tests ---------------------------------------------------------------------------------

# Degrees: one sample led through again by least jerk, in a motion of 1.1 Hz sampled at 12 fps or more.
REFILLED = 0.4

# Channel units: a banded factor against dense least squares, samples of some tens.
LED = 1e-7

# Probability: the share of two thousand draws is known to 0.011 (binomial law).
CHANCE = 0.025

# Degrees, or degrees a frame: slopes of planted keys are differences over 1e-5 frames, on curves of some 20 degrees.
SAME_SHAPE = 1e-4

# px: SAME_SHAPE at each of some six angles above a point that moves by some ten px a degree.
SEEN_ALIKE = 1e-2

# px [judge]: what nobody sees; a few keys of a shot retimed as a whole stand where no slope tells.
UNSEEN = 0.3

# Degrees of 3: what a key beside others that stand between frames had, which are known as well as curves continue.
AS_SET = 5e-3

# Slope units: a slope that would turn by less than 1e-4 of its unit stays as it was.
SAME_SLOPE = 1.01e-4


# --- attachments --------------------------------------------------------------------------------------------

# Shot units (m): what a cup may move in the hand after its shift; keyed ones turn or swing between the keys by 6 frames
# of a slow wave, whose natural spline is off by some 1e-4.
CARRIED = 5e-4


# --- body ---------------------------------------------------------------------------------------------------

# Channel units of at most some tens: a row of the solver (1e-6), and sums of key values over some ten frames.
ROW_KEYS = 5e-6


# --- both halves --------------------------------------------------------------------------------------------

# Degrees and degrees a frame: a key that is put back to the digit, by a solve in double precision.
KEY_EXACT = 1e-6


# --- contacts -----------------------------------------------------------------------------------------------

# Metres: what a planted foot may drift after a change at the hips (the requirement), and px on screen.
RESTORED_METRES = 5e-3
RESTORED_PIXELS = 1.0

# Metres: where hips stand by four hands and feet that drift by up to 4 mm themselves, in the demo's sound shot.
BACK_METRES = 2e-3

# Metres: a foot that stands still in the benchmark's walk, solved in closed form.
STANDS = 1e-9


# --- drift --------------------------------------------------------------------------------------------------

# Second difference of a drift as a share of its move: rounding of values near 100 deg at 1e-16 each.
DRIFTED = 1e-12


# --- flight -------------------------------------------------------------------------------------------------

# Share of g: parabolas fitted to a parabola, whose centre of mass two programs sum up from the same table.
FALLEN = 1e-3

# Share of g by which a mended flight may miss it: the warning's threshold, 0.15 (Reitsma & Pollard 2003 [pub]).
FALLS = 0.15


# --- gaze ---------------------------------------------------------------------------------------------------

# Degrees: a shift solved by eight Gauss-Newton steps whose error shrinks a hundredfold in each.
LOOK = 1e-6

# Degrees: a look whose keys miss their target by 0.3 at random is put back by the median of that.
LOOK_BACK = 0.25

# Degrees: what a natural spline through keys 4 frames apart is beside an arctangent, and the median of that.
FOLLOWED_LOOK = 0.02


# --- joints -------------------------------------------------------------------------------------------------

# Share of the energy: the filter's slope isn't symmetric in its square near the ends of the band.
WHITE_SHARE = 0.06

# Share of a level: twelve noises of fifty frames, of which each is known to a tenth.
NOISE_LEVEL = 0.1

# Frames, the median of twelve: the first or the last draw of a noise is small as often as not.
NOISY_ENDS = 2

# Share: a banded factor against dense matrices, some hundred rows.
LIKELY = 1e-9


# --- limbs --------------------------------------------------------------------------------------------------

# No unit: of a bone's growth, what may be left of it: the median length that counts as usual is off by rounding only.
PUT_BACK = 1e-6


# --- limits -------------------------------------------------------------------------------------------------

# No unit: times the largest third difference of a smooth excursion, that the bent one's may be: the bend's own curve
# about doubles it, a flat cut multiplies it by tens.
BENT = 3.0


# --- loops --------------------------------------------------------------------------------------------------

# Relative: pixels a degree computed by hand to three digits.
SEAM = 2e-3

# Relative: noise of 0.01 deg, twice the fourth difference over 6, on a gap of a degree.
NOISY_SEAM = 0.1

# Share of a straight drift that a minimum-jerk lead-back leaves (RMS over the second): 0.17 to 0.18 at 12 to 60 fps.
LED_BACK = 0.2


# --- screen -------------------------------------------------------------------------------------------------

# px: a displacement planted in px in a path that is even to less than this.
OFF_PATH = 0.1


# --- slide --------------------------------------------------------------------------------------------------

# Share of a key's move that may be left when the slide of hands or feet has told it: these drift by up to 4 mm of 30 to
# 60 in the demo's sound shot.
KEY_PUT_BACK = 0.03

# The same of neighbouring keys, by the curve at the worst: 4 mm at the end of a leg of 0.86 m are 0.27 of 4 deg.
KEYS_PUT_BACK = 0.07

# Metres: places of a leg of some 0.9 m turned by the same angle in two ways, in double precision.
SAME_PLACE = 1e-10

# Share of a slide's squares: a few hundred squares of metres added in another order, near 1.
SAME_SHARE = 1e-11


# --- trace --------------------------------------------------------------------------------------------------

# Share: the first-order share of a residual, where turns of some degrees bend the path by a few per cent.
TRACED = 0.06

# px, root mean square over all points and frames: what other flags of a planted clip leave.
JUMP_PUT_BACK = 0.1
