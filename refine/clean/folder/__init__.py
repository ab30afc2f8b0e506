"""A folder of clips cleaned unattended: inputs, jobs, schedulers, journal."""
