"""Pictures of what changes, as plain SVG: what moved, by how much and why."""
