"""What a plate is drawn from, as one digest. Drawing goes by nothing else: where that is equal, so is the plate,
whoever has it drawn. Most machines of a model print the same picture, and many the same Moon."""

from __future__ import annotations

import hashlib
from dataclasses import fields
from functools import cache
from importlib.metadata import version
from typing import Any

import numpy as np
from pyproj import proj_version_str

from machines.imaging.pictures import SkyNumbers, as_json
from machines.model.profile import Profile
from machines.serialization import unstructure
from scheduling.log.codec.canonical_json import canonical
from scheduling.rendering.render import RenderSource

# What decides the dots besides this program: arithmetic, the uploaded file's pixels and the coasts' edges, projections.
# What computes the sky is not among them, as its numbers are in the recipe themselves.
DRAWN_WITH = ("dayroll", "numpy", "pillow", "pyproj")


def recipe_of(original: RenderSource, profile: Profile, sky: SkyNumbers) -> str:
    """The SHA-256 of all that `scheduling.rendering.render.plate_under` goes by, in hexadecimal.

    Another release may draw otherwise, of this program or of what it draws with, so their names are in it.

    Args:
        original, profile: see there.
        sky: the numbers of the turn.
    """
    drawn_from = {
        "releases": _releases(),
        "picture": as_json(original.picture),
        "upload": None if original.upload is None else hashlib.sha256(original.upload).hexdigest(),
        "method": original.method,
        "curve": None if original.curve is None else unstructure(original.curve),
        "columns": profile.columns_per_turn,
        "rows": profile.dots_across,
        "width_mm": profile.mm_per_turn,
        "height_mm": profile.print_width_mm,
        "travel": profile.travel,
        "sky": _numbers(sky),
    }
    return hashlib.sha256(canonical(drawn_from).encode()).hexdigest()


@cache
def _releases() -> dict[str, str]:
    return {name: version(name) for name in DRAWN_WITH} | {"proj": proj_version_str}


def _numbers(sky: SkyNumbers) -> dict[str, Any]:
    """The sky's, to the last bit. The instant says what they are for, and nothing is drawn by it."""
    named = {field.name: getattr(sky, field.name) for field in fields(sky) if field.name != "instant"}
    return {name: None if value is None else _digest(value) for name, value in named.items()}


def _digest(value: Any) -> str:
    return hashlib.sha256(np.asarray(value, dtype=np.float64).tobytes()).hexdigest()
