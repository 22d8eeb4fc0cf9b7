"""What on the season can be moved, by whom, and on which page.

A pointer or a key says how many days. The page is a form that begins with the new times, by the clock of the venue: a
clock on the wall shows the same time on the new date. What would follow is shown there before anything is kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from django.urls import reverse

from scheduling.commands.change_run import change_run
from scheduling.commands.end_run import end_run
from scheduling.commands.openings import change_opening
from scheduling.commands.plan_run import PlanRun
from scheduling.log.models import Opening, Run, Venue
from scheduling.sky.zones import zone
from server.accounts.principals import Grant
from server.accounts.roles import Command, roles_for


@dataclass(frozen=True, kw_only=True)
class Move:
    """How something is moved.

    Attributes:
        page: the address of the form.
        begins, ends: its times by the clock there, such as ``2026-11-20T10:00``; ``ends`` is empty where it has none.
        first, last: the fields of the form that take the new times; empty for one that stays.
    """

    page: str
    begins: str
    first: str = ""
    ends: str = ""
    last: str = ""


@dataclass(frozen=True)
class Moves:
    """What somebody may move at a moment."""

    now: datetime
    standing: Grant

    def of_run(self, run: Run, venue: Venue) -> Move | None:
        """All of one that has not begun, and the end of one that has; None where they may not, or it is over."""
        if run.ends_at <= self.now or run.withdrawn_at is not None:
            return None
        begins, ends = local(run.starts_at, venue), local(run.ends_at, venue)
        if run.starts_at > self.now and run.printed + run.skipped + run.unknown == 0:
            page = reverse("change-run", args=[run.id])
            move = Move(page=page, begins=begins, first="starts", ends=ends, last="ends")
            return move if self._may(change_run, venue) else None
        page = reverse("end-run", args=[run.id])
        return Move(page=page, begins=begins, ends=ends, last="at") if self._may(end_run, venue) else None

    def of_opening(self, row: Opening, venue: Venue) -> Move | None:
        """One that is to come; None where they may not."""
        if row.opens_at <= self.now or not self._may(change_opening, venue):
            return None
        page = reverse("change-opening", args=[row.id])
        return Move(page=page, begins=local(row.opens_at, venue), first="civil")

    def to_plan(self, machine: str, venue: Venue, first: date) -> Move | None:
        """A run of a machine that is yet to be planned, so many days after noon of a date; None where they may not."""
        page = f"{reverse('new-run')}?machine={machine}"
        return Move(page=page, begins=f"{first}T12:00", first="starts") if self._may(PlanRun, venue) else None

    def _may(self, command: Command, venue: Venue) -> bool:
        theirs = self.standing.venues
        return self.standing.role in roles_for(command) and (theirs is None or venue.id in theirs)


def local(at: datetime, venue: Venue) -> str:
    """An instant by the clock of a venue, to the minute, as a form takes it."""
    return f"{at.astimezone(zone(venue.zone)):%Y-%m-%dT%H:%M}"
