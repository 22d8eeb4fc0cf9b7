"""A machine's paper along time: some days of it, past or to come, on one axis with all that belongs to them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from zoneinfo import ZoneInfo

from django.urls import reverse

from scheduling.log.models import Machine, Run, Segment, Strip
from scheduling.queries.machine_context import MachineContext, machine_context
from scheduling.sky.civil import day_bounds
from scheduling.sky.zones import zone
from scheduling.venues.hours import venue_closed
from scheduling.venues.service_windows import windows_of
from server.console.daylight import daylight
from server.console.days_span import DaysSpan, days_span
from server.console.events_in_time import Happening, happenings
from server.console.own_clock import NO_CLOCK, UTC, OwnClock
from server.console.plots_in_time import Plot, plots
from server.console.strip_scale import Box, Light, Named, PlateBox
from server.console.time_marks import time_marks

MARKS, NEAR_THE_EDGE = 12, 2.0
# Stretches of paper that follow each other so closely are one.
CLOSE_S = 1.0
# So many segments are drawn; of a turn that is cut into more, those that begin first.
MOST_SEGMENTS = 3000


@dataclass(frozen=True)
class Length:
    """A stretch of time in which columns are laid, and the plates of their turns."""

    box: Box
    turns: tuple[PlateBox, ...]


@dataclass(frozen=True)
class RunLabel:
    """A run within the days: what it prints, from where on in per cent, and which end of its name stands there."""

    id: str
    name: str
    x: float
    anchor: str


@dataclass(frozen=True)
class PaperInTime:
    """Some days of a machine.

    Attributes:
        laid, to_come: lengths of what is on the paper, and of what is planned.
        missing: what is not on the paper, and may be on it, of what was due.
        cuts: when the knife came to a boundary, and whether it cut.
        now: this moment, units; None where it is not within.
        own: the reader's clock, where it is another than these two.
        hours, utc, own_hours: marks of the venue's clock, of UTC and of the reader's clock, per cent.
        plots: of what was measured.
        said: in words what the drawing shows.
    """

    machine: Machine
    venue: str
    zone: str
    span: DaysSpan
    runs: tuple[RunLabel, ...]
    laid: tuple[Length, ...]
    to_come: tuple[Length, ...]
    missing: tuple[Box, ...]
    cuts: tuple[tuple[float, bool], ...]
    now: float | None
    lights: tuple[Light, ...]
    closed: tuple[Light, ...]
    windows: tuple[Light, ...]
    hours: tuple[Named, ...]
    utc: tuple[Named, ...]
    own: OwnClock
    own_hours: tuple[Named, ...]
    plots: tuple[Plot, ...]
    happened: tuple[Happening, ...]
    said: str


def paper_in_time(machine: Machine, first: str, days: str, now: datetime, own: OwnClock = NO_CLOCK) -> PaperInTime:
    """Some days of a machine's paper, by the venue's clock, in UTC, and by the reader's own.

    Raises:
        InputError: see `days_span`.
    """
    context = machine_context(machine, now)
    there = context.at_venue
    own = own.beside(there.venue.zone, UTC)
    span = days_span(first, days, there.clock, now, context.model.travel == "right")
    runs = list(
        Run.objects.filter(machine_id=machine.id, withdrawn_at=None, starts_at__lt=span.ends, ends_at__gt=span.begins)
        .order_by("starts_at", "id")
        .select_related("source")
    )
    segments = _segments(runs, span)
    laid, missing, to_come = _of_segments(segments)
    turns = _turns(context, {run.id: run for run in runs}, segments, span)
    strips = Strip.objects.filter(run_id__in=[run.id for run in runs], at__gte=span.begins, at__lt=span.ends)
    cuts = tuple((span.x(at), made) for at, made in strips.order_by("at").values_list("at", "made"))
    blank = tuple(box for box in (span.box(*one) for one in missing) if box.width)
    return PaperInTime(
        machine=machine,
        venue=there.venue.name,
        zone=there.venue.zone,
        span=span,
        runs=tuple(_label(run, span) for run in runs),
        laid=tuple(_length(span, one, turns) for one in laid),
        to_come=tuple(_length(span, one, turns) for one in to_come),
        missing=blank,
        cuts=cuts,
        now=span.x(now) if span.begins <= now < span.ends else None,
        lights=tuple(_lights(context, span)),
        closed=tuple(_percent(span, *one, "closed") for one in venue_closed(there.venue, span.begins, span.ends)),
        windows=tuple(
            _percent(span, one.starts_at, one.ends_at, "service") for one in windows_of(there, span.begins, span.ends)
        ),
        hours=_marks(span, there.clock),
        utc=_marks(span, zone(UTC)),
        own=own,
        own_hours=_marks(span, zone(own.zone)) if own.zone else (),
        plots=plots(machine, segments, span),
        happened=tuple(happenings(context, runs, span.begins, span.ends, own)),
        said=f"The paper of {machine.name} along time: {_some(len(blank), 'stretch', 'stretches')} missing, "
        f"{_some(sum(made for _, made in cuts), 'cut', 'cuts')} made.",
    )


def _some(number: int, one: str, many: str) -> str:
    return f"{number or 'no'} {one if number == 1 else many}"


def _label(run: Run, span: DaysSpan) -> RunLabel:
    """Its name stands where it begins, or where it comes into sight."""
    at = round(min(max(span.x(run.starts_at) / 10, 0.0), 100.0), 2)
    return RunLabel(run.id, run.source.name, at, "end" if span.is_mirrored else "start")


def _segments(runs: Sequence[Run], span: DaysSpan) -> list[Segment]:
    rows = Segment.objects.filter(
        run_id__in=[run.id for run in runs], starts_at__lt=span.ends, ends_at__gt=span.begins
    ).exclude(state=Segment.WITHDRAWN)
    return list(rows.order_by("starts_at", "run_id", "number")[:MOST_SEGMENTS])


Spans = list[tuple[datetime, datetime]]


def _of_segments(segments: Sequence[Segment]) -> tuple[Spans, Spans, Spans]:
    """When what is on the paper was due, when what is missing was, and what is to come or was not told."""
    laid: Spans = []
    missing: Spans = []
    to_come: Spans = []
    for one in segments:
        at = one.first_column
        for first, end, outcome in [*one.outcomes, [one.end_column, one.end_column, ""]]:
            if first > at:
                _add(to_come, _instant(one, at), _instant(one, first))
            if end > first:
                _add(laid if outcome == "printed" else missing, _instant(one, first), _instant(one, end))
            at = end
    return laid, missing, to_come


def _instant(segment: Segment, column: int) -> datetime:
    """When a column of a segment is due; evenly between its ends, which is near enough for a drawing."""
    share = (column - segment.first_column) / (segment.end_column - segment.first_column)
    at: datetime = segment.starts_at + share * (segment.ends_at - segment.starts_at)
    return at


def _add(spans: Spans, begins: datetime, ends: datetime) -> None:
    if spans and abs((begins - spans[-1][1]).total_seconds()) <= CLOSE_S:
        spans[-1] = (spans[-1][0], ends)
    else:
        spans.append((begins, ends))


def _turns(
    context: MachineContext, runs: dict[str, Run], segments: Sequence[Segment], span: DaysSpan
) -> list[PlateBox]:
    """The plate of each turn, from where to where it would be if the days held all of it."""
    found = []
    for (run, turn), mine in groupby(segments, key=lambda one: (one.run_id, _turn(context, runs, one))):
        of_turn = list(mine)
        first, last = of_turn[0], of_turn[-1]
        per_turn = context.model_of(runs[run]).columns_per_turn
        column_s = (last.ends_at - first.starts_at).total_seconds() / (last.end_column - first.first_column)
        begins = first.starts_at - timedelta(seconds=(first.first_column - turn * per_turn) * column_s)
        x, end = sorted((span.x(begins), span.x(begins + timedelta(seconds=per_turn * column_s))))
        address = reverse("plate-picture", args=[context.machine.id, first.plate])
        found.append(PlateBox(x, round(end - x, 1), address))
    return found


def _turn(context: MachineContext, runs: dict[str, Run], segment: Segment) -> int:
    return int(segment.first_column // context.model_of(runs[segment.run_id]).columns_per_turn)


def _length(span: DaysSpan, one: tuple[datetime, datetime], turns: Sequence[PlateBox]) -> Length:
    box = span.box(*one)
    seen = tuple(turn for turn in turns if turn.x < box.x + box.width and turn.x + turn.width > box.x)
    return Length(box, seen)


def _lights(context: MachineContext, span: DaysSpan) -> Iterator[Light]:
    there = context.at_venue
    for number in range(span.days):
        begins, _ = day_bounds(span.first + timedelta(days=number), there.clock)
        for one in daylight(there.place, there.venue.zone, begins).stretches:
            yield _percent(span, one.begins, one.ends, one.light)


def _percent(span: DaysSpan, begins: datetime, ends: datetime, light: str) -> Light:
    box = span.box(begins, ends)
    return Light(round(box.x / 10, 2), round(box.width / 10, 2), light)


def _marks(span: DaysSpan, clock: ZoneInfo) -> tuple[Named, ...]:
    marks = time_marks(span.begins, span.ends, clock, MARKS)
    placed = ((round(span.x(one.at) / 10, 2), one) for one in marks)
    inside = ((x, one) for x, one in placed if NEAR_THE_EDGE < x < 100.0 - NEAR_THE_EDGE)
    return tuple(Named(x, one.text, "middle", "day" if one.is_day else "hour") for x, one in inside)
