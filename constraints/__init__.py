"""What a solution must keep, and what it is charged for. Knows nothing of refine."""
