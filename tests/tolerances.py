"""Every tolerance of the tests, with its unit and the reason for its size. No test has one of its own."""

# --- kinematics and projection -----------------------------------------------------------------------------

# Shot units, and relative: some ten products of matrices of numbers near 10, at 2e-16 each.
PLACE = 1e-11

# No unit: entries of a rotation matrix, at most four products of numbers below 1.
MATRIX = 1e-13

# Radians by which a half turn's vector may exceed pi through rounding.
HALF_TURN = 1e-15

# Channel units: balances h^2 f'''/6 against 1e-15 f / h; both are then below 1e-9 for f near 10.
DERIVATIVE_STEP = 1e-5

# Shot units per channel unit, and relative: the error of a central difference with that step, ten times over.
DERIVATIVE = 1e-8

# px: coordinates up to some thousands of px through a division by depth, at 2e-16 each.
PIXEL = 1e-9

# px per shot unit, and relative: a central difference of pixels with DERIVATIVE_STEP.
PIXEL_DERIVATIVE = 1e-5

# No unit: the digits that a published number was printed with (eight decimals).
PRINTED_8 = 5e-9

# Shot units: the digits that a reference position was printed with (six decimals).
PRINTED_6 = 5e-7

# Shot units: a library that computes in single precision, some twenty products of places near 50 at 6e-8.
SINGLE_PRECISION_PLACE = 1e-4


# --- the corpus of faults ----------------------------------------------------------------------------------

# No unit, of an amplitude of 1: a 6th-order Butterworth run twice at 0.24 of its edge leaves 1 - 4e-8, the
# cubic spline through 60 samples a cycle 1e-6, the filter's start a second earlier the rest.
PASS_BAND_RIPPLE = 1e-4

# No unit, of an amplitude of 1: the same filter at 2.4 times its edge leaves (1 + 2.4^12)^-1 = 3e-5 at most.
STOP_BAND_REST = 1e-4

# Degrees (or shot units): sums of some ten products of numbers up to some hundred, through arcsin or splines.
ANGLE = 1e-9

# Radians: the magnitude of a small rotation comes from a quaternion, whose rounding of 2e-16 it doubles.
TURN = 1e-12

# Relative: a share comes back from a difference of values up to 1000 times larger.
SHARE = 1e-9

# Relative: a bulge read at 64 samples a frame misses its peak by half a sample; the square of that share.
BETWEEN_SAMPLES = 1e-3


# --- text formats ------------------------------------------------------------------------------------------

# Relative: half a unit of float64's last place, twice over, between a decimal text and its number.
TEXT_ROUNDING = 3e-16

# Shot units: Euler angles or quaternions to matrices and back at 2e-16, times lengths of some ten units.
REWRITTEN_PLACE = 1e-11

# Degrees: arctan2 of matrix entries with errors of some 1e-16, times 57.
REWRITTEN_ANGLE = 1e-11

# No unit: matrix entries rebuilt from angles within 1e-8 of a gimbal lock, whose angles are known to that.
NEAR_LOCK = 3e-8

# Shot units: bvhio computes with 32-bit floats (6e-8 relative): some ten joints, places up to 200 units.
SINGLE_PRECISION_PLACE = 1e-4

# Shot units: the digits that a published place was printed with (six decimals).
PRINTED_6 = 5.1e-7


# --- constraints and solvers ---------------------------------------------------------------------------------

# Channel units: a row that is built to hold exactly, after sums of some ten numbers near 30.
ROW = 1e-9

# Relative: two ways to the same sum of some hundred squares.
COST = 1e-10

# Relative to the largest entry: products of small whole numbers added in another order.
SUM_ORDER = 1e-13

# Channel units of about 20: our backends among each other where the Hessian's condition is below 1e9.
BACKENDS = 1e-7

# The same where a weight of 1e8 stands beside 1: rounding of 2e-16 * 64e8, through the worst direction.
BACKENDS_ILL = 2e-5

