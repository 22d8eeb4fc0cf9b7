"""Runs in words: what one prints, where and when, and how it stands."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from machines.serialization import parse_instant
from scheduling.log.models import Machine, Profile, Source
from scheduling.sky.zones import zone
from server import wiring
from server.console import formatting
from server.desk.subjects import Row

CYCLES = {
    "apparent-solar-day": "the Sun, as it stands in the sky",
    "mean-solar-day": "the mean Sun, as clocks count it",
    "sidereal-day": "the stars",
    "lunar-day": "the Moon over the meridians",
    "synodic-month": "the Moon's phases",
    "tropical-year": "the year, from one March equinox to the next",
    "temporal-hours": "unequal hours, from sunrise to sunset",
    "period": "a plain period",
}
BOUNDARIES = {
    "burst": "at once, with what the machine lays in one go",
    "strip": "where the strip ends that it is on",
    "turn": "where the turn ends that it is on",
}


def dressed(rows: Sequence[Row]) -> list[Row]:
    """Runs with the names of what they print, where and by which model: read together, in three questions."""
    machines = Machine.objects.select_related("venue").in_bulk({row["machine"] for row in rows})
    sources = dict(Source.objects.filter(pk__in={row["source"] for row in rows}).values_list("id", "name"))
    models = dict(Profile.objects.filter(pk__in={row.get("profile") for row in rows}).values_list("id", "name"))
    return [
        {
            **row,
            **(there := _there(row["machine"], machines.get(row["machine"]))),
            "source_name": (source := sources.get(row["source"], row["source"])),
            "model_name": models.get(row.get("profile") or "", row.get("profile")),
            "name": f"{source} on {there['machine_name']}",
        }
        for row in rows
    ]


def _there(id: str, machine: Machine | None) -> dict[str, Any]:
    """A machine that was closed into an archive has no name any more, and visitors are not shown one put away."""
    if machine is None:
        return {"machine_name": id, "venue": None, "venue_name": "", "zone": "UTC", "visitors_see": False}
    venue = machine.venue
    return {
        "machine_name": machine.name,
        "venue": venue.id,
        "venue_name": venue.name,
        "zone": venue.zone,
        "visitors_see": machine.retired_at is None,
    }


def starts(row: Row) -> datetime:
    """When it begins."""
    return parse_instant(row["starts_at"])


def ends(row: Row) -> datetime:
    """When it ends."""
    return parse_instant(row["ends_at"])


def is_withdrawn(row: Row) -> bool:
    """Whether it is not to be printed."""
    return row["withdrawn_at"] is not None


def told(row: Row) -> int:
    """How many of its columns are accounted for."""
    return int(row["printed"] + row["skipped"] + row["unknown"])


def columns_of(row: Row) -> int:
    """How many it has."""
    return int(row["end_column"] - row["first_column"])


def has_begun(row: Row) -> bool:
    """Whether its span has begun, or its machine has told of it."""
    return starts(row) <= wiring.now() or told(row) > 0


def is_accounted_for(row: Row) -> bool:
    """Whether nothing of it is to come."""
    return told(row) >= columns_of(row)


def holds_to_come(row: Row) -> list[tuple[datetime, datetime | None]]:
    """The spans in which people hold it that are not over."""
    spans = [(parse_instant(one["starts_at"]), one["ends_at"]) for one in row["holds"]]
    both = [(begins, None if until is None else parse_instant(until)) for begins, until in spans]
    return [(begins, until) for begins, until in both if until is None or until > wiring.now()]


def state(row: Row) -> str:
    """How it stands."""
    now = wiring.now()
    if is_withdrawn(row):
        return "withdrawn"
    if now < starts(row):
        return f"begins in {formatting.about((starts(row) - now).total_seconds())}"
    if any(begins <= now for begins, _ in holds_to_come(row)):
        return "held"
    if is_accounted_for(row):
        return "over, all of it accounted for"
    if now >= ends(row):
        return "over; its machine has not told of all of it"
    return f"under way, {formatting.about((ends(row) - now).total_seconds())} to go"


def when(row: Row) -> str:
    """From when to when, by the venue's clock, which is named."""
    begins, until = (formatting.moment(at, row["zone"]) for at in (starts(row), ends(row)))
    return f"{begins} to {until} ({row['zone']})"


def listed(row: Row) -> str:
    """What the list says of one: its dates, and how it stands."""
    clock = zone(row["zone"])
    first, last = (formatting.day(at.astimezone(clock)) for at in (starts(row), ends(row)))
    return f"{row['id']} · {first} to {last} · {state(row)}"


def turns(row: Row, columns_per_turn: int) -> str:
    """How many turns it is long."""
    count = columns_of(row) / columns_per_turn
    said = f"{count:.0f}" if count >= 100 else f"{count:.2f}".rstrip("0").rstrip(".")
    return f"{said} {'turn' if said == '1' else 'turns'}"


def cycle(row: Row) -> str:
    """What it is printed against."""
    said = CYCLES.get(row["cycle"], str(row["cycle"]))
    options: dict[str, Any] = row["cycle_options"]
    if "seconds" in options:
        said += f" of {formatting.duration(timedelta(seconds=options['seconds']))}"
    if "epoch" in options:
        said += f", counted from {formatting.moment(parse_instant(options['epoch']), row['zone'])}"
    return said
