"""Looking for faults as an experienced eye does: over every control, through the shot's camera.

Each family of faults is a module with `find(stage) -> Iterator[Flag]`; FAMILIES lists them, and a test compares that
list with the folder.
"""