# Relative: merits of two solutions that are both optimal to their solvers' gaps (1e-10 at least).
MERIT = 1e-8

# Channel units: Clarabel meets cones within 1e-10 of its scaled data; their square root is what x shows.
CONIC = 2e-5

# Share of the largest gradient: what is left of it at a stationary point, tangential to the rows.
STATIONARY = 1e-5

# Unknowns near 1: where scipy's constrained minimisers stop (their own tolerances are 1e-12 on the cost).
MINIMISER = 3e-5

# Printed digits of the reference libraries' numbers, relative to numbers below 1.
PRINTED_10 = 1e-10
PRINTED_11 = 5e-11

# Agreement that osqp and clarabel reach on the locked problem (2e-13 and 8e-11 were measured), with a margin.
OSQP_CLARABEL = 1e-9

# Relative: discrete minimum jerk against the continuous one, O(1/N^2) at N = 400 with a constant below 10.
JERK_GRID = 1e-4

# Relative: integrals of squared jerk on the same grid, and the one-sided ends of its differences.
JERK_INTEGRAL = 5e-3

# Gain: a cosine in the middle of 4000 samples, where the ends' influence has died down.
GAIN = 1e-9

# Channel units: the discrete smoother against the continuous smoothing spline on the same samples.
SPLINE = 1e-9


# --- the demo's shot and the pictures ------------------------------------------------------------------------

# Channel units per frame: half a unit of the fifth decimal, to which the demo's slopes are typed.
TYPED_SLOPE = 5.1e-6

# Metres: what planted feet may drift between the keys of a leg; 5 mm is where sliding is flagged (our judgement).
DEMO_FOOT = 5e-3

# Metres: what a grip may slip between the keys of an arm, about 3 px in the demo's shot.
DEMO_GRIP = 8e-3

# Share of the body: half a unit of the fourth decimal, with which segment masses were published.
PRINTED_4 = 5.1e-5

# Page units: pictures are written with two decimals, and a length is the difference of two of them.
PAGE = 0.0101


# --- curves --------------------------------------------------------------------------------------------------

# Channel units, values near 10: the root of a cubic to its last bits, through at most four products.
CURVE = 1e-12

# Units per frame: a one-sided difference over 1e-6 frames, f''/2 times the step plus 1e-15 over it.
FORWARD = 1e-5

# Channel units (or radians): two libraries' ways to the same cubic of numbers up to 100, or to the same turn.
LIBRARY_CURVE = 1e-9

# No unit: the digits that the easings' values were printed with (nine decimals).
PRINTED_9 = 5.1e-10


# --- the search and the cure ---------------------------------------------------------------------------------

# Units per frame: slopes of some 30 keys through one banded or dense system of well-conditioned numbers.
RULE = 1e-10

# Share of keys: of those that follow one rule exactly, pseudo-keys and coinciding rules take up to a fifth.
FOLLOWED = 0.8

# Channel units (or units per frame): amounts solved so that a key obeys its rule, from values typed to 4 decimals.
FOUND = 1e-6

# No unit: components of a quaternion; its keys obey the rule in all four only up to the unit length of the fault.
FOUND_QUATERNION = 5e-3

# No unit: sums and quotients of some ten numbers below 10.
ARITHMETIC = 1e-12

# Shot units (or, times the focal length, px) per natural unit: central differences with DERIVATIVE_STEP of turns
# by up to some degrees a unit.
MOTION_DERIVATIVE = 1e-7

# Channel units and units per frame, and relative: central differences with 1e-5 frames beside a hull.
HULL = 1e-6

# Channel units: an L1 optimum, exact where it lies on the rules, from values typed to 4 decimals.
CURED = 2e-6

# Channel units and units per frame: twice the tolerance of rows, 1e-6.
LIMIT = 2e-6

# Share of sigma: a median of about 100 fourth differences that overlap is known to a tenth; twice that.
NOISE_ESTIMATE = 0.2

