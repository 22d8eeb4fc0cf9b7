"""Paper, ink and blades: what is used, what is left, and when it ends."""
