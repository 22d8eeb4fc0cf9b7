"""What of an opening may not come true at a machine there, as far as is known now.

Nothing of it keeps an opening from being fixed. What is amiss is also told of openings that come soon, for as long as
it is so: see `scheduling.answers.watch_openings`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from machines.errors import InputError
from scheduling.answers.paper_at import PaperAt, paper_at
from scheduling.answers.paper_to_come import JUST_BEFORE
from scheduling.log.models import Run
from scheduling.paper.run_anchors import MachinesRead, goes_by_a_run, is_named_by, run_anchor_instant
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.runs import recesses_of, runs_standing
from scheduling.supplies.forecast import coming_changes
from scheduling.venues.local_time_text import moment_in_words
from scheduling.venues.run_recesses import recess_of, recesses_closed

ConcernKind = Literal[
    "no-run",
    "run-ends",
    "rests",
    "stands",
    "late",
    "not-full",
    "supply",
    "named-otherwise",
    "knife-off",
    "cut-within",
    "none-planned",
]
# What is told with the opening alone, and is nothing that somebody has to see to.
TO_KNOW: tuple[ConcernKind, ...] = ("cut-within", "none-planned")
# What nobody said the end of is taken to last so long.
USUAL_LENGTH = timedelta(hours=3)


@dataclass(frozen=True, kw_only=True)
class Doors:
    """An opening as it stands, or would.

    Attributes:
        opens_at: UTC.
        closes_at: UTC; None where nobody said.
        anchors: how people named the two, in JSON, as far as they did.
    """

    opens_at: datetime
    closes_at: datetime | None = None
    anchors: tuple[tuple[Mapping[str, Any], datetime], ...] = ()

    @property
    def last(self) -> datetime:
        """Until when all should be well."""
        return self.closes_at or self.opens_at + USUAL_LENGTH

    @property
    def before_they_close(self) -> str:
        """How it is said of something that it comes before that."""
        return "before the doors close" if self.closes_at else "while the doors may still be open"


@dataclass(frozen=True, kw_only=True)
class Concern:
    """Something that may not come true.

    Attributes:
        kind: of it.
        machine: id of where.
        in_words: a sentence, with times by the venue's clock.
        lasting: the same without what moves from minute to minute.
    """

    kind: ConcernKind
    machine: str
    in_words: str
    lasting: str

    @property
    def is_amiss(self) -> bool:
        """Whether somebody should see to it."""
        return self.kind not in TO_KNOW

    @property
    def leaves_it_well(self) -> bool:
        """Whether all that is known of the machine is well none the less."""
        return not self.is_amiss and self.kind != "none-planned"


def doors_of(
    opens_at: datetime, closes_at: datetime | None, anchor: Mapping[str, Any], closing: Mapping[str, Any] | None
) -> Doors:
    """An opening, from what its row or its event says."""
    ends = ((closing, closes_at),) if closing is not None and closes_at is not None else ()
    return Doors(opens_at=opens_at, closes_at=closes_at, anchors=((anchor, opens_at), *ends))


def opening_concerns(
    context: MachineContext, doors: Doors, read: MachinesRead | None = None, paper: PaperAt | None = None
) -> tuple[Concern, ...]:
    """What may not come true of an opening at a machine; nothing of one that is past.

    Args:
        context: the machine, now, with what stands of it read.
        doors: the opening.
        read: the machines that were read for what names other openings that are looked at with it.
        paper: of the machine as the doors open, where that was worked out already.
    """
    if doors.last <= context.now:
        return ()
    return tuple(_found(context, doors, MachinesRead() if read is None else read, paper))


def _found(context: MachineContext, doors: Doors, read: MachinesRead, paper: PaperAt | None) -> Iterator[Concern]:
    name, one = context.machine.name, _Made(context)
    at = max(doors.opens_at, context.now)  # of one that is under way, now
    # What ends just as the doors close, or begins, is none of it.
    last = max(at, doors.last - JUST_BEFORE)
    standing = runs_standing(context.machine.id)
    runs = list(standing.filter(starts_at__lte=last, ends_at__gt=at).order_by("starts_at", "id"))
    if not runs or runs[0].starts_at > at:
        if standing.exists():
            yield one("no-run", f"{name} is on no run then.")
        else:
            yield one("none-planned", f"No run is planned at {name} yet.")
        yield from _named(context, doors, one, read)
        return
    yield from _on_none(runs, last, doors, one)
    yield from _resting(runs, at, last, doors, one)
    yield from _on_paper(paper if paper is not None and paper.at == at else paper_at(context, at), doors, one)
    yield from _supplies(context, doors, one)
    yield from _named(context, doors, one, read)


@dataclass(frozen=True)
class _Made:
    """Makes what is found at a machine."""

    context: MachineContext

    def __call__(self, kind: ConcernKind, in_words: str, lasting: str | None = None) -> Concern:
        return Concern(kind=kind, machine=self.context.machine.id, in_words=in_words, lasting=lasting or in_words)

    def local(self, at: datetime) -> str:
        return moment_in_words(at, self.context.at_venue.clock)


def _on_none(runs: Sequence[Run], last: datetime, doors: Doors, one: _Made) -> Iterator[Concern]:
    """Where a run ends while the doors are open, and none follows it at once."""
    for run, after in zip(runs, (*runs[1:], None), strict=True):
        if run.ends_at > last or (after is not None and after.starts_at <= run.ends_at):
            continue
        until = "" if after is None else f" until {one.local(after.starts_at)}"
        ends = f"ends at {one.local(run.ends_at)}, {doors.before_they_close}"
        yield one("run-ends", f"Run {run.id} of {one.context.machine.name} {ends}, and it is on none then{until}.")


def _resting(runs: Sequence[Run], at: datetime, last: datetime, doors: Doors, one: _Made) -> Iterator[Concern]:
    """Runs that rest as the doors open, or begin to while they are open."""
    venue, why = one.context.venue, "people hold it, or the venue is closed"
    for run in runs:
        begins, ends = max(at, run.starts_at), min(last, run.ends_at - JUST_BEFORE)
        recesses = (*recesses_of(run), *recesses_closed(run, venue, begins, ends + JUST_BEFORE))
        rests_at = min((recess.starts_at for recess in recesses if begins < recess.starts_at <= ends), default=None)
        if recess_of(run, venue, begins) is not None:
            when = "then" if begins == at else f"at {one.local(begins)}"
        elif rests_at is not None:
            when = f"from {one.local(rests_at)} on, {doors.before_they_close}"
        else:
            continue
        yield one("rests", f"Run {run.id} of {one.context.machine.name} rests {when}: {why}.")


def _on_paper(found: PaperAt, doors: Doors, one: _Made) -> Iterator[Concern]:
    """What lies on the paper then, and does not."""
    context, name = found.context, found.context.machine.name
    pitch, burst = context.profile.column_pitch_mm, context.model.columns_per_burst
    if context.machine.hold:
        yield one("stands", f"{name} stands now, and prints nothing until a person lets it go on.")
    if found.late_columns > burst:
        mm = found.late_columns * pitch
        lasting = f"{name} is still catching up then: what is under its head comes late."
        yield one("late", f"{name} is still catching up then: {mm:.0f} mm that are due are not laid.", lasting)
    blank = found.reach - sum(piece.end - piece.first for piece in found.hangs)
    if context.model.knife is not None and blank > burst:
        lasting = f"Not all of the paper between head and knife of {name} is printed by then."
        of = f"{blank * pitch:.0f} mm of the {found.reach * pitch:.0f} mm"
        yield one("not-full", f"{of} between head and knife of {name} are blank then.", lasting)
    if doors.closes_at is not None and found.cut is not None:
        cuts = (paper_at(context, doors.closes_at).cut or 0) - found.cut
        if cuts > 0:
            told = f"{'A strip is' if cuts == 1 else f'{cuts} strips are'} cut off at {name} while the doors are open."
            off = "" if context.knife_is_armed else " Its knife is off: until somebody arms it, nothing is."
            yield one("cut-within", f"{told}{off}")


def _supplies(context: MachineContext, doors: Doors, one: _Made) -> Iterator[Concern]:
    """Parts that end before it is over, and that nobody comes to change before."""
    for part, end in coming_changes(context, context.now):
        if end.at <= doors.last and end.change.window is None:
            name = context.machine.name
            lasting = f"The {part} of {name} ends {doors.before_they_close}, and nobody comes to change it before."
            yield one("supply", f"The {part} of {name}: {end.change.in_words}.", lasting)


def _named(context: MachineContext, doors: Doors, one: _Made, read: MachinesRead) -> Iterator[Concern]:
    """Whether what it was named by is still printed, or cut off, then."""
    machine, runs = context.machine, None
    for anchor, at in doors.anchors:
        if not goes_by_a_run(anchor):
            continue
        runs = set(runs_standing(machine.id).values_list("id", flat=True)) if runs is None else runs
        if not is_named_by(anchor, machine.id, runs):
            continue
        try:
            named_at = run_anchor_instant(anchor, context.venue, read)
        except InputError:
            yield one("named-otherwise", f"What it was named by is not planned on {machine.name} any more.")
            continue
        if named_at != at:
            told = f"What it was named by is at {one.local(named_at)} on {machine.name} by now."
            yield one("named-otherwise", told)
        elif "strip_cut" in anchor and not context.knife_is_armed:
            yield one("knife-off", f"The knife of {machine.name} is off: until somebody arms it, no strip is cut off.")