# Degrees: what a smoothing of noise of 0.2 deg changes at least somewhere in a hundred frames.
SMOOTH_CHANGE = 0.1

# px, and share of the first move: what a second suggestion on a refined shot may still move (the contract).
PROMISED_PX = 0.1
PROMISED_SHARE = 0.05

# Channel units: pinned frames after numbers are rounded to 4 decimals at least, or rows kept to 1e-6.
SPELLED = 1e-4

# Relative, channel units near 1e6 at most: rows kept to 1e-6, numbers rounded to 4 decimals at least.
KEPT = 1e-5

# Radians: keyed quaternions whose keys stay are recomputed from the same numbers.
KEPT_TURN = 1e-7

# Share: fourth differences let a quarter less of a walk at 120 Hz pass for noise than third differences do.
CLIP_NOISE = 0.3

# Degrees: the digits that the clip's noise was printed with (three decimals).
PRINTED_3 = 5e-4


# --- contacts and limbs --------------------------------------------------------------------------------------

# Metres: where the damped steps of a leg stop, a hundredth of a mm.
FOLLOWED_PLACE = 1e-5

# Metres: what a leg keyed every third frame may miss between its keys; 5 mm is where sliding is flagged.
PLACED = 2.5e-3

# Metres per degree (or natural slope): central differences with DERIVATIVE_STEP of turns of a 0.9 m leg.
CHAIN_DERIVATIVE = 1e-7

# Metres: what a planted foot may drift after a change at the hips (the requirement), and px on screen.
RESTORED_METRES = 5e-3
RESTORED_PIXELS = 1.0

# Metres: a foot that stands still in the benchmark's walk, solved in closed form.
STANDS = 1e-9

# Share of frames: our planted rule against a published share whose choice of points isn't stated.
PLANTED_SHARE = 0.05

# Share of a stride: textbooks round single support and stance to some hundredths.
TEXTBOOK_SHARE = 0.02


# --- weight ------------------------------------------------------------------------------------------------

# Percent, and seconds at wn = 1: half a unit of the fourth decimal, to which the handbooks' table is printed.
PRINTED_PERCENT = 5.1e-5

# No unit: half a unit of the fifth decimal, to which the smoothness measures were published.
PRINTED_5 = 5.1e-6

# Percent, or seconds of displacement: a peak read off samples 0.1 ms apart, and a library's own integration.
SAMPLED_PEAK = 1e-5

# Shares of a move: a quadrature of 400 steps and a peak searched on 800 times.
DRIVEN = 5e-5

# Units of the last printed place, on top of its half: the table was rounded by hand from rounded inputs.
TABLE = 0.051

# Channel units of at most some tens: a row of the solver (1e-6), and sums of key values over some ten frames.
ROW_KEYS = 5e-6


# --- flags: rotations, gazes, coverage, loops ----------------------------------------------------------------

# Degrees, radians or entries of a rotation: angles up to 400 deg shifted by whole turns at 2e-16 each, then turned.
SAME_TURN = 1e-9


# --- flags of what is seen on screen -------------------------------------------------------------------------

# Degrees: one sample led through again by least jerk, in a motion of 1.1 Hz sampled at 12 fps or more.
REFILLED = 0.4

# px: a displacement planted in px in a path that is even to less than this.
OFF_PATH = 0.1

# Share: the first-order share of a residual, where turns of some degrees bend the path by a few per cent.
TRACED = 0.06

# Degrees: a shift solved by eight Gauss-Newton steps whose error shrinks a hundredfold in each.
LOOK = 1e-6

# Degrees: what a natural spline through keys 4 frames apart is beside an arctangent, and the median of that.
FOLLOWED_LOOK = 0.02

# Relative: pixels a degree computed by hand to three digits.
SEAM = 2e-3

# Relative: noise of 0.01 deg, twice the fourth difference over 6, on a gap of a degree.
NOISY_SEAM = 0.1

# Gain: a windowed sinc is a half at its edge up to the ripple of its window (Hamming, -53 dB) and its short length.
HALF_GAIN = 0.01


