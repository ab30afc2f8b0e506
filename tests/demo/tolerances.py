"""Tolerances of this folder's tests, each with its unit and the reason for its size."""

# Channel units per frame: half a unit of the fifth decimal, to which the demo's slopes are typed.
TYPED_SLOPE = 5.1e-6

# Metres: what planted feet may drift between the keys of a leg; 5 mm is where sliding is flagged (our judgement).
DEMO_FOOT = 5e-3

# Metres: what a grip may slip between the keys of an arm, about 3 px in the demo's shot.
DEMO_GRIP = 8e-3
