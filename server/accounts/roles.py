"""Which role may give which command. A command is the dataclass that is handled, or the function that carries it out.

Reading is not asked about here: at the API every key reads everything, and the pages are open to whoever reaches the
server. What nodes tell is not asked about either: a node has a token and no role.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from django.core.exceptions import PermissionDenied

from machines.errors import DayrollError, InputError
from scheduling.commands.additions import (
    AddMachine,
    AddProfile,
    AddSource,
    AddVenue,
    FixOpening,
    FixOpeningSeries,
    FixServiceWindow,
)
from scheduling.commands.change_run import change_run
from scheduling.commands.contacts import change_contacts
from scheduling.commands.end_run import end_run
from scheduling.commands.hold_run import continue_run, hold_run
from scheduling.commands.hours import change_hours, change_quiet_hours
from scheduling.commands.machines import change_machine, retire_machine, take_back_machine
from scheduling.commands.opening_series import call_off_series, change_series, take_back_series
from scheduling.commands.openings import call_off_opening, change_opening, take_back_opening
from scheduling.commands.override import override_outage, override_run
from scheduling.commands.plan_run import PlanRun
from scheduling.commands.profiles import change_profile, retire_profile, take_back_profile
from scheduling.commands.recipients import change_recipients
from scheduling.commands.run_changes import withdraw_run
from scheduling.commands.service_windows import call_off_window, change_window, take_back_window
from scheduling.commands.sources import change_source, retire_source, take_back_source
from scheduling.commands.succeed_run import succeed_run
from scheduling.commands.venues import change_venue, retire_venue, take_back_venue
from scheduling.log.models import Venue
from scheduling.queries.calibration import calibrate
from scheduling.queries.names import require
from scheduling.rendering.upload_store import UploadStore
from scheduling.telling.asking import see_to, send_test
from server.accounts.access import take_key
from server.accounts.boards import revoke_node
from server.accounts.calendar_addresses import renew_person_address, renew_studio_address, renew_venue_address
from server.accounts.enrolment import cancel_codes, make_code
from server.accounts.person_calendars import set_wishes
from server.accounts.principals import Grant, Role

Command = Callable[..., object]

STUDIO_ALONE: tuple[Role, ...] = ("studio",)
CURATOR_TOO: tuple[Role, ...] = ("studio", "curator")

# What is not in the table is for the studio alone.
MAY_GIVE: dict[Command, tuple[Role, ...]] = {
    AddVenue: STUDIO_ALONE,
    change_venue: STUDIO_ALONE,
    retire_venue: STUDIO_ALONE,
    take_back_venue: STUDIO_ALONE,
    AddProfile: STUDIO_ALONE,
    change_profile: STUDIO_ALONE,
    retire_profile: STUDIO_ALONE,
    take_back_profile: STUDIO_ALONE,
    AddMachine: STUDIO_ALONE,
    change_machine: STUDIO_ALONE,
    retire_machine: STUDIO_ALONE,
    take_back_machine: STUDIO_ALONE,
    AddSource: STUDIO_ALONE,
    change_source: STUDIO_ALONE,
    retire_source: STUDIO_ALONE,
    take_back_source: STUDIO_ALONE,
    UploadStore.put: STUDIO_ALONE,
    PlanRun: STUDIO_ALONE,
    succeed_run: STUDIO_ALONE,
    change_run: STUDIO_ALONE,
    calibrate: STUDIO_ALONE,
    make_code: STUDIO_ALONE,
    cancel_codes: STUDIO_ALONE,
    revoke_node: STUDIO_ALONE,
    take_key: STUDIO_ALONE,
    FixOpening: CURATOR_TOO,
    FixOpeningSeries: CURATOR_TOO,
    FixServiceWindow: CURATOR_TOO,
    change_opening: CURATOR_TOO,
    call_off_opening: CURATOR_TOO,
    take_back_opening: CURATOR_TOO,
    change_series: CURATOR_TOO,
    call_off_series: CURATOR_TOO,
    take_back_series: CURATOR_TOO,
    change_window: CURATOR_TOO,
    call_off_window: CURATOR_TOO,
    take_back_window: CURATOR_TOO,
    change_hours: CURATOR_TOO,
    change_quiet_hours: CURATOR_TOO,
    change_contacts: CURATOR_TOO,
    change_recipients: STUDIO_ALONE,
    send_test: STUDIO_ALONE,
    see_to: CURATOR_TOO,
    renew_studio_address: STUDIO_ALONE,
    renew_venue_address: CURATOR_TOO,
    # Of others; their own is everybody's.
    renew_person_address: STUDIO_ALONE,
    set_wishes: STUDIO_ALONE,
    withdraw_run: CURATOR_TOO,
    end_run: CURATOR_TOO,
    hold_run: CURATOR_TOO,
    continue_run: CURATOR_TOO,
    override_run: CURATOR_TOO,
    override_outage: CURATOR_TOO,
}
ROLE_WORDS: dict[Role, str] = {"studio": "the studio", "curator": "a curator", "reader": "a reader"}


class NotOfTheirRole(DayrollError, PermissionDenied):
    """Somebody's role, or the venues that it is for, do not include what they ordered.

    Attributes:
        standing: theirs.
        needed: the roles that may.
    """

    def __init__(self, said: str, standing: Grant, needed: tuple[Role, ...]) -> None:
        super().__init__(said)
        self.standing = standing
        self.needed = needed


def roles_for(command: Command | None) -> tuple[Role, ...]:
    """The roles that may give a command."""
    return STUDIO_ALONE if command is None else MAY_GIVE.get(command, STUDIO_ALONE)


def in_words(roles: Sequence[Role]) -> str:
    """Roles as a sentence names them."""
    return " or ".join(ROLE_WORDS[role] for role in roles)


def require_role(standing: Grant, command: Command | None) -> None:
    """See that somebody's role may give a command.

    Raises:
        Refused: it may not.
    """
    needed = roles_for(command)
    if standing.role not in needed:
        said = f"Only {in_words(needed)} may do this, and you come in as {ROLE_WORDS[standing.role]}."
        raise NotOfTheirRole(said, standing, needed)


def may_give(standing: Grant, command: Command, venue: str) -> bool:
    """Whether somebody may give a command for a venue."""
    return standing.role in roles_for(command) and (standing.venues is None or venue in standing.venues)


def require_venue(standing: Grant, venue: str | None) -> None:
    """See that somebody may give commands for a venue.

    Args:
        standing: theirs.
        venue: id; None where a command is for no single venue, which is for those who have no bounds.

    Raises:
        Refused: they may not.
    """
    if standing.venues is None or venue in standing.venues:
        return
    this = "no single venue" if venue is None else f"the venue {venue}"
    bound = f"{ROLE_WORDS[standing.role]} of {', '.join(standing.venues)} only"
    needed = tuple(dict.fromkeys((*STUDIO_ALONE, standing.role)))
    raise NotOfTheirRole(f"This is for {this}, and you come in as {bound}.", standing, needed)


def checked_standing(role: Role, venues: Sequence[str]) -> Grant:
    """What a key or an account is to be given; no venues means every venue.

    Raises:
        InputError: venues for another than a curator, or one that does not exist.
    """
    if not venues:
        return Grant(role)
    if role != "curator":
        raise InputError("venue", f"{ROLE_WORDS[role]} is not bound to venues", "leave the venues away")
    for venue in venues:
        require(Venue, "venue", venue)
    return Grant(role, tuple(dict.fromkeys(venues)))
