"""What stands in every lane: venues, a picture, and two models of machine."""

from __future__ import annotations

from typing import Any

from server.demo.processes import Studio
from tests.faults.options import hours_of_the_venue

# The one has no hours, and is never closed as far as anybody knows.
VENUES = ("net-store", "net-loft")
_VENUE = {
    "name": "The Net Store",
    "latitude_degrees": 47.57,
    "longitude_degrees": -52.70,
    "zone": "America/St_Johns",
}
SOURCE = {"name": "The land of the world", "picture": {"kind": "map", "projection": "mercator"}}
_MACHINE = {
    "columns_per_turn": 720,
    "mm_per_turn": 360.0,
    "dots_across": 64,
    "print_width_mm": 64.0,
    "highest_mm_per_hour": 60.0,
    "knife": {"head_to_knife_mm": 5.0, "cuts_per_blade": 4000},
    "media": {"width_mm": 80.0, "caliper_mm": 0.1, "roll_m": 50.0},
}
PROFILES: dict[str, dict[str, Any]] = {
    "crawl": _MACHINE
    | {
        "name": "Sandpiper, a line head that crawls",
        "columns_per_burst": 1,
        "head": {"kind": "line", "dot_current_a": 0.03, "supply_current_a": 0.6, "strobe_s": 0.002},
    },
    "burst": _MACHINE
    | {
        "name": "Dunlin, a carriage in bursts",
        "columns_per_burst": 16,
        "head": {"kind": "carriage", "nozzles": 12, "passes": 3, "drop_pl": 10.0},
    },
    # These two stand beside, for the prefixes that are branched: a head with the other's cadence.
    "stride": _MACHINE
    | {
        "name": "Turnstone, a line head in bursts",
        "columns_per_burst": 16,
        "head": {"kind": "line", "dot_current_a": 0.03, "supply_current_a": 0.6, "strobe_s": 0.002},
    },
    "glide": _MACHINE
    | {
        "name": "Knot, a carriage that crawls",
        "columns_per_burst": 1,
        "head": {"kind": "carriage", "nozzles": 12, "passes": 3, "drop_pl": 10.0},
    },
}


def furnish(studio: Studio) -> None:
    """Create all of it."""
    for id in VENUES:
        studio.create("venues", {"id": id, **_VENUE})
    open_as_furnished(studio)
    studio.create("sources", {"id": "land", **SOURCE})
    for id, profile in PROFILES.items():
        studio.create("profiles", {"id": id, "profile": profile})


def open_as_furnished(studio: Studio) -> None:
    """The venue with hours has those that scenarios go by, whatever the scenario before it made of them."""
    path, hours = f"venues/{VENUES[1]}", hours_of_the_venue()
    stands = studio.get(path)["hours"]
    if stands is None or stands["week"] != hours["week"] or stands["dates"]:
        studio.put(f"{path}/hours", hours)
