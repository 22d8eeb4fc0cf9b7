"""Chance that follows from a seed."""

from __future__ import annotations

from random import Random

from machines.chance import Chance


def seeded(seed: object) -> Chance:
    """Whatever is drawn of it follows from the seed, and from what was drawn before."""
    return Chance(Random(f"all that is drawn in {seed}").randbytes)
