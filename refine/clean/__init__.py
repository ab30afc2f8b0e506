"""Captured motion made clean: one clip after the other, and a folder of them at a time."""
