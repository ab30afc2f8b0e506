"""The weight of a body: its masses, how a part answers a stop, and what an arrival should do."""
