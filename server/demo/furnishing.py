"""What the studio of the demonstration has, as orders to the API, one after another."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, datetime, timedelta
from typing import Any

from machines.serialization import format_instant
from server.demo import scenario

# Method, address below the API's, and body.
ApiOrder = tuple[str, str, dict[str, Any]]


def things(openings: Mapping[str, dict[str, Any]]) -> Iterator[ApiOrder]:
    """Venues with their hours and whom to ring there, models, pictures, machines, openings and service windows."""
    for id, venue in scenario.VENUES.items():
        yield "POST", "venues", {"id": id, **venue}
        yield "PUT", f"venues/{id}/hours", {"week": scenario.OPEN_DAYS[id]}
        yield "PUT", f"venues/{id}/contacts", {"contacts": scenario.CONTACTS[id]}
    for id, profile in scenario.PROFILES.items():
        yield "POST", "profiles", {"id": id, "profile": profile}
    for id, source in scenario.SOURCES.items():
        yield "POST", "sources", {"id": id, **source}
    for one in scenario.STATIONS:
        yield "POST", "machines", {"id": one.id, "name": one.name, "venue": one.venue, "profile": one.profile}
    for id, opening in openings.items():
        yield "POST", "openings", {"id": id, **opening}
    for id, window in scenario.SERVICE_WINDOWS.items():
        yield "POST", "service-windows", {"id": id, **window}


def runs(begins: datetime, lasts: timedelta, name: str) -> Iterator[ApiOrder]:
    """A run of each machine.

    Args:
        begins: of all, UTC.
        lasts: how long each is.
        name: the last of its id.
    """
    for station in scenario.STATIONS:
        yield (
            "POST",
            "runs",
            {
                "id": f"{station.id}-{name}",
                "machine": station.id,
                "source": station.source,
                "cycle": station.cycle,
                "starts_at": format_instant(begins),
                "ends_at": format_instant(begins + lasts),
                "policy": {"kind": station.policy},
                "strips_per_turn": station.strips_per_turn,
            },
        )


def openings_from(first: date) -> dict[str, dict[str, Any]]:
    """The openings of the scenario in other days: the first of them on a date, the others as many days after it."""
    dates = {id: _date_of(opening) for id, opening in scenario.OPENINGS.items()}
    later = first - min(dates.values())
    return {id: opening | {"anchor": _moved(opening["anchor"], later)} for id, opening in scenario.OPENINGS.items()}


def _date_of(opening: Mapping[str, Any]) -> date:
    anchor = opening["anchor"]
    return date.fromisoformat((anchor.get("date") or anchor["civil"])[:10])


def _moved(anchor: dict[str, Any], later: timedelta) -> dict[str, Any]:
    if "date" in anchor:
        return anchor | {"date": (date.fromisoformat(anchor["date"]) + later).isoformat()}
    day, _, time = anchor["civil"].partition("T")
    return anchor | {"civil": f"{date.fromisoformat(day) + later}T{time}"}
