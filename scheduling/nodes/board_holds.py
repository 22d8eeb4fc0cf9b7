"""What a machine's board holds of a run, by its newest word: until then it prints by what it was told last."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from machines.protocol.messages import Status
from machines.serialization import structure_lenient
from scheduling.log.models import Heartbeat, Machine, Run
from scheduling.sky.zones import zone
from scheduling.venues.local_time_text import moment_in_words


@dataclass(frozen=True, kw_only=True)
class BoardHolds:
    """What a board holds of a run, as far as it was heard.

    Attributes:
        heard_at: when it was heard last, UTC; None for never.
        until: when the work ends that it holds of the run, UTC; None where it holds nothing of it.
        next_column: that it would lay next, by that word; None where it is not on the run.
        in_words: for people; times are by the venue's clock.
    """

    heard_at: datetime | None
    until: datetime | None
    next_column: int | None
    in_words: str


def board_holds(run: Run, machine: Machine) -> BoardHolds:
    """What the board of a run's machine holds of it.

    Args:
        run: which.
        machine: its row, with its venue.
    """
    row = Heartbeat.objects.filter(machine_id=machine.id).first()
    if row is None:
        said = f"{machine.name} was never heard, and holds none of it."
        return BoardHolds(heard_at=None, until=None, next_column=None, in_words=said)
    clock = zone(machine.venue.zone)
    if not row.status:  # it has asked for work, and said nothing yet
        said = (
            f"{machine.name} was last heard on {moment_in_words(row.heard_at, clock)}, and has not said what it holds."
        )
        return BoardHolds(heard_at=row.heard_at, until=None, next_column=None, in_words=said)
    status = structure_lenient(row.status, Status)
    # An older node does not say of which run its work is.
    holds = status.held_until is not None and status.held_run in (None, run.id) and status.held_until > run.starts_at
    until = status.held_until if holds else None
    said = f"{machine.name} was last heard on {moment_in_words(row.heard_at, clock)}"
    said += ", and holds none of it." if until is None else f"; it holds work until {moment_in_words(until, clock)}"
    if until is not None:
        # An older node says nothing of a revision.
        is_behind = status.held_revision is not None and status.held_revision < run.revision
        said += ", and has not heard of the newest change to it." if is_behind else "."
    return BoardHolds(
        heard_at=row.heard_at, until=until, next_column=status.next_column if holds else None, in_words=said
    )
