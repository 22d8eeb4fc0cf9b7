"""When a place of the picture comes round next: under the head, and then at the knife.

A place is laid with its burst, at the burst's instant, so people are told the span that the burst stands for, and not
the instant at which the sky is just there. The plan is told, not what may yet delay it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

import numpy as np
from django.db.models import QuerySet
from numpy.typing import ArrayLike, NDArray

from machines.clock import utc
from machines.errors import InputError
from machines.imaging.pictures import DaylightMap, LandPicture, Picture, from_json
from machines.model.profile import Profile
from machines.model.slots import boundaries
from scheduling.log.models import Run
from scheduling.paper.proof import longitude_at_half
from scheduling.paper.quiet_cuts import held_cuts
from scheduling.planning.timeline import Timeline
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.run_versions import run_source
from scheduling.queries.runs import run_instants, runs_standing, waited
from scheduling.sky.arrays import FloatArray
from scheduling.venues.local_time_text import span_in_words
from scheduling.venues.quiet import QuietBetween, quiet_of

UNDER = {
    "apparent-solar-day": "under the Sun",
    "mean-solar-day": "under the mean Sun",
    "lunar-day": "under the Moon",
    "sidereal-day": "under the March equinox",
}
BY_THE_SUN = ("apparent-solar-day", "mean-solar-day")
# The longitude that has the March equinox overhead at sidereal phase one half; it falls from there as all others do.
EQUINOX_AT_HALF_DEGREES = -180.0
# Beyond so many turns without a cut, what of the paper is cut off is not said.
TURNS_LOOKED_AT = 3
# What becomes of the paper with a place: it is wound up, or not cut in its run, or still hangs at the machine when the
# run ends, or is cut off, or would be if the knife were armed.
PaperFate = Literal["wound-up", "not-cut", "left-hanging", "cut-off", "cut-off-if-armed"]


@dataclass(frozen=True, kw_only=True)
class PassageQuery:
    """A place of the picture, named in one of three ways.

    Attributes:
        longitude: degrees, east positive: of the map, or of the place under the Sun, the Moon or the equinox.
        phase: of the turn, from 0 to below 1.
        column: of the turn, from 0.
    """

    longitude: float | None = None
    phase: float | None = None
    column: int | None = None

    def __post_init__(self) -> None:
        given = [name for name in ("longitude", "phase", "column") if getattr(self, name) is not None]
        if len(given) != 1:
            problem = f"{' and '.join(given)} given" if given else "missing"
            raise InputError(given[-1] if given else "longitude", problem, "give one of longitude, phase and column")
        if self.longitude is not None and not -180.0 <= self.longitude <= 180.0:
            raise InputError("longitude", f"{self.longitude:g} degrees", "give -180 to 180, east positive")
        if self.phase is not None and not 0.0 <= self.phase < 1.0:
            raise InputError("phase", f"{self.phase:g}", "give 0 to below 1")


@dataclass(frozen=True, kw_only=True)
class Span:
    """What one burst stands for: from its own instant, at which it is laid, to that of the next burst, UTC.

    Attributes:
        in_words: by the venue's clock, such as ``between 14:02 and 14:32 on 2026-03-21``; a time that this clock shows
            twice is told with what it is called then, such as ``01:30 WET``.
    """

    begins_at: datetime
    ends_at: datetime
    in_words: str


@dataclass(frozen=True, kw_only=True)
class Passage:
    """When a place of the picture comes round next.

    Attributes:
        machine, run: where.
        longitude: that was asked for; None where a phase or a column was.
        stands: what that longitude is of, such as ``under the Sun``; None where none was asked for.
        phase: of the turn.
        turn: in which.
        column: running column.
        at: when the sky is there, UTC.
        laid: the burst in which it is laid.
        at_knife: the burst in which the paper with it comes to the knife; None without a knife, and where it hangs
            there uncut when the run ends.
        cut_off: the burst in which the strip with it is cut off; None likewise, and where the run is not cut.
    """

    machine: str
    run: str
    longitude: float | None
    stands: str | None
    phase: float
    turn: int
    column: int
    at: datetime
    laid: Span
    at_knife: Span | None
    cut_off: Span | None


def next_passage(context: MachineContext, query: PassageQuery) -> Passage | None:
    """The next time at or after an instant that a machine's runs have a place of their picture under the head.

    Args:
        context: the machine, at this instant.
        query: which place.

    Returns:
        None where no run that is planned comes to it.

    Raises:
        InputError: the turn has no such column, or the picture and its cycle have no longitude.
    """
    for run in runs_not_over(context):
        on = on_run(context, run)
        phase, stands = phase_of(run, on.profile, query)
        for found in on.coming(phase, max(context.now, run.starts_at), 1):
            return told(on, query, phase, stands, found)
    return None


def runs_not_over(context: MachineContext) -> QuerySet[Run]:
    """A machine's runs with their sources, the present one and those to come, in order of time."""
    runs = runs_standing(context.machine.id).filter(ends_at__gt=context.now).order_by("starts_at", "id")
    return runs.select_related("source")


