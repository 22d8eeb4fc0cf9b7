"""Models of our own invention that a new one can start from: plausible numbers, none of a machine that is sold."""

from __future__ import annotations

from typing import Any

# What the picture needs, and what the parts of a machine are, in the fields of the form of a model.
_CARRIAGE: dict[str, Any] = {"head": "carriage", "idle_drops": 40, "idle_every": 3600, "drop": 10}
_LINE: dict[str, Any] = {"head": "line", "dot_current": 0.03, "supply_current": 2, "strobe": 0.002}
_CUT: dict[str, Any] = {"end": "cut", "cuts": 4000}
_USUAL: dict[str, Any] = {"travel": "right", "clock": 0.5, "slip": 0.5}

STARTING_MODELS: dict[str, tuple[str, dict[str, Any]]] = {
    "plover": (
        "a carriage that prints in bursts, cut",
        _USUAL | _CARRIAGE | _CUT
        | {"name": "Plover", "columns": 840, "turn": 480, "dots": 315, "width": 180, "burst": 14, "highest": 80}
        | {"nozzles": 12, "passes": 3, "cartridge": 40, "knife": 60}
        | {"paper": 210, "caliper": 0.105, "roll": 50},
    ),
    "linnet": (
        "a line head that crawls, wound up",
        _USUAL | _LINE
        | {"name": "Linnet", "columns": 900, "turn": 360, "dots": 350, "width": 140, "burst": 1, "highest": 60}
        | {"end": "wound", "paper": 160, "caliper": 0.08, "roll": 60},
    ),
    "bittern": (
        "a wide carriage with an encoder on its paper, cut",
        _USUAL | _CARRIAGE | _CUT
        | {"name": "Bittern", "columns": 2880, "turn": 960, "dots": 1200, "width": 400, "burst": 24}
        | {"highest": 120, "nozzles": 48, "passes": 2, "cartridge": 130, "knife": 120, "encoder": 0.05}
        | {"paper": 420, "caliper": 0.16, "roll": 30},
    ),
    "dunlin": (
        "a narrow line head with a knife, for small rooms",
        _USUAL | _LINE | _CUT
        | {"name": "Dunlin", "columns": 1440, "turn": 180, "dots": 384, "width": 48, "burst": 1, "highest": 40}
        | {"knife": 25, "paper": 57, "caliper": 0.06, "roll": 18},
    ),
}  # fmt: skip