# --- flags: flight -------------------------------------------------------------------------------------------

# Share of g: parabolas fitted to a parabola, whose centre of mass two programs sum up from the same table.
FALLEN = 1e-3

# Share of g: whole flights of 0.35 s on an optical capture, a skeleton without soft tissue and an average man's masses.
CAPTURED_FALL = 0.1


# --- the benchmark of cleaning -------------------------------------------------------------------------------

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


# --- cleaning: files -----------------------------------------------------------------------------------------

# Degrees or units: half of the sixth decimal, and binary rounding beside it.
RESPELLED = 0.500001e-6


# --- keys of baked motion ------------------------------------------------------------------------------------

# Relative: the same deviation summed up along another way through the rig, sines and roots at 2e-16 each.
KEPT = 1e-7

# Channel units of at most some tens: the same cubic evaluated in Bezier and in Hermite form.
SAME_CURVE = 1e-10

# Relative: a difference quotient with a step of 1e-5 of a channel's unit, whose second order is left out.
FORM = 1e-4


# --- the scoreboard's planted faults --------------------------------------------------------------------------

# Share: planted sizes are found by bisection to 2 %; a foot led by its leg, or a step among keys, comes no nearer.
PLANTED = 0.1

# Share: an estimate of noise's power from 48 frames, whose cut-off is sharp, against a filter's that isn't.
WELCH = 0.4

# Share: what a keyed foot drifts by between its keys, beside what it is led by.
SLID_BETWEEN_KEYS = 0.25


# --- planted feet of baked clips -----------------------------------------------------------------------------

# Shot units: places of a limb two units long through four turns, and back through Euler angles, at 2e-16 each.
PLACE_OF_LIMB = 1e-9

# Shot units: a knee placed by a search for the least turn, which is flat there: the root of 2e-16, times lengths.
SOLVED_ANGLE = 1e-6

# Radians: bends of a few degrees read off cosines, about an axis that isn't quite square to both bones.
IN_PROPORTION = 2e-5

# Times the truth's own: how fast planted points may move once they were put back (goal).
DRIFT_KEPT = 1.5

# mm, or mm a second: a point that stands, with what a limb's near-straight knee and 24 frames a second leave.
STANDING_STILL = 0.5

# mm a second: what a found contact's ends leave, some 12 of its 200 frames at a sway of 60 mm a second.
FOUND_EDGES = 4.0

# mm a second: the same mean of speeds of some tens, summed up another way.
SAME_SPEED = 1e-6

# mm: what a second run may move (goal).
SECOND_RUN = 0.5

# Shot units, or entries of a rotation: the same path through two spellings of the same turns.
SAME_PATH = 1e-8

# Times the largest, or the root mean square: second differences of a knee's bend beside those of the sound motion.
KNEE_KEPT = 1.6

# mm a frame at 120 frames a second: a minimum-jerk move of 50 mm within 0.08 s goes 10 mm in a frame at most.
STEP_OF_A_MOVE = 10.0

# Share of a twitch that a foot keeps whose knee was nearly straight at its height.
LEFT_OF_TWITCH = 0.3

# Share of the slide that damped least squares may leave of a foot that can't turn freely.
LEFT_TO_SLIDE = 0.2

# Share: noise of 0.1 deg at 120 Hz on a swing of 0.8 s; its second difference falls to what the swing has by itself.
CALMER = 0.5

# Share of g by which a mended flight may miss it: the warning's threshold, 0.15 (Reitsma & Pollard 2003 [pub]).
FALLS = 0.15

# Second difference of a drift as a share of its move: rounding of values near 100 deg at 1e-16 each.
DRIFTED = 1e-12
LED = 1e-7  # channel units: a banded factor against dense least squares, samples of some tens
WHITE_SHARE = (
    0.06  # of the energy: the filter's slope isn't symmetric in its square near the ends of the band
)
NOISE_LEVEL = (
    0.2  # of a level, from the top of twelve noises of two seconds; the filter loses some at their ends
)

