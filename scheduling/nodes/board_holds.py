"""What a machine's board holds of a run, by its newest word: until then it prints by what it was told last."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from machines.errors import InputError
from machines.protocol.messages import Status
from machines.serialization import structure_lenient
from scheduling.log.models import Heartbeat, Machine, Run
from scheduling.sky.zones import zone
from scheduling.venues.local_time_text import moment_in_words

# What is added to how far a board holds work, by whether it knows what was said of it.
_HOW_FAR = {
    True: ", and knows all that was said of it so far.",
    False: " by the plan before: it has not heard of the newest change.",
    None: ".",  # an older board does not say
}


@dataclass(frozen=True, kw_only=True)
class BoardHolds:
    """What a board holds of a run, as far as it was heard.

    Attributes:
        heard_at: when it was heard last, UTC; None for never.
        until: when the work ends that it holds of the run, UTC; None where it holds nothing of it.
        next_column: that it would lay next, by that word; None where it is not on the run.
        in_words: for people; times are by the venue's clock.
        revision: how much it has heard of what people said of the run; None where it holds nothing of one that stands,
            or an older board does not say.
    """

    heard_at: datetime | None
    until: datetime | None
    next_column: int | None
    in_words: str
    revision: int | None = None

    def knows(self, revision: int) -> bool | None:
        """Whether it has heard of a revision of the run; None where it holds nothing of it, or does not say."""
        return None if self.revision is None else self.revision >= revision

    def of(self, revision: int) -> BoardKnows:
        """The same, with whether it knows a revision of the run."""
        return BoardKnows(
            knows=self.knows(revision), heard_at=self.heard_at, holds_until=self.until, in_words=self.in_words
        )


@dataclass(frozen=True, kw_only=True)
class BoardKnows:
    """Whether the board of a machine knows what people said of a run.

    Attributes:
        knows: false while it prints by the plan before; null where it holds nothing of a run that stands, was never
            heard, or does not say.
        heard_at: when it was heard last; null for never.
        holds_until: when the work ends that it holds of the run; null where it holds nothing of it.
        in_words: for people; times are by the venue's clock.
    """

    knows: bool | None
    heard_at: datetime | None
    holds_until: datetime | None
    in_words: str


def boards_know(runs: Iterable[Run]) -> dict[str, BoardKnows]:
    """Of runs, by id, whether their boards know what was said of them: read in two queries, however many. Left out are
    those whose machine was closed into an archive."""
    rows = list(runs)
    machines = Machine.objects.select_related("venue").in_bulk({run.machine_id for run in rows})
    heard = {row.machine_id: row for row in Heartbeat.objects.filter(machine_id__in=machines)}
    known = {}
    for run in rows:
        if (machine := machines.get(run.machine_id)) is not None:
            held = holds_by(run, machine.name, zone(machine.venue.zone), heard.get(machine.id))
            known[run.id] = held.of(run.revision)
    return known


def board_holds(run: Run, machine: Machine) -> BoardHolds:
    """What the board of a run's machine holds of it.

    Args:
        run: which.
        machine: its row, with its venue.
    """
    row = Heartbeat.objects.filter(machine_id=machine.id).first()
    return holds_by(run, machine.name, zone(machine.venue.zone), row)


def _of(run: Run, status: Status) -> Status:
    """What a board says of the work that it holds, where that is of the run after the one that it is on."""
    then = status.following
    if then is None or then.run != run.id:
        return status
    return replace(status, held_until=then.until, held_run=then.run, held_revision=then.revision, next_column=None)


def holds_by(run: Run, name: str, clock: ZoneInfo, row: Heartbeat | None) -> BoardHolds:
    """What a board holds of a run, by its newest word.

    Args:
        run: which.
        name: of its machine.
        clock: of the machine's venue.
        row: the word; None where it never gave one.
    """
    if row is None:
        said = f"{name} was never heard, and holds none of it."
        return BoardHolds(heard_at=None, until=None, next_column=None, in_words=said)
    if not row.status:  # it has asked for work, and said nothing yet
        said = f"{name} was last heard on {moment_in_words(row.heard_at, clock)}, and has not said what it holds."
        return BoardHolds(heard_at=row.heard_at, until=None, next_column=None, in_words=said)
    status = _of(run, structure_lenient(row.status, Status))
    # An older node does not say of which run its work is.
    holds = status.held_until is not None and status.held_run in (None, run.id) and status.held_until > run.starts_at
    until = status.held_until if holds else None
    said = f"{name} was last heard on {moment_in_words(row.heard_at, clock)}"
    if until is None:
        said += ", and holds none of it."
        # Of a run that was withdrawn before it said so, there is nothing left to hear.
        has_let_go = run.withdrawn_at is not None and status.at > run.withdrawn_at
        knows = run.revision if has_let_go else None
        return BoardHolds(heard_at=row.heard_at, until=None, next_column=None, in_words=said, revision=knows)
    held = BoardHolds(
        heard_at=row.heard_at,
        until=until,
        next_column=status.next_column,
        in_words=f"{said}; it holds work until {moment_in_words(until, clock)}",
        revision=status.held_revision,
    )
    return replace(held, in_words=held.in_words + _HOW_FAR[held.knows(run.revision)])


def require_none_withdrawn(machine: Machine, field: str) -> None:
    """See that a machine's board holds nothing of a run that was withdrawn, as far as it was heard: it may print of
    that, by the numbers that it was told, until it hears of it.

    Args:
        machine: its row, with its venue.
        field: that is to change.

    Raises:
        InputError: it does.
    """
    for run in Run.objects.filter(machine_id=machine.id, withdrawn_at__isnull=False).order_by("starts_at", "id"):
        held = board_holds(run, machine)
        if held.until is not None:
            problem = f"run {run.id} was withdrawn, and its board may print of it. {held.in_words}"
            raise InputError(field, problem.removesuffix("."), "wait until it was heard again, or enrol another board")
