"""What a scenario's runs may be like: rules after an outage, cycles, machines, venues."""

from __future__ import annotations

from typing import Any

CYCLES = ("mean-solar-day", "apparent-solar-day", "sidereal-day", "lunar-day")
# Only this one waits for nobody's sky, and only with it a timeline may wait.
PERIOD = "period"
# What follows an outage.
POLICIES: dict[str, dict[str, Any]] = {
    "skip": {"kind": "skip"},
    "replay": {"kind": "replay"},
    "blank": {"kind": "blank"},
    "newest": {"kind": "replay-within", "within": {"value": 0.75, "unit": "hours"}},
    "newest-turn": {"kind": "replay-within", "within": {"value": 0.05, "unit": "turns"}, "half_printed": "finish"},
    "finish": {"kind": "skip", "half_printed": "finish"},
    "abandon": {"kind": "replay", "half_printed": "abandon"},
    "again": {"kind": "skip", "half_printed": "again"},
    "replay-again": {"kind": "replay", "half_printed": "again"},
    "closed": {"kind": "replay", "only_while_closed": True},
    "shift": {"kind": "shift"},
    "shift-again": {"kind": "shift", "half_printed": "again"},
    "shift-abandon": {"kind": "shift", "half_printed": "abandon"},
    "by-cause": {
        "kind": "skip",
        "by_cause": [
            {"causes": ["power"], "rule": {"kind": "replay"}},
            {"causes": ["jam", "machine"], "rule": {"kind": "blank", "half_printed": "finish"}},
            {
                "causes": ["clock", "no-work"],
                "rule": {"kind": "replay-within", "within": {"value": 1, "unit": "hours"}},
            },
        ],
    },
}
# A rule that only a plain period can have.
SHIFTS = ("shift", "shift-again", "shift-abandon")
PROFILES = ("crawl", "burst")
# How far ahead a board holds work: as usual, or less than an outage lasts.
HORIZONS = ("PT24H", "PT2H")


def cycle_options(cycle: str) -> dict[str, Any]:
    """Of a run that follows a cycle; the plain period is a day here, as the others about are."""
    return {"seconds": 86400, "epoch": "2026-01-01T00:00:00Z"} if cycle == PERIOD else {}


def hours_of_the_venue() -> dict[str, Any]:
    """Open for two hours of every four, each day, so that every run sees the doors open and close."""
    spans = [{"opens": f"{hour:02}:00", "closes": f"{hour + 2:02}:00"} for hour in range(0, 24, 4)]
    days = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
    return {"week": dict.fromkeys(days, spans)}


def quiet_hours_of_the_venue() -> dict[str, Any]:
    """Quiet for an hour and a half of every three, so that some strips of each run end in it and some do not."""
    spans = [{"begins": f"{hour:02}:30", "ends": f"{hour + 2:02}:00"} for hour in range(0, 24, 3)]
    days = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
    return {"week": dict.fromkeys(days, spans)}