# Share: the quadrature of a driven part's answer, 400 steps and 800 times, against an integration to 1e-8.
LANDED = 1e-3


# --- cleaning of captured clips ------------------------------------------------------------------------------

# Entries of a rotation: angles of some thousand degrees, each known to 1e-13 of itself, through sines.
SAME_TURN_MATRIX = 1e-9

# Share of a joint's frames: 1 good sample in 2000 taken for a spike, which costs little, for it is filled.
FALSE_SPIKES = 0.0005

# Share of a capture's samples of all joints: 0.7 to 1.2 in a thousand were found, some of them spikes indeed.
FALSE_IN_CAPTURES = 0.003

# Share of sigma: white noise of 0.1, 0.3 and 1 deg, the median over the rows (goal).
WHITE_FOUND = 0.1

# Share of sigma: noise about 10 Hz, which motion of 3 Hz comes near to (goal).
COLOURED_FOUND = 0.15

# Correlation of neighbouring frames: known to that from some ten channels of 20 s.
COLOUR_FOUND = 0.1

# Share of sigma: coloured noise of 1 deg on captured motion; 4 to 13 % too much was found.
COLOUR_ON_TRUTH = 0.2

# Times the white noise that sixth differences show: what a capture's noise may be told to be, colour included.
OWN_TREMBLE = 2.5

# Relative: sums of products of numbers a hundred times as large.
SAME_NOISE = 1e-6

# Channel units of some tens: a banded factor against a dense solve of a matrix whose entries span 1e6.
DENSE_SOLVE = 1e-7

# Channel units of some hundred: a parabola under a penalty a million times the noise's weight.
QUADRATIC_KEPT = 1e-5

# Share of an amplitude: half of it at the asked frequency; the clip's ends reach a little way in.
HALF_LEFT = 0.005

# Relative: a sixth root and a sine there and back.
SAME_FREQUENCY = 1e-9

# Channel units: samples held 1e8 times as firmly as noise of 1.
LEAST_JERK_HOLE = 1e-4

# Channel units: the same solution by another factor, times the weight of the penalty.
SAME_WHITTAKER = 1e-9

# deg of a move by 60: sixth differences of a polynomial of the fifth degree are 0, so the least jerk is that curve.
MINIMUM_JERK_FILLED = 1e-8

# No unit, of an amplitude of 1: a windowed sinc's ripple in the band that it passes.
FOURIER = 1e-3

# Times sigma: what is left of noise of 0.3 deg on motion up to 3 Hz, root mean square.
NOISE_LEFT_OVER = 0.45

# deg of turn, root mean square: a gap of a sixth of a second in motion whose speed is known through noise of 0.3 deg.
GAP_FILLED = 1.5

# Times: how much rougher at least a motion is that is smoothed half as strongly.
TIMES_STRONGER = 1.3

# Times sigma: the largest error within an eighth of a second of a marked cut; of noise alone 3 are usual.
BREAK_KEPT = 4.0

# Times sigma: the largest error of a corner that isn't marked; smoothing at the clip's 5 Hz would leave 20.
CORNER_KEPT = 6.0

# Times: error of a turn that passes gimbal lock beside that of the same turn away from it.
LOCK_NO_WORSE = 1.15

# No unit, of an amplitude of 1: ripple of the windowed sinc in the band that it passes (goal).
PASSED = 1e-3

# No unit, of an amplitude of 1: -60 dB.
STOPPED = 1e-3

# deg: a ramp of 100 deg through a sinc whose weights add up to 1 and are even.
RAMP_KEPT = 0.002

# deg: motion of some 40 deg, its ends gone on as their mirror, which bends where the motion's speed changes there.
RATE_MOTION = 0.05

# deg a frame: rounding of second differences.
SEAM_SPEED = 1e-6

# Share of the third difference that noise leaves over a loop's seam.
SEAM_STEP = 0.01

# Share of what a smoothing moves: noise told from 4 s in other windows differs by some hundredths.
SAME_LOOP = 0.15

