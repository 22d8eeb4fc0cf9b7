"""Whom to tell of what is amiss, and when: what is found, what belongs together, and who is told of it."""
