"""Keeping views up to date, making them anew, and asking how they were."""
