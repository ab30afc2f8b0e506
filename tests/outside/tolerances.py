"""Tolerances of this folder's tests, each with its unit and the reason for its size."""

# --- several of these tests ---------------------------------------------------------------------------------

# No unit: the digits that a published number was printed with (eight decimals).
PRINTED_8 = 5e-9

# Shot units: half a unit of the sixth decimal, with which reference places were printed.
PRINTED_6 = 5.1e-7

# Shot units: a library that computes with 32-bit floats (6e-8 relative), some ten joints, places up to 200 units.
SINGLE_PRECISION_PLACE = 1e-4


# --- body ---------------------------------------------------------------------------------------------------

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

# Share: the quadrature of a driven part's answer, 400 steps and 800 times, against an integration to 1e-8.
LANDED = 1e-3


# --- clean --------------------------------------------------------------------------------------------------

# Channel units: the same solution by another factor, times the weight of the penalty.
SAME_WHITTAKER = 1e-9

# deg of a move by 60: sixth differences of a polynomial of the fifth degree are 0, so the least jerk is that curve.
MINIMUM_JERK_FILLED = 1e-8

# No unit, of an amplitude of 1: a windowed sinc's ripple in the band that it passes.
FOURIER = 1e-3


# --- contacts -----------------------------------------------------------------------------------------------

# Share of frames: our planted rule against a published share whose choice of points isn't stated.
PLANTED_SHARE = 0.05

# Share of a stride: textbooks round single support and stance to some hundredths.
TEXTBOOK_SHARE = 0.02


# --- curve --------------------------------------------------------------------------------------------------

# Channel units (or radians): two libraries' ways to the same cubic of numbers up to 100, or to the same turn.
LIBRARY_CURVE = 1e-9

# No unit: the digits that the easings' values were printed with (nine decimals).
PRINTED_9 = 5.1e-10


# --- flight -------------------------------------------------------------------------------------------------

# Share of g: whole flights of 0.35 s on an optical capture, a skeleton without soft tissue and an average man's masses.
CAPTURED_FALL = 0.1


# --- screen -------------------------------------------------------------------------------------------------

# Gain: a windowed sinc is a half at its edge up to the ripple of its window (Hamming, -53 dB) and its short length.
HALF_GAIN = 0.01


# --- solve --------------------------------------------------------------------------------------------------

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


# --- suggest ------------------------------------------------------------------------------------------------

# Share: fourth differences let a quarter less of a walk at 120 Hz pass for noise than third differences do.
CLIP_NOISE = 0.3

# Degrees: the digits that the clip's noise was printed with (three decimals).
PRINTED_3 = 5e-4
