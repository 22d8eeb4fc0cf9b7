"""A venue's calendar."""