# Share of sigma: the median over three joints of 4 s each, white.
NOISE_TOLD = 0.15

# Share of what a cleaning moves: told backwards, noise is asked in other windows.
REVERSED = 0.1

# deg: a channel upside down.
MIRRORED = 1e-6

# Relative: the same largest move, summed up another way.
SAME_FIGURE = 1e-5

# deg of turn, root mean square: made motion without noise.
MADE_CLEAN = 0.001

# deg of turn, root mean square: curves through keys, whose accelerations jump at each key.
CLEAN_ALREADY = 0.05

# Share of what the first cleaning moved: what the second one moves.
SECOND_CLEANING = 0.05

# Share of its peak speed that an accent of a tenth of a second keeps by default.
SPEED_KEPT = 0.95

# Share: the body's own slow motion is beside the accent's in both.
HALF_SPEED = 0.1

# deg of turn, root mean square above the legs: a capture's tremble is never all told for noise (0.01 to 0.08 found).
AGAIN = 0.1

# deg: a sample of motion without noise, filled from its neighbours.
SPIKE_GONE = 0.01

# deg, or a quaternion's unit: what the end of a stretch does 2 s away, and rounding (2e-11 found).
STRETCHED = 1e-8

# deg or the shot's unit: the same where a gap hangs on what is around it (2e-7 found).
STRETCHED_CAPTURE = 1e-5

# deg: the same, with the frequencies asked for that reach farther.
STRETCHED_SHARPLY = 1e-3

# deg: the same, the ends of the whole being those of a continued loop.
STRETCHED_LOOP = 1e-8

# deg of turn: two nearly equal turns faded by their angles, near gimbal lock; an arc cosine tells 1e-6 at best.
FADED_TURN = 1e-5

# deg: the same for steps of single angles, which race there.
BRANCH_STEP = 1e-3

# Ratio of the root mean squares of third differences at seams and elsewhere: by chance of the noise (0.9 to 1.1).
SEAM_ROUGHNESS = 1.15

# Relative: figures of two results that are 1e-7 apart.
SAME_FINDING = 1e-6

# mm a second: rounding of a foot that is held firm (5e-11 found).
RESTING = 1e-9

# --- lags along a chain ---------------------------------------------------------------------------------------

# frames: the parabola through three correlations of bells 3.5 frames wide; at 12 fps a bell is narrower than 2
LAG = 0.1

# share of a straight drift that a minimum-jerk lead-back leaves (RMS over the second): 0.17 to 0.18 at 12 to 60 fps
LED_BACK = 0.2

# Share of a key's move that may be left when the slide of hands or feet has told it: these drift by up to 4 mm of 30 to
# 60 in the demo's sound shot.
KEY_PUT_BACK = 0.03

# --- limits ------------------------------------------------------------------------------------------------

# Degrees by which a bent curve may miss its limit: what bisection leaves of angles near 30, ten times over.
WITHIN_LIMIT = 1e-8

# No unit: times the largest third difference of a smooth excursion, that the bent one's may be: the bend's own curve
# about doubles it, a flat cut multiplies it by tens.
BENT = 3.0


# --- attachments -------------------------------------------------------------------------------------------

# Shot units (m): what a cup may move in the hand after its shift; keyed ones turn or swing between the keys by 6 frames
# of a slow wave, whose natural spline is off by some 1e-4.
CARRIED = 5e-4


# --- bones -------------------------------------------------------------------------------------------------

# No unit: of a bone's growth, what may be left of it: the median length that counts as usual is off by rounding only.
PUT_BACK = 1e-6


# --- keys that stand between frames ---------------------------------------------------------------------------

# Degrees, or degrees a frame: slopes of planted keys are differences over 1e-5 frames, on curves of some 20 degrees.
SAME_SHAPE = 1e-4

# px: what one mend of such keys may move, a key's own warning (the carried arm adds its turn's second order).
MENDED_PIXELS = 1.1
