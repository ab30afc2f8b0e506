"""Samples made few cubic keys that an animator can edit."""
