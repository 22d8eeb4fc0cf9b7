"""What planning a run would come to, told before anything is written: where its rolls and blades end, in which service
windows they are to be changed, and what of it cannot go well or may not be meant.

Ink is estimated from a small drawing of the picture: plates, from which it is counted, are drawn when the run is
planned.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from scheduling.commands.handlers import check_whole, require_new
from scheduling.commands.plan_run import PlanRun, RunContext
from scheduling.commands.quiet_concerns import quiet_concerns
from scheduling.commands.run_concerns import Concern, Plan, concerns, local_in_words
from scheduling.log.events.plans import RunPlanned
from scheduling.log.models import Run
from scheduling.planning.timeline import Timeline
from scheduling.queries.machine_context import MachineContext, machine_contexts
from scheduling.queries.runs import as_planned
from scheduling.queries.venue_context import venue_contexts
from scheduling.rendering.sky_parameters import turn_at
from scheduling.rendering.sources import render_source
from scheduling.rendering.upload_store import UploadStore
from scheduling.supplies.forecast import End
from scheduling.supplies.ink_estimate import InkEstimate, Made, anew, ink_estimate
from scheduling.supplies.left_out import columns_in, left_out, without
from scheduling.supplies.part_ends import MOST_ENDS, PartEnd, part_ends
from scheduling.supplies.remaining_work import NONE, RemainingColumns
from scheduling.venues.quiet import quiet_of


@dataclass(frozen=True, kw_only=True)
class RunCheck:
    """A run that could be planned.

    Attributes:
        run: id that was asked for.
        first_column, end_column: running columns that it would hold, the end excluded.
        paper_mm: fed by all of them that are laid.
        cuts: strokes of the knife until its last column is laid; at strips that are left out, too.
        ink: that its columns take; None of a machine that uses none, or where it was not asked for.
        ends: of rolls and of blades, in order of time, each taken to be changed in its service window, and where there
            is none as it ends; at most 24 of each.
        warnings: what should be put right, or be meant, before it is planned; one for each cause.
    """

    run: str
    first_column: int
    end_column: int
    paper_mm: float
    cuts: int
    ink: InkEstimate | None
    ends: tuple[PartEnd, ...]
    warnings: tuple[Concern, ...]


def check_run(command: PlanRun, now: datetime, uploads: UploadStore | None, made: Made | None = anew) -> RunCheck:
    """What a run would come to; nothing is written.

    Args:
        command: that would plan it.
        now: this instant, UTC.
        uploads: where the files of sources lie; None where no source has one.
        made: who draws its picture for its ink, see `ink_estimate`; None where its ink is not asked for.

    Raises:
        InputError: it cannot be planned; names the field.
        IdInUse: its id is in use.
        ViewsSetAside: it cannot be checked.
        Exception: whatever ``made`` raises.
    """
    checked = check_whole(command, now, uploads)
    require_new(command)
    assert isinstance(checked.event, RunPlanned) and checked.run is not None
    return run_check(as_planned(command.id, checked.event), checked.run, now, uploads, made=made)


def run_check(
    run: Run,
    context: RunContext,
    now: datetime,
    uploads: UploadStore | None,
    *,
    after: Run | None = None,
    due: NDArray[np.int64] = NONE,
    since: datetime | None = None,
    made: Made | None = None,
) -> RunCheck:
    """What a run would come to.

    Args:
        run: as it would be; one that stands under its id is not counted beside it.
        context: what it is planned on.
        now: this instant, UTC.
        uploads: where the files of sources lie; None where no source has one.
        after: the run that it follows, as that would be then; None where it follows none.
        due: of what is planned of it, the running columns that are to come.
        since: parts that end before this instant, UTC, are not told; None tells all.
        made: who draws its picture for its ink; None where its ink is not asked for.
    """
    of_machine = machine_contexts([context.machine], now, venue_contexts([context.venue]))[0]
    profile, timeline = of_machine.profile_of(run), context.timeline
    plan = Plan(
        run=run,
        machine=of_machine.machine,
        venue=of_machine.venue,
        profile=profile,
        original=render_source(context.source, uploads),
        turn=turn_at(timeline.cycle, run.starts_at),
        now=now,
    )
    to_come = columns_to_come(run, of_machine, timeline, due)
    quiet, out = to_come.quiet, to_come.left_out
    ends = [one for one in part_ends(of_machine, to_come, after) if since is None or one.end.at >= since]
    return RunCheck(
        run=run.id,
        first_column=run.first_column,
        end_column=run.end_column,
        paper_mm=(run.end_column - run.first_column - columns_in(out, run.first_column, run.end_column))
        * profile.column_pitch_mm,
        cuts=len(to_come.cuts),
        ink=None
        if made is None
        else ink_estimate(run, profile, context.source, timeline, of_machine.at_venue.place, uploads, out, quiet, made),
        ends=tuple(ends),
        warnings=(*concerns(plan), *_of_quiet(to_come), *_of_ends(ends, plan.clock)),
    )


def columns_to_come(
    run: Run, of_machine: MachineContext, timeline: Timeline, due: NDArray[np.int64] = NONE
) -> RemainingColumns:
    """What is to come of a run, without what it leaves out by itself.

    Args:
        run: as it would be.
        of_machine: its machine.
        timeline: its columns against its cycle.
        due: of what is planned of it, the running columns that are to come.
    """

    def timeline_of(_: Run) -> Timeline:
        return timeline

    profile, venue, now = of_machine.profile_of(run), of_machine.venue, of_machine.now
    out = left_out(run, profile, timeline_of, venue, now)
    return RemainingColumns(
        run=run,
        profile=profile,
        now=now,
        timeline_of=timeline_of,
        due=without(due, out),
        quiet=quiet_of(venue),
        left_out=out,
    )


def _of_quiet(run: RemainingColumns) -> Iterator[Concern]:
    return (Concern(kind=kind, field="machine", in_words=words) for kind, words in quiet_concerns(run))


def _of_ends(ends: Sequence[PartEnd], clock: ZoneInfo) -> Iterator[Concern]:
    """What the ends of parts are warned of: one sentence for a cause, with the first and the last of them."""
    for part in ("roll", "blade"):
        of_part = [one.end for one in ends if one.part == part]
        without = [end for end in of_part if end.change.window is None]
        if without:
            words = without[0].change.in_words
            yield Concern(
                kind="no-window", field="ends_at", in_words=_once(part, without, f"{words} ({clock.key})", clock)
            )
        for falls in dict.fromkeys(end.falls for end in of_part if end.falls is not None):
            same = [end for end in of_part if end.falls == falls]
            words = f"the {part} ends {same[0].warning} ({clock.key})"
            yield Concern(kind="bad-moment", field="ends_at", in_words=_once(part, same, words, clock))


def _once(part: str, ends: Sequence[End], of_first: str, clock: ZoneInfo) -> str:
    """The sentence about the first of several ends, and how many more there are."""
    if len(ends) == 1:
        return of_first
    last = local_in_words(ends[-1].at, clock)
    count = f"{'at least ' if len(ends) == MOST_ENDS else ''}{len(ends)}"
    return f"{of_first}; so it is with {count} {part}s, the last {last}"