def place_naming(picture: Picture, cycle: str) -> Literal["longitude", "hours", "share"]:
    """How people name a place of a picture: by a longitude, by hours of right ascension, or by its share of a turn."""
    if longitude_at_half(picture, cycle) is not None:
        return "longitude"
    return "hours" if cycle == "sidereal-day" else "share"


def shows_places(picture: Picture, cycle: str) -> bool:
    """Whether somebody who names a town may be told when it is printed: the picture is a map of the world, or goes by
    the Sun. What shows the Moon or stars shows no towns, though it may be asked about a longitude."""
    is_map = isinstance(picture, LandPicture | DaylightMap)
    return is_map or (cycle in BY_THE_SUN and place_naming(picture, cycle) == "longitude")


def paper_fate(context: MachineContext, passage: Passage) -> PaperFate:
    """What becomes of the paper with a place."""
    if context.profile.knife is None:
        return "wound-up"
    if not Run.objects.values_list("strips_per_turn", flat=True).get(id=passage.run):
        return "not-cut"
    if passage.cut_off is None:
        return "left-hanging"
    return "cut-off" if context.knife_is_armed else "cut-off-if-armed"


def phase_of(run: Run, profile: Profile, query: PassageQuery) -> tuple[float, str | None]:
    """The phase that is asked for in a run, and what its longitude is of."""
    if query.phase is not None:
        return query.phase, None
    if query.column is not None:
        if not 0 <= query.column < profile.columns_per_turn:
            remedy = f"the columns of a turn are 0 to {profile.columns_per_turn - 1}"
            raise InputError("column", f"there is no column {query.column}", remedy)
        return query.column / profile.columns_per_turn, None
    found = longitudes_of(run)
    if found is None or query.longitude is None:
        raise InputError("longitude", f"run {run.id!r} has none", "ask for a phase or a column of its turn")
    at_half, stands = found
    return (0.5 - (query.longitude - at_half) / 360.0) % 1.0, stands


def longitudes_of(run: Run) -> tuple[float, str] | None:
    """The longitude at phase one half of a run's turn, from which they fall by 360 degrees a turn, and what they are
    of, such as ``under the Sun``; None where its picture and its cycle have none."""
    picture = from_json(run_source(run).picture)
    at_half = longitude_at_half(picture, run.cycle)
    if at_half is None and run.cycle == "sidereal-day":
        at_half = EQUINOX_AT_HALF_DEGREES
    return None if at_half is None else (at_half, _stands(picture, run))


def _stands(picture: Picture, run: Run) -> str:
    return "on the map" if isinstance(picture, LandPicture | DaylightMap) else UNDER[run.cycle]


def columns_of_phase(phase: float, turns: NDArray[Any], columns_per_turn: int) -> NDArray[np.int64]:
    """The running columns that hold a phase in some turns, counted from turn 0."""
    # The tolerance is for phases such as 165 / 360, which times 360 may be a hair below 165.
    return np.floor((turns + phase) * columns_per_turn + 1e-6).astype(np.int64)


