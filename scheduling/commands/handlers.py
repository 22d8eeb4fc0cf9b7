"""What the studio and the curator can have done: commands, each with the function that turns it into events.

A command is checked whole before anything is written; an id is taken once. The very same command given again by the
same person or key, as by a client whose answer was lost, changes nothing and is no mistake.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from django.db import transaction

from machines.errors import DayrollError, InputError
from scheduling.commands import idempotency
from scheduling.commands.additions import (
    AddMachine,
    AddProfile,
    AddSource,
    AddVenue,
    FixOpening,
    FixOpeningSeries,
    FixServiceWindow,
)
from scheduling.commands.checked import Checked, check_plan_run
from scheduling.commands.machines import add_machine
from scheduling.commands.opening_series import check_series
from scheduling.commands.openings import fix_opening, still_named
from scheduling.commands.plan_run import PlanRun, require_begins_ahead
from scheduling.commands.profiles import add_profile
from scheduling.commands.service_windows import fix_service_window
from scheduling.commands.sources import add_source
from scheduling.commands.venue_as_read import as_read
from scheduling.commands.venues import add_venue
from scheduling.log.ends import lock
from scheduling.log.events.plans import RunPlanned
from scheduling.log.projecting.projector import require_views
from scheduling.log.store import Append, Attribution, VersionConflict, append, require_never_closed, stream_version
from scheduling.nodes.told_before import planning
from scheduling.rendering.sources import check_upload
from scheduling.rendering.upload_store import UploadStore


class IdInUse(DayrollError):
    """The id is in use."""

    def __init__(self, kind: str, id: str) -> None:
        super().__init__(f"there is a {kind} {id!r} already", "choose another id")
        self.kind = kind
        self.id = id


Command = AddVenue | AddProfile | AddMachine | AddSource | PlanRun | FixOpening | FixOpeningSeries | FixServiceWindow


def _check_source(command: AddSource) -> Checked:
    return Checked(
        event=add_source(command), see=lambda uploads: check_upload(command.picture, command.upload, uploads)
    )


def _check_machine(command: AddMachine) -> Checked:
    def recheck() -> None:
        add_machine(command)

    streams = (f"venue/{command.venue}", f"profile/{command.profile}")
    return Checked(event=add_machine(command), stands_on=streams, recheck=recheck)


def _at_venue(work_out: Callable[[Any], Any]) -> Callable[[FixOpening | FixServiceWindow], Checked]:
    """How a command is checked whose instants are those of a venue."""

    def check(command: FixOpening | FixServiceWindow) -> Checked:
        recheck = as_read(command.venue)  # read first: whoever changes it from here on is noticed
        event = work_out(command)

        def look_again() -> None:
            recheck()
            if isinstance(command, FixOpening):
                still_named(command, [event], lambda: [work_out(command)])

        return Checked(event=event, stands_on=(f"venue/{command.venue}",), recheck=look_again)

    return check


HANDLERS: dict[type[Any], tuple[str, Callable[[Any], Checked]]] = {
    AddVenue: ("venue", lambda command: Checked(event=add_venue(command))),
    AddProfile: ("profile", lambda command: Checked(event=add_profile(command))),
    AddMachine: ("machine", _check_machine),
    AddSource: ("source", _check_source),
    PlanRun: ("run", check_plan_run),
    FixOpening: ("opening", _at_venue(fix_opening)),
    FixOpeningSeries: ("series", check_series),
    FixServiceWindow: ("service", _at_venue(fix_service_window)),
}

# The views that a command is checked against, beside the one that it adds to.
NEEDED_VIEWS: dict[type[Any], tuple[str, ...]] = {
    AddMachine: ("venues", "profiles"),
    PlanRun: ("runs", "machines", "profiles", "sources", "venues"),
    FixOpening: ("venues",),
    FixOpeningSeries: ("venues", "openings"),
    FixServiceWindow: ("venues",),
}


def handle(command: Command, by: Attribution, uploads: UploadStore | None = None) -> None:
    """Look at a command and carry it out, or raise what `check_command` and `carry_out` do."""
    carry_out(command, check_command(command, by, uploads), by)


def check_command(command: Command, by: Attribution, uploads: UploadStore | None) -> Checked | None:
    """Check a command whole, with its picture. A large file takes seconds, so this is not to be done within a
    transaction: on SQLite nobody else could write meanwhile.

    Args:
        command: what is ordered.
        by: whom.
        uploads: where the files of sources lie; None where no source has one.

    Returns:
        What it comes to; None where this very command was carried out already.

    Raises:
        InputError: names the field that cannot be used.
        ViewsSetAside: it cannot be checked.
    """
    if _was_given(command, by):
        return None
    try:
        return check_whole(command, by.said_at, uploads)
    except InputError:
        if not _was_given(command, by):  # in this very moment: what it asks for is taken, by itself
            raise
    return None


def _was_given(command: Command, by: Attribution) -> bool:
    return idempotency.was_given(_stream_of(command), command, by.actor)


def check_whole(command: Command, now: datetime, uploads: UploadStore | None) -> Checked:
    """What a command comes to, by all that can be seen before it is carried out, but for its id.

    Args:
        command: what is ordered, or may be.
        now: this instant, UTC.
        uploads: where the files of sources lie; None where no source has one.

    Raises:
        InputError: names the field that cannot be used.
        ViewsSetAside: it cannot be checked.
    """
    require_views(*NEEDED_VIEWS.get(type(command), ()))
    checked = HANDLERS[type(command)][1](command)
    if isinstance(command, PlanRun):
        require_begins_ahead(command, now)
    checked.see(uploads)
    return checked


def carry_out(command: Command, checked: Checked | None, by: Attribution) -> None:
    """Write the event of a command that was looked at, as the first of a new stream.

    Args:
        command: what was ordered.
        checked: what `check_command` found.
        by: who ordered it.

    Raises:
        InputError: what was so when it was looked at is so no more.
        IdInUse: the id is in use.
        ViewsSetAside: it would not show.
    """
    (kind, check), stream = HANDLERS[type(command)], _stream_of(command)
    try:
        with transaction.atomic():
            lock("default")  # nobody else can append: of two runs at once on a machine, the second is refused
            if _was_given(command, by):
                return
            if checked is None:  # it was carried out when it was looked at, and is not in the log any more
                checked = check(command)
            else:
                checked.recheck()
            append(_first_of(stream, checked, by), by, stands_on=checked.stands_on)
            idempotency.keep(stream, command, by.actor)
    except VersionConflict:
        raise IdInUse(kind, command.id) from None


def _first_of(stream: str, checked: Checked, by: Attribution) -> list[Append]:
    """What is appended where a stream begins with what a command becomes."""
    if checked.run is not None and isinstance(checked.event, RunPlanned):
        return planning(stream.partition("/")[2], checked.event, checked.run.profile, by.said_at)
    return [Append(stream, 0, [checked.event]), *checked.also]


def require_new(command: Command) -> None:
    """See that what a command adds has an id of its own.

    Raises:
        IdInUse: the id is in use.
        InputError: it was, by what was closed into an archive since.
    """
    stream = _stream_of(command)
    require_never_closed([stream])
    if stream_version(stream):
        raise IdInUse(HANDLERS[type(command)][0], command.id)


def _stream_of(command: Command) -> str:
    return f"{HANDLERS[type(command)][0]}/{command.id}"
