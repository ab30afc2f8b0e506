"""Tolerances of this folder's tests, each with its unit and the reason for its size."""

# --- several of these tests ---------------------------------------------------------------------------------

# Degrees or units: half of the sixth decimal, and binary rounding beside it.
RESPELLED = 0.500001e-6

# Relative: the same deviation summed up along another way through the rig, sines and roots at 2e-16 each.
SAME_DEVIATION = 1e-7

# Times sigma: what is left of noise of 0.3 deg on motion up to 3 Hz, root mean square.
NOISE_LEFT_OVER = 0.45

# Times sigma: the largest error within an eighth of a second of a marked cut; of noise alone 3 are usual.
BREAK_KEPT = 4.0

# Share of the third difference that noise leaves over a loop's seam.
SEAM_STEP = 0.01

# Share of sigma: the median over three joints of 4 s each, white.
NOISE_TOLD = 0.15


# --- branches -----------------------------------------------------------------------------------------------

# Entries of a rotation: angles of some thousand degrees, each known to 1e-13 of itself, through sines.
SAME_TURN_MATRIX = 1e-9


# --- clip ---------------------------------------------------------------------------------------------------

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

# deg of turn, root mean square: what is left is the rounding of a file's decimals (nothing was found).
AGAIN = 1e-4

# px: what a second cleaning may move at most.
AGAIN_SEEN = 0.1

# Share of new noise of 0.3 deg that is left of it, by the median (0.57 to 0.58 found: captures are quick).
NEW_NOISE_LEFT = 0.65

# deg: planted spikes of 5 to 10 deg, once mended, by the median (0.05 to 0.2 found).
NEW_SPIKE_LEFT = 0.5

# Share of them that is found; one of the captures jerks its head as far by itself (27 of 30 found).
NEW_SPIKES_FOUND = 0.85


# --- denoise ------------------------------------------------------------------------------------------------

# deg of turn, root mean square: a gap of a sixth of a second in motion whose speed is known through noise of 0.3 deg.
GAP_FILLED = 1.5

# Times: how much rougher at least a motion is that is smoothed half as strongly.
TIMES_STRONGER = 1.3

# Of the largest step of a noisy row: the way into pinned samples is no quicker; left beside them, it jumped by 5 to 10.
TORN = 1.5

# Times sigma: the largest error of a corner that isn't marked; smoothing at the clip's 5 Hz would leave 20.
CORNER_KEPT = 6.0

# Times: error of a turn that passes gimbal lock beside that of the same turn away from it.
LOCK_NO_WORSE = 1.15

# deg: a sample of motion without noise, filled from its neighbours.
SPIKE_GONE = 0.01


# --- few_frames ---------------------------------------------------------------------------------------------

# Share of sigma: medians of some 300 squares of normal noise.
LEVEL_TOLD = 0.15


# --- loop ---------------------------------------------------------------------------------------------------

# Share of what a smoothing moves: noise told from 4 s in other windows differs by some hundredths.
SAME_LOOP = 0.15


# --- noise --------------------------------------------------------------------------------------------------

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


# --- rate ---------------------------------------------------------------------------------------------------

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


# --- reduce -------------------------------------------------------------------------------------------------

# Relative: a difference quotient with a step of 1e-5 of a channel's unit, whose second order is left out.
FORM = 1e-4
# Of a form: places 2^30 units off keep 2e-7 of a bone 0.3 long, and a form is made of their squares.
FAR_AWAY = 1e-5


# --- smoother -----------------------------------------------------------------------------------------------

# Channel units of some tens: a banded factor against a dense solve of a matrix whose entries span 1e6.
DENSE_SOLVE = 1e-7

# Channel units of some hundred: a parabola under a penalty a million times the noise's weight.
QUADRATIC_KEPT = 1e-5

# Share of an amplitude: half of it at the asked frequency; the clip's ends reach a little way in.
HALF_LEFT = 0.005

# Channel units: samples held 1e8 times as firmly as noise of 1.
LEAST_JERK_HOLE = 1e-4


# --- spikes -------------------------------------------------------------------------------------------------

# Share of a joint's frames: 1 good sample in 2000 taken for a spike, which costs little, for it is filled.
FALSE_SPIKES = 0.0005

# Share of a capture's samples of all joints: 0.7 to 1.2 in a thousand were found, some of them spikes indeed.
FALSE_IN_CAPTURES = 0.003


# --- there_and_back -----------------------------------------------------------------------------------------

# Share of spikes of 25 to 33 deg on one frame that is found in made motion, and in captured clips, whose punches fill
# few frames of 24 a second (0.84 to 1.0; by their noise and quickness alone it was 0.3 to 0.7 there).
FAR_SPIKES_FOUND = 0.97
FAR_SPIKES_FOUND_IN_CLIPS = 0.82

# Share of them that is found or told of, down to 12 frames a second (0.79 to 1.0).
FAR_SPIKES_TOLD = 0.75

# Samples of 10 s of a clip that are told of without being spikes: as quick as that are its feet, 12 times a second.
DOUBTS_IN_CLIPS = 10

# deg: three times what is left of coloured noise of 1.5 deg.
FAR_SPIKE_LEFT = 4.5


# --- stretches ----------------------------------------------------------------------------------------------

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


# --- planted feet of captured clips -------------------------------------------------------------------------

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

# Of what the first cleaning moves (goal), root mean square of all turns: what a second one may, feet included.
AGAIN_PLANTED = 0.05

# Times the largest, or the root mean square: second differences of a knee's bend beside those of the sound motion.
KNEE_KEPT = 1.6

# mm a frame at 120 frames a second: a minimum-jerk move of 50 mm within 0.08 s goes 10 mm in a frame at most.
STEP_OF_A_MOVE = 10.0

# Share of a twitch that a foot keeps whose knee was nearly straight at its height.
LEFT_OF_TWITCH = 0.3

# Share of the slide that damped least squares may leave of a foot that can't turn freely.
LEFT_TO_SLIDE = 0.2

# Root mean square of a standing foot's speed, over that of the smoothing that doesn't know that it stands.
RESTED = 0.4

# Share of a shuffle's 60 mm within a contact that may be lost, under noise of 4 mm.
SHUFFLE_LOST = 0.1

# m: what speeds of 2.5 m/s at most, as likely as any, take from the peak of a step of 0.6 m in 0.6 s (1.9 m/s).
UNDER_WAY_CHANGES = 0.002

# Times what noise made of joints' places: what cleaning may leave of it (goal), rounding of the last bit beside it.
NO_WORSE = 1.0 + 1e-12

# Times what noise made of the places of a walk's joints.
WALK_CLEANED = 0.8

# Share of a pinned pose's 12 deg that the motion may go in one frame.
LEADS_TO_A_POSE = 0.6

# Times the largest noise beside a pinned range that the cleaned motion may be off there.
BESIDE_A_PIN = 0.7
