"""Feet put where they stand: contacts, how far each must be moved, one limb at a time."""
