"""One channel of a range at a time: what is clear is cured, what isn't becomes a candidate, and why either."""
