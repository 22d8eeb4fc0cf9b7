"""A small studio in the log: a venue, a machine, a picture, a run; invented, and quick to draw."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from machines.chance import SYSTEM
from machines.model.profile import Profile
from machines.protocol.journal_entries import ColumnsPrinted, NodeStarted
from machines.protocol.messages import Reports
from machines.serialization import structure
from scheduling.background.extend_plans import extend_plans
from scheduling.commands import handlers
from scheduling.commands.changes import make
from scheduling.commands.end_run import end_run
from scheduling.commands.enrol_node import enrol
from scheduling.commands.hours import change_hours, change_quiet_hours
from scheduling.log.models import Machine, Run, Venue
from scheduling.log.store import Attribution, stream_version
from scheduling.nodes.received_entries import Batch, read_batch
from scheduling.planning.opening_hours import Hours
from scheduling.planning.quiet_hours import QuietHours
from scheduling.planning.timeline import Timeline
from scheduling.queries.runs import machine_profile, timeline_on, venue_place
from scheduling.rendering.plate_store import PlateStore

NOON = datetime(2026, 10, 24, 12, tzinfo=UTC)
PROFILE: dict[str, Any] = {
    "name": "small",
    "columns_per_turn": 240,
    "mm_per_turn": 120.0,
    "dots_across": 40,
    "print_width_mm": 20.0,
    "columns_per_burst": 4,
    "highest_mm_per_hour": 20.0,
    "head": {"kind": "carriage", "nozzles": 8, "passes": 2, "drop_pl": 10.0},
    "knife": {"head_to_knife_mm": 10.0, "cuts_per_blade": 100},
    "media": {"width_mm": 30.0, "caliper_mm": 0.1, "roll_m": 10.0},
}
MOON: dict[str, Any] = {"kind": "moon", "diameter_mm": 15.0}
# Those that are seen in a town: of all that can be seen they are a tenth, and so is the time that they take to draw.
STARS: dict[str, Any] = {"kind": "stars", "south_degrees": -40.0, "north_degrees": 40.0, "faintest_magnitude": 4.0}


def by(actor: str = "test", at: datetime = NOON) -> Attribution:
    return Attribution(actor=actor, request=None, said_at=at)


def long_after() -> Attribution:
    """What a node tells, told when all of it has happened."""
    return by(at=NOON + timedelta(days=9))


def order(command: type[Any], **fields: Any) -> None:
    """Read a command as the API would, and carry it out."""
    handlers.handle(structure(fields, command), by())


def furnish(picture: dict[str, Any] | None = None, **profile: Any) -> None:
    """A venue ``shed``, a profile ``small``, a machine ``one`` and a source ``picture``."""
    order(
        handlers.AddVenue,
        id="shed",
        name="The shed",
        latitude_degrees=38.7,
        longitude_degrees=-9.1,
        zone="Europe/Lisbon",
    )
    order(handlers.AddProfile, id="small", profile=PROFILE | profile)
    order(handlers.AddMachine, id="one", name="One", venue="shed", profile="small")
    order(handlers.AddSource, id="picture", name="A picture", picture=picture or STARS)


def run_order(**fields: Any) -> dict[str, Any]:
    """To plan a run ``first`` of machine ``one`` for 30 hours from noon, unless said otherwise."""
    asked = {
        "id": "first",
        "machine": "one",
        "source": "picture",
        "cycle": "apparent-solar-day",
        "starts_at": NOON.isoformat(),
        "ends_at": (NOON + timedelta(hours=30)).isoformat(),
        "policy": {"kind": "skip"},
        "strips_per_turn": 12,
    }
    return asked | fields


def plan(**fields: Any) -> None:
    """Plan it; see `run_order`."""
    order(handlers.PlanRun, **run_order(**fields))


def ready(folder: Path, **fields: Any) -> PlateStore:
    """Furnished, planned ahead, and with a board enrolled."""
    furnish()
    plan(**fields)
    plates = PlateStore(folder)
    extend_plans(NOON, timedelta(hours=192), plates)
    enrol("one", by())
    return plates


def end_run_after(hours: float) -> None:
    """Somebody ends the run ``first`` so many hours after noon, at the next burst."""
    change = end_run(Run.objects.get(id="first"), NOON, stream_version("run/first"), at=NOON + timedelta(hours=hours))
    make(change, None, by(), SYSTEM, accepted=True)


def set_hours(venue: str, hours: Hours, by: Attribution) -> None:
    """A venue has these hours from now on, whatever they mean."""
    row, version = Venue.objects.get(id=venue), stream_version(f"venue/{venue}")
    make(change_hours(row, hours, by.said_at, version), None, by, SYSTEM, accepted=True)


def set_quiet_hours(venue: str, quiet: QuietHours, by: Attribution) -> None:
    """It is quiet at a venue in these hours from now on."""
    row, version = Venue.objects.get(id=venue), stream_version(f"venue/{venue}")
    make(change_quiet_hours(row, quiet, by.said_at, version), None, by, SYSTEM, accepted=True)


def run_timeline(run: Run) -> Timeline:
    """The columns of a run against its cycle, of what is read for it alone."""
    machine = Machine.objects.get(id=run.machine_id)
    return timeline_on(run, machine_profile(profile=machine.profile_id), venue_place(venue=machine.venue_id))


def small_profile() -> Profile:
    return structure(PROFILE, Profile)


def started(seq: int = 1) -> NodeStarted:
    return NodeStarted(seq=seq, at=NOON, unplanned_stop=False)


def printed(seq: int, segment: int, first: int, end: int, done: int, place: int = 0) -> ColumnsPrinted:
    fields = {"first": first, "end": end}
    return structure(
        {
            "seq": seq,
            "at": NOON.isoformat(),
            "run": "first",
            "segment": segment,
            "columns": fields,
            "columns_done": done,
            "paper_position": place,
            "worst_miss_s": 0.1,
            "kind": "columns-printed",
        },
        ColumnsPrinted,
    )


def batch(*entries: Any, epoch: int = 1) -> Batch:
    """What a node sends of its journal, as the server reads it."""
    return read_batch(Reports(epoch=epoch, entries=tuple(entries)).as_json())
