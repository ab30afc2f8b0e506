"""Reading and writing, one module a format."""
