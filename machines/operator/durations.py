"""Lengths of time in words."""

from __future__ import annotations


def duration(seconds: float) -> str:
    """Such as ``2 d 5 h`` or ``40 min``."""
    minutes = round(seconds / 60)
    days, hours = minutes // 1440, minutes % 1440 // 60
    if days:
        return f"{days} d {hours} h"
    return f"{hours} h {minutes % 60} min" if hours else f"{minutes} min"
