"""Mistakes made on purpose in the node, each in place of the right code for a while: what a model of the server is
enough to find, and within how many hours of those that can show it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any
from unittest.mock import patch

from machines.model.profile import Profile
from machines.node.work.plate_cache import PlateCache
from tests.modelled.scenario import draw
from tests.simulated.wrongs import WRONGS as ALL
from tests.simulated.wrongs import Wrong

_right_dots = PlateCache.dots


def _next_dots(self: PlateCache, digest: str, first: int, end: int, profile: Profile) -> Any:
    return _right_dots(self, digest, first + 1, end + 1, profile)


WITHIN: Mapping[str, int] = {
    "orders-forgotten": 60,
    "not-sent-again": 10,
    "word-not-heeded": 10,
    "resumes-by-itself": 40,
    "jam-not-held": 60,
    "fence-not-kept": 10,
    "paper-forgotten": 20,
    "cuts-unarmed": 20,
    "armed-for-ever": 40,
    "position-slips": 5,
}

WRONGS: Mapping[str, Wrong] = {
    **{name: replace(ALL[name], where="seeds", draw=draw, within=within) for name, within in WITHIN.items()},
    "plate-turned": Wrong(
        says="a column gets the dots of the one after it",
        put=lambda: patch.object(PlateCache, "dots", _next_dots),
        draw=draw,
        within=2,
    ),
}
