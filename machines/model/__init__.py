"""A machine in numbers: its geometry, its head, its cadence, and what was measured of it."""
