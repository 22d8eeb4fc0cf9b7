"""The checks that every picture's parameters pass at the door."""

from __future__ import annotations

import math

from machines.errors import require

# Narrower limits make a map of a place so small that numbers of its far ends no longer fit a drawing library.
NARROWEST_LIMITS_DEGREES = 0.1


def require_between(owner: object, low: float, high: float, *names: str) -> None:
    """Each named attribute is a finite number from ``low`` to ``high``, both included."""
    for name in names:
        value = getattr(owner, name)
        holds = math.isfinite(value) and low <= value <= high
        require(holds, name, f"{value:g} is out of range", f"give a number from {low:g} to {high:g}")


def require_tones(owner: object, *names: str) -> None:
    """Each named attribute is an ink coverage."""
    require_between(owner, 0.0, 1.0, *names)


def require_limits(owner: object, south: str, north: str) -> None:
    """Two attributes are a southern and a northern limit in degrees, in that order."""
    require_between(owner, -90.0, 90.0, south, north)
    low, high = getattr(owner, south), getattr(owner, north)
    remedy = f"give a southern limit at least {NARROWEST_LIMITS_DEGREES:g} degrees below the northern"
    require(high - low >= NARROWEST_LIMITS_DEGREES, south, f"{low:g}, with {north} at {high:g}", remedy)
