"""What printing uses up, counted from plates: the dots of a run's columns, and the supplies of some of them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from django.db.models import F, Q, Sum
from numpy.typing import NDArray

from machines.clock import utc
from machines.errors import InputError
from machines.model.profile import CarriageHead, IdleFiring, Profile
from machines.model.slots import boundaries
from machines.model.supplies import Use, use
from scheduling.log.models import PrintedStretch, Run, Segment
from scheduling.paper.quiet_cuts import held_cuts
from scheduling.planning.timeline import Timeline
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.runs import run_instants
from scheduling.rendering.plate_dots import dots_of_turn
from scheduling.rendering.plate_store import PlateGone, PlateStore
from scheduling.venues.quiet import loud_s, quiet_of

# What of segments their dots are counted by.
OF_DOTS = ("run_id", "number", "first_column", "end_column", "plate", "dots")


@dataclass(frozen=True, kw_only=True)
class Supplies:
    """What some printing uses up.

    Attributes:
        paper_mm: fed.
        picture_ml: ink of the dots; None where no plate is drawn yet from which it could be told.
        idle_ml: ink fired to keep nozzles open; None where nobody said how that is done.
        cuts: strokes of the knife.
        blades: how many blades they wear out; a part of one counts as such.
    """

    paper_mm: float
    picture_ml: float | None
    idle_ml: float | None
    cuts: int
    blades: float


@dataclass(frozen=True, kw_only=True)
class PartSupplies:
    """What a segment, a turn or the whole of a run uses up when all of it is printed.

    Attributes:
        run: id.
        first_column, end_column: running columns that the run holds of it, the end excluded.
        starts_at, ends_at: when they belong under the head, UTC.
        supplies: cuts are those at whose places strips of it begin, but for those held in quiet hours.
        estimated_columns: how many have no plate yet and are taken to be as dark as the run's others.
    """

    run: str
    first_column: int
    end_column: int
    starts_at: datetime
    ends_at: datetime
    supplies: Supplies
    estimated_columns: int


def part_supplies(
    context: MachineContext,
    run: Run,
    plates: PlateStore,
    idle: IdleFiring | None = None,
    *,
    turn: int | None = None,
    segment: int | None = None,
) -> PartSupplies:
    """What one turn or one segment of a run uses up; what the run does, where neither is named.

    Args:
        context: the machine.
        run: which of its runs.
        plates: where plates lie, for the ink of their dots.
        idle: how nozzles are kept open; None for what the profile says.
        turn: its number, as the cycle counts.
        segment: its number.

    Raises:
        InputError: both are named, or the run holds nothing of it.
        PlateGone: not one of the plates is there.
    """
    profile, timeline = context.profile_of(run), context.timeline(run)
    idle = idle or idle_firing(profile)
    columns = _columns(run, timeline, turn, segment)
    begins, ends = run_instants(run, [columns.start, columns.stop], timeline)
    strips = boundaries(columns.start - 1, columns.stop - 1, profile.columns_per_turn, run.strips_per_turn)
    quiet = quiet_of(context.venue)
    held = held_cuts(strips, run, profile, lambda of: run_instants(run, of, timeline), quiet)
    dots, estimated = _dots(run, columns, profile, plates)
    used = use(
        profile,
        columns=len(columns),
        dots=dots or 0,
        seconds=loud_s(quiet, utc(float(begins)), utc(float(ends))),
        cuts=len(strips) - int(held.sum()),
        idle=idle,
    )
    return PartSupplies(
        run=run.id,
        first_column=columns.start,
        end_column=columns.stop,
        starts_at=utc(float(begins)),
        ends_at=utc(float(ends)),
        supplies=supplies(profile, used, idle, known=dots is not None),
        estimated_columns=estimated,
    )


def _dots(run: Run, columns: range, profile: Profile, plates: PlateStore) -> tuple[int | None, int]:
    """The dots of some running columns, and for how many of them that is the run's mean; None dots where no column of
    the run has a plate yet."""
    with_plate, dots = planned_dots(run, columns, profile, plates)
    estimated = len(columns) - with_plate
    mean = mean_dots(run, profile, plates) if estimated else 0.0
    return None if mean is None else dots + round(mean * estimated), estimated


def _columns(run: Run, timeline: Timeline, turn: int | None, segment: int | None) -> range:
    """What a run holds of a turn or of a segment."""
    if turn is not None and segment is not None:
        raise InputError("segment", "named beside a turn", "name a turn or a segment")
    asked = range(run.first_column, run.end_column)
    if turn is not None:
        asked = range(turn * timeline.columns, (turn + 1) * timeline.columns)
    if segment is not None:
        whole = timeline.stretch(segment)
        asked = range(whole.first_column, whole.end_column)
    held = range(max(asked.start, run.first_column), min(asked.stop, run.end_column))
    if held:
        return held
    if turn is not None:
        first, last = run.first_column // timeline.columns, (run.end_column - 1) // timeline.columns
        raise InputError("turn", f"the run holds nothing of turn {turn}", f"give {first} to {last}")
    first, last = timeline.segment_of(run.first_column), timeline.segment_of(run.end_column - 1)
    raise InputError("segment", f"the run holds nothing of segment {segment}", f"give {first} to {last}")


def idle_firing(profile: Profile) -> IdleFiring | None:
    """How a machine keeps idle nozzles open, as far as its profile says."""
    return profile.head.idle_firing if isinstance(profile.head, CarriageHead) else None


def supplies(profile: Profile, used: Use, idle: IdleFiring | None, known: bool = True) -> Supplies:
    """A use for people: with what is not known left out."""
    return Supplies(
        paper_mm=used.paper_mm,
        picture_ml=used.picture_ml if known else None,
        idle_ml=None if idle is None else used.idle_ml,
        cuts=used.cuts,
        blades=used.blades(profile),
    )


def planned_dots(run: Run, columns: range, profile: Profile, plates: PlateStore) -> tuple[int, int]:
    """How many of some running columns have a plate, and how many dots those have."""
    here = Segment.objects.filter(run_id=run.id, first_column__lt=columns.stop, end_column__gt=columns.start)
    known = Q(first_column__gte=columns.start, end_column__lte=columns.stop, dots__isnull=False)
    counted = here.filter(known).aggregate(columns=Sum(F("end_column") - F("first_column")), dots=Sum("dots"))
    found, dots = counted["columns"] or 0, counted["dots"] or 0
    others, mean = here.exclude(known).order_by("first_column").only(*OF_DOTS), dots / found if found else None
    for segment, of_column in by_column(others, profile, plates, mean):
        first = max(columns.start, segment.first_column) - segment.first_column
        end = min(columns.stop, segment.end_column) - segment.first_column
        found, dots = found + end - first, dots + int(of_column[first:end].sum())
    return found, dots


def mean_dots(run: Run, profile: Profile, plates: PlateStore) -> float | None:
    """Dots in a column of a run, the mean of all that have a plate; None where none has."""
    found, dots = planned_dots(run, range(run.first_column, run.end_column), profile, plates)
    return dots / found if found else None


def laid_dots(
    stretches: Iterable[PrintedStretch],
    segments: Iterable[Segment],
    profile: Profile,
    plates: PlateStore,
    mean: float | None = None,
) -> int:
    """The dots of the columns that some stretches laid, of repeated ones as often as they were.

    Args:
        stretches: of one run.
        segments: of that run; one that nobody planned has a plate that nobody knows: its dots count as none.
        profile: by which it is printed.
        plates: where plates lie.
        mean: see `by_column`.

    Raises:
        PlateGone: see `by_column`.
    """
    of_segment: dict[int, list[PrintedStretch]] = {}
    for one in stretches:
        of_segment.setdefault(one.segment, []).append(one)
    dots, here = 0, (segment for segment in segments if segment.number in of_segment)
    for segment, of_turn in _by_turn(here, profile, plates, mean):
        for one in of_segment[segment.number]:  # beyond it, where the run was ended meanwhile
            of_stretch = of_turn[np.arange(one.first_column, one.end_column) % profile.columns_per_turn]
            dots += int(of_stretch.sum())
    return dots


def by_column(
    segments: Iterable[Segment], profile: Profile, plates: PlateStore, mean: float | None = None
) -> Iterator[tuple[Segment, NDArray[np.int64]]]:
    """Segments, each with the dots of its columns. Where a plate is gone, as of turns that were printed before a studio
    moved to another server, they are taken to be as dark as the mean of the others.

    Args:
        segments: of one run.
        profile: by which it is printed.
        plates: where plates lie.
        mean: dots of a column where not one of the plates is there; None where that is not known.

    Raises:
        PlateGone: not one of the plates is there, and no mean is known.
    """
    for segment, of_turn in _by_turn(segments, profile, plates, mean):
        columns = np.arange(segment.first_column, segment.end_column) % profile.columns_per_turn
        yield segment, of_turn[columns].astype(np.int64)


def _by_turn(
    segments: Iterable[Segment], profile: Profile, plates: PlateStore, mean: float | None
) -> Iterator[tuple[Segment, NDArray[np.int32]]]:
    """The same, with the dots of all columns of the turn that a segment lies in."""
    every = list(segments)
    by_digest, gone = {}, None
    for digest in dict.fromkeys(segment.plate for segment in every):
        try:
            by_digest[digest] = dots_of_turn(plates, digest)
        except PlateGone as error:
            gone = error
    if gone is not None and not by_digest and mean is None:
        raise gone
    if by_digest:
        mean = float(np.mean([of_turn.mean() for of_turn in by_digest.values()])) if gone is not None else 0.0
    in_place_of_gone = np.full(profile.columns_per_turn, round(mean or 0.0), dtype=np.int32)
    for segment in every:
        yield segment, by_digest.get(segment.plate, in_place_of_gone)
