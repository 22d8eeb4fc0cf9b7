"""An example of every body that the API takes, as its reference shows it. They belong together: sent in the order in
which they stand here, each with its own ids, they make a studio and change it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

VENUE: Final = {
    "id": "old-mill",
    "name": "The Old Mill",
    "latitude_degrees": 46.95,
    "longitude_degrees": 7.45,
    "elevation_m": 540.0,
    "zone": "Europe/Zurich",
}
DAY: Final = [{"opens": "11:00", "closes": "18:00"}]
NIGHT: Final = [{"begins": "22:00", "ends": "07:00"}]
CONTACTS: Final = {"contacts": [{"role": "technician", "telephone": "+41 31 555 01 42", "when": "at night"}]}
RECIPIENTS: Final = {
    "recipients": [
        {"id": "desk", "role": "studio", "email": "desk@old-mill.example", "zone": "Europe/Zurich"},
        {"id": "night", "role": "technician", "email": "night@old-mill.example", "after_min": 20},
    ]
}
CALENDAR: Final = {
    "venues": ["old-mill"],
    "alarms": [{"kind": "opening", "before_min": 1440}, {"kind": "opening", "before_min": 60}],
}
PROFILE: Final = {
    "id": "plover",
    "profile": {
        "name": "Plover",
        "columns_per_turn": 720,
        "mm_per_turn": 240.0,
        "dots_across": 128,
        "print_width_mm": 80.0,
        "highest_mm_per_hour": 60.0,
        "head": {"kind": "line", "dot_current_a": 0.03, "supply_current_a": 4.0, "strobe_s": 0.002},
        "media": {"width_mm": 90.0, "caliper_mm": 0.08, "roll_m": 60.0},
        "knife": {"head_to_knife_mm": 40.0, "cuts_per_blade": 1500},
    },
}
SOURCE: Final = {
    "id": "coasts",
    "name": "Coasts",
    "picture": {"kind": "map", "data": "land-110m", "projection": "equirectangular"},
}
RUN: Final = {
    "id": "spring-coasts",
    "machine": "plover-1",
    "source": "coasts",
    "cycle": "apparent-solar-day",
    "segments_per_turn": 48,
    "strips_per_turn": 4,
    "starts_at": "2027-03-20T11:00:00Z",
    "ends_at": "2027-04-20T11:00:00Z",
    "policy": {"kind": "skip"},
}
SERIES: Final = {
    "id": "sundays",
    "name": "Sunday morning",
    "venues": ["old-mill"],
    "anchor": {"event": "sunrise", "date": "2027-03-28", "offset": "PT30M"},
    "rule": "FREQ=WEEKLY;COUNT=3",
}
ENTRY: Final = {"kind": "knife-armed", "seq": 1, "at": "2027-03-20T11:02:00Z"}
WHY: Final = {"reason": "as was agreed with the venue"}
WORD: Final = {"rule": {"kind": "replay"}, "reason": "the opening is tomorrow"}

# By the method and the address below `/api/v1/`.
EXAMPLES: Final[Mapping[str, Any]] = {
    "POST venues": VENUE,
    "PATCH venues/{id}": {"name": "The Old Mill, upper floor"} | WHY,
    "PUT venues/{id}/hours": {"week": {"saturday": DAY, "sunday": DAY}, "dates": [{"date": "2027-03-28", "open": []}]},
    "PUT venues/{id}/quiet-hours": {"week": {"friday": NIGHT, "saturday": NIGHT}},
    "PUT venues/{id}/contacts": CONTACTS,
    "PUT recipients": RECIPIENTS,
    "POST venues/{id}/calendar/address": WHY,
    "POST studio/calendar/address": WHY,
    "PUT people/{id}/calendar": CALENDAR,
    "POST people/{id}/calendar/address": WHY,
    "POST profiles": PROFILE,
    "PATCH profiles/{id}": {"profile": {"media": {"roll_m": 50.0}}} | WHY,
    "POST machines": {"id": "plover-1", "name": "Plover 1", "venue": "old-mill", "profile": "plover"},
    "PATCH machines/{id}": {"name": "Plover by the stairs"},
    "PUT machines/{id}/calibration": {"feed_factor": 0.995, "head_to_knife_mm": 40.5},
    "POST sources": SOURCE,
    "PATCH sources/{id}": {"name": "Coasts of the world"},
    "POST run-checks": RUN,
    "POST run-searches": {
        "run": RUN,
        "earliest": "2027-03-15T00:00:00Z",
        "latest": "2027-03-22T00:00:00Z",
        "wishes": [
            {"kind": "place-in-sight", "at": "2027-03-25T18:00:00Z", "longitude": -9.1, "weight": 2.0},
            {"kind": "changes-within", "weekdays": [2], "opens": "09:00", "closes": "10:30"},
        ],
    },
    "POST policy-checks": {
        "run": RUN,
        "outage": {"starts_at": "2027-03-24T22:00:00Z", "ends_at": "2027-03-25T06:00:00Z", "cause": "power"},
    },
    "POST runs": RUN,
    "PATCH runs/{id}": {"segments_per_turn": 24} | WHY,
    "POST openings": {
        "id": "first-evening",
        "venue": "old-mill",
        "name": "First evening",
        "anchor": {"civil": "2027-03-25T19:00:00", "zone": "Europe/Zurich"},
    },
    "PATCH openings/{id}": {"anchor": {"civil": "2027-03-26T19:30:00"}} | WHY,
    "POST openings/{id}/call-off": WHY,
    "POST openings/{id}/take-back": WHY,
    "POST opening-series": SERIES,
    "PATCH opening-series/{id}": {"rule": "FREQ=WEEKLY;COUNT=4"},
    "POST opening-series/{id}/call-off": WHY,
    "POST opening-series/{id}/take-back": WHY,
    "POST service-windows": {
        "id": "tuesdays",
        "venue": "old-mill",
        "name": "Tuesday round",
        "comes": {"kind": "weekly", "weekday": "tuesday", "begins": "09:00", "ends": "10:30"},
    },
    "PATCH service-windows/{id}": {"name": "Round before the doors open"},
    "POST service-windows/{id}/call-off": WHY,
    "POST service-windows/{id}/take-back": WHY,
    "POST node/enrol": {"code": "7F3K-Q9TM-2XWD"},
    "POST node/reports": {"epoch": 1, "entries": [ENTRY]},
    "POST runs/{id}/hold": {"at": "2027-03-22T18:00:00Z", "until": "2027-03-22T20:00:00Z", "boundary": "strip"} | WHY,
    "POST runs/{id}/continue": {"at": "2027-03-22T19:00:00Z"},
    "POST runs/{id}/succeed": {"id": "april-coasts", "at": "2027-04-01T11:00:00Z", "segments_per_turn": 48},
    "POST runs/{id}/end": {"at": "2027-03-30T12:00:00Z", "boundary": "turn"} | WHY,
    "POST runs/{id}/withdraw": WHY,
    "POST runs/{id}/override": WORD,
    "POST outages/{id}/override": WORD,
    **{
        f"POST {plural}/{{id}}/{act}": WHY
        for plural in ("sources", "machines", "profiles", "venues")
        for act in ("retire", "take-back")
    },
}


def example_of(method: str, path: str) -> Any:
    """An example of the body of a call, by its address from the root, such as ``/api/v1/venues/{id}``; None where it
    takes none, or a file."""
    return EXAMPLES.get(f"{method.upper()} {path.removeprefix('/api/v1/')}")
