"""Every time that a place of the picture is laid in a span, as it is told to whoever asks: by any clocks, with how well
it is known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from machines.errors import InputError
from machines.operator.durations import duration
from machines.protocol.messages import Status
from machines.serialization import structure_lenient
from scheduling.log.models import Run
from scheduling.paper.next_passage import Passage, PassageQuery, Span, phase_of
from scheduling.paper.passages import passages_between, resting, runs_between
from scheduling.queries.machine_context import MachineContext
from scheduling.venues.local_time_text import span_in_words

# 400 days of one a day, and to spare; of a quick picture an answer ends earlier than was asked for, and says so.
MOST_PASSAGES = 500


@dataclass(frozen=True, kw_only=True)
class ByClock:
    """The spans of a passage by another clock than the venue's, in words.

    Attributes:
        zone: IANA name of the clock.
        laid, at_knife, cut_off: as of a `Passage`.
    """

    zone: str
    laid: str
    at_knife: str | None
    cut_off: str | None


@dataclass(frozen=True, kw_only=True)
class PassageTold:
    """A time at which a place comes round.

    Attributes:
        passage: by the plan, in the words of the venue's clock.
        in_recess: whether nothing is laid then, as people hold the run or its venue is closed.
        by_clocks: by the clocks that were asked for, in their order.
    """

    passage: Passage
    in_recess: bool
    by_clocks: tuple[ByClock, ...]


@dataclass(frozen=True, kw_only=True)
class Certainty:
    """How well the instants are known, but for what may yet happen.

    Attributes:
        burst_s: how long a burst stands for, seconds: what is laid at once; 0 where nothing comes round.
        clock_error_s: how far off the board's clock may be, seconds, as it said last; None where it did not.
        in_words: that, and that it is the plan that is told.
    """

    burst_s: float
    clock_error_s: float | None
    in_words: str


@dataclass(frozen=True, kw_only=True)
class PassagesTold:
    """Every time at which a place comes round from one instant to another, UTC; the end is excluded.

    Attributes:
        ends_at: that was asked for, or the first time that is not told where there are more than 500.
    """

    machine: str
    begins_at: datetime
    ends_at: datetime
    passages: tuple[PassageTold, ...]
    certainty: Certainty


def passages_told(
    context: MachineContext, query: PassageQuery, begins: datetime, ends: datetime, clocks: Sequence[ZoneInfo]
) -> PassagesTold:
    """Every time that a machine's runs lay a place from one instant to another, past or to come, by the plan.

    Args:
        context: the machine.
        query: which place; a run whose picture and cycle have none such is passed over.
        begins, ends: UTC, at most 400 days apart.
        clocks: by which it is told, too.

    Raises:
        InputError: none of the runs then has such a place.
    """
    runs = runs_between(context, begins, ends)
    _require_a_place(context, runs, query)
    found = passages_between(context, query, begins, ends, MOST_PASSAGES + 1)
    if len(found) > MOST_PASSAGES:
        ends = found.pop().laid.begins_at
    rests = resting(context, found)
    return PassagesTold(
        machine=context.machine.id,
        begins_at=begins,
        ends_at=ends,
        passages=tuple(_told(one, is_resting, clocks) for one, is_resting in zip(found, rests, strict=True)),
        certainty=_certainty(context, found, may_rest=any(run.holds or run.only_while_open for run in runs)),
    )


def _require_a_place(context: MachineContext, runs: Iterable[Run], query: PassageQuery) -> None:
    refused = None
    for run in runs:
        try:
            phase_of(run, context.profile_of(run), query)
        except InputError as error:
            refused = error
        else:
            return
    if refused is not None:
        raise refused


def _told(passage: Passage, in_recess: bool, clocks: Sequence[ZoneInfo]) -> PassageTold:
    return PassageTold(
        passage=passage,
        in_recess=in_recess,
        by_clocks=tuple(
            ByClock(
                zone=clock.key,
                laid=_words(passage.laid, clock),
                at_knife=None if passage.at_knife is None else _words(passage.at_knife, clock),
                cut_off=None if passage.cut_off is None else _words(passage.cut_off, clock),
            )
            for clock in clocks
        ),
    )


def _length(seconds: float) -> str:
    """Of time, in a unit of its size."""
    if seconds >= 60.0:
        return duration(seconds)
    return f"{seconds:.0f} s" if seconds >= 10.0 else f"{seconds:.3f} s"


def _words(span: Span, clock: ZoneInfo) -> str:
    return span_in_words(span.begins_at, span.ends_at, clock, lambda local: f"{local:%Y-%m-%d}")


def _certainty(context: MachineContext, found: Sequence[Passage], *, may_rest: bool) -> Certainty:
    burst_s = max(((one.laid.ends_at - one.laid.begins_at).total_seconds() for one in found), default=0.0)
    heartbeat = context.heartbeat
    status = structure_lenient(heartbeat.status, Status) if heartbeat is not None and heartbeat.status else None
    error_s = None if status is None else status.clock_error_s
    parts = ["This is the plan: an outage, or what is said later, makes it otherwise."]
    if burst_s:
        parts.append(f"What belongs to {_length(burst_s)} is laid at once, at the beginning of each span.")
    if may_rest:
        parts.append("While its run rests the paper stands: what would come to the knife then comes later.")
    if error_s is not None:
        parts.append(f"Its board's clock is right to {_length(error_s)}.")
    else:
        parts.append("How far off its board's clock may be, it has not said.")
    if any(one.cut_off is not None for one in found) and not context.knife_is_armed:
        parts.append("Its knife is off: until somebody arms it, nothing is cut off.")
    return Certainty(burst_s=burst_s, clock_error_s=error_s, in_words=" ".join(parts))
