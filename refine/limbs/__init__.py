"""The limbs of a rig: which they are, where they stand planted, and moving one as a whole."""
