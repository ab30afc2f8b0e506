"""How well captured motion is cleaned: a truth, degradations of it, baselines, and figures of what is left."""
