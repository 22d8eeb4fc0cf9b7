"""The print loop and what it decides at each step."""
