"""Keeping views up to date, and asking how they were."""
