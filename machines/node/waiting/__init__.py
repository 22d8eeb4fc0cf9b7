"""Waiting without looking: for an instant, for news, for another process."""
