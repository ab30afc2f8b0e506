"""Faults of every family planted into sound shots, one family a module."""