@dataclass(frozen=True)
class OnRun:
    """A run on its machine, at a venue whose clock shows the times."""

    run: Run
    profile: Profile
    timeline: Timeline
    clock: ZoneInfo
    quiet: QuietBetween | None

    def instants(self, columns: ArrayLike) -> FloatArray:
        """When running columns belong under the head, POSIX seconds."""
        return run_instants(self.run, columns, self.timeline)

    def coming(self, phase: float, start: datetime, most: int) -> list[tuple[int, datetime]]:
        """The first columns of the run that hold a phase at or after an instant, and when the sky is there."""
        columns, instants = self.coming_columns(phase, start, most)
        return [(column, utc(at)) for column, at in zip(columns.tolist(), instants.tolist(), strict=True)]

    def coming_columns(self, phase: float, start: datetime, most: int) -> tuple[NDArray[np.int64], FloatArray]:
        """The same in arrays; the instants are POSIX seconds."""
        run, timeline, posix = self.run, self.timeline, start.timestamp()
        turns = timeline.cycle.turns(np.array([posix - run.shift_s, posix])) - phase
        # No further than the run: what it is counted by may not reach beyond.
        end = min(np.floor(turns[1]) + 1.0 + most, run.end_column // self.profile.columns_per_turn + 1.0)
        counts = np.arange(np.floor(turns[0]), end)
        columns = columns_of_phase(phase, counts, self.profile.columns_per_turn)
        instants = timeline.cycle.instants(counts + phase) + waited(run, columns)
        held = (columns >= run.first_column) & (columns < run.end_column) & (instants >= posix)
        found = np.flatnonzero(held)[:most]
        return columns[found], instants[found]

    def cut_off(self, column: int) -> Span | None:
        """When the strip with a column is cut off: its boundary is the next after the column, but for those that come
        to the knife in quiet hours, which hang on to the next."""
        per_turn = self.profile.columns_per_turn
        after = boundaries(column, column + TURNS_LOOKED_AT * per_turn, per_turn, self.run.strips_per_turn)
        cut = next((boundary for boundary in after if not self.is_held(boundary)), None)
        return None if cut is None else self.at_knife(cut)

    def is_held(self, boundary: int) -> bool:
        """Whether a boundary comes to the knife in quiet hours."""
        return bool(held_cuts([boundary], self.run, self.profile, self.instants, self.quiet)[0])

    def at_knife(self, column: int) -> Span | None:
        """When a column's place stands under the knife: with the last of the columns laid that fill the way to it."""
        last = column + self.profile.knife_columns - 1
        if self.profile.knife is None or last >= self.run.end_column:
            return None
        return self.span(max(last, self.run.first_column))

    def span(self, column: int) -> Span:
        """The burst that holds a column, cut to the run."""
        run, start = self.run, self.profile.burst_start(column)
        edges = [max(start, run.first_column), min(start + self.profile.columns_per_burst, run.end_column)]
        begins_s, ends_s = run_instants(run, edges, self.timeline).tolist()
        return self.spanned(begins_s, ends_s)

    def spanned(self, begins_s: float, ends_s: float) -> Span:
        """From one instant to another, POSIX seconds, by the venue's clock."""
        begins, ends = utc(begins_s), utc(ends_s)
        return Span(begins_at=begins, ends_at=ends, in_words=span_in_words(begins, ends, self.clock, _iso_date))


def on_run(context: MachineContext, run: Run) -> OnRun:
    """One of a machine's runs on it."""
    quiet = quiet_of(context.venue)
    return OnRun(run, context.profile_of(run), context.timeline(run), context.at_venue.clock, quiet)


def told(on: OnRun, query: PassageQuery, phase: float, stands: str | None, found: tuple[int, datetime]) -> Passage:
    """What is told of a column that holds a place, and of when the sky is there."""
    column, at = found
    return passage_of(
        on, query, (phase, stands), (column, at), (on.span(column), on.at_knife(column), on.cut_off(column))
    )


def passage_of(
    on: OnRun,
    query: PassageQuery,
    place: tuple[float, str | None],
    found: tuple[int, datetime],
    spans: tuple[Span, Span | None, Span | None],
) -> Passage:
    """A passage.

    Args:
        on: the run.
        query: what was asked for.
        place: the phase, and what its longitude is of.
        found: the running column that holds it, and when the sky is there, UTC.
        spans: in which that is laid, comes to the knife and is cut off.
    """
    (phase, stands), (column, at), (laid, at_knife, cut_off) = place, found, spans
    return Passage(
        machine=on.run.machine_id,
        run=on.run.id,
        longitude=query.longitude,
        stands=stands,
        phase=phase,
        turn=column // on.profile.columns_per_turn,
        column=column,
        at=at,
        laid=laid,
        at_knife=at_knife,
        cut_off=cut_off,
    )


def _iso_date(local: datetime) -> str:
    return f"{local:%Y-%m-%d}"
