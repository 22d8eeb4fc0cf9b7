"""What a seed stands for, in a few letters: a test that plays seeds for what they once found sees where they change."""

from __future__ import annotations

from dataclasses import MISSING, fields
from hashlib import sha256

from tests.faults.scenario import Scenario


def pinned(scenario: Scenario) -> str:
    """Letters of what a scenario is. A field that is as it is where nobody says otherwise is left out, so that a new
    one changes nothing of old scenarios."""
    said = {one.name: getattr(scenario, one.name) for one in fields(scenario) if one.name != "seed"}
    said["neighbours"] = tuple(map(pinned, scenario.neighbours))
    defaults = {one.name: one.default for one in fields(scenario) if one.default is not MISSING}
    told = [f"{name}={value!r}" for name, value in said.items() if name not in defaults or value != defaults[name]]
    return sha256(" ".join(told).encode()).hexdigest()[:12]
