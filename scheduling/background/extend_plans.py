"""Extending plans: the segments and plates of each run, turn by turn, as far ahead as the horizon."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from time import perf_counter

import numpy as np
from django.db import DEFAULT_DB_ALIAS
from django.dispatch import Signal

from machines.imaging.pictures import SkyNumbers
from machines.model.profile import Profile
from scheduling.background.own_work import failed_runs
from scheduling.log.claims import claimed
from scheduling.log.events.plans import SegmentsPlanned
from scheduling.log.models import Run, Segment
from scheduling.log.projecting.projector import require_views
from scheduling.log.rows.row_sql import table
from scheduling.log.store import Append, Attribution, VersionConflict, append, stream_version
from scheduling.planning.timeline import Timeline
from scheduling.queries.run_versions import run_profile, run_source
from scheduling.queries.runs import machine_of, timeline_on
from scheduling.queries.venue_context import place_of
from scheduling.rendering.kept_files import StoreAway
from scheduling.rendering.plate_dots import dots_of_segments
from scheduling.rendering.plate_recipe import recipe_of
from scheduling.rendering.plate_store import PlateStore
from scheduling.rendering.render import RenderSource, plate_under
from scheduling.rendering.sky_parameters import sky_numbers, turn_of
from scheduling.rendering.sources import render_source
from scheduling.rendering.upload_store import UploadStore
from scheduling.sky.places import Place

PLANNER = "planner"
# Sent after each plate that was drawn and is kept, for whoever counts: ``took_s`` is how long that took.
plate_drawn = Signal()
# Turns of one run planned in one go, so that a run of very short ones holds up neither the others nor other jobs.
MOST_TURNS = 256
# The views that planning stands on.
NEEDED_VIEWS = ("runs", "machines", "profiles", "sources", "venues")
_NEXT_TURN = """COALESCE(
        (SELECT segment.ends_at FROM log_segment AS segment
            WHERE segment.run_id = log_run.id AND segment.first_column < log_run.planned_to_column
            ORDER BY segment.first_column DESC LIMIT 1),
        starts_at)"""
_DUE = f"""withdrawn_at IS NULL AND planned_to_column < end_column AND starts_at < %s AND {_NEXT_TURN} < %s
    ORDER BY {_NEXT_TURN}, id"""


def always() -> bool:
    """There is time for more: for those who do all that is due in one go."""
    return True


def nobody(run: str, error: Exception | None) -> None:
    """Is told how planning a run went: where it matters to nobody."""


def extend_plans(
    now: datetime,
    horizon: timedelta,
    plates: PlateStore,
    uploads: UploadStore | None = None,
    has_time: Callable[[], bool] = always,
    tell: Callable[[str, Exception | None], None] = nobody,
) -> int:
    """Plan every run's turns that begin before ``now + horizon``, those that begin first before others, and return how
    many segments that added.

    Args:
        now: this instant.
        horizon: how far ahead.
        plates: where plates are kept.
        uploads: where the files of sources lie; None where no source has one.
        has_time: asked after each turn whether there is time for another; the next time goes on where this one ends.
        tell: told after each run that it went well, or why it could not be planned.

    Raises:
        ViewsSetAside: what is planned would not show, and be planned again for ever.
        ExceptionGroup: some runs could not be planned; the others were.
        StoreAway: the store of plates does not answer, and no run can be planned.
    """
    added, failures = 0, []
    for run in runs_due(now, horizon):
        try:
            added += extend_run(run, now, horizon, plates, uploads, has_time, tell) or 0
        except StoreAway:
            raise
        except Exception as error:  # noqa: BLE001 - raised again below, when the others are planned
            failures.append(error)
        if not has_time():
            break
    if failures:
        raise ExceptionGroup(f"{len(failures)} runs could not be planned; {added} segments of others were", failures)
    return added


def runs_due(now: datetime, horizon: timedelta) -> list[str]:
    """The ids of the runs whose next turn begins before ``now + horizon``, as it does where the last segment planned so
    far ends, in the order in which those begin; last those that could not be planned before, so that they hold up no
    others. Most runs are planned far enough most of the time, and then nothing else of them need be read.

    Raises:
        ViewsSetAside: what is planned would not show, and be planned again for ever.
    """
    require_views(*NEEDED_VIEWS)
    until = now + horizon
    due: list[Run] = table(Run, DEFAULT_DB_ALIAS).where(_DUE, until, until)
    failed = failed_runs() if len(due) > 1 else set()
    return sorted((run.id for run in due), key=lambda id: id in failed)


def extend_run(
    id: str,
    now: datetime,
    horizon: timedelta,
    plates: PlateStore,
    uploads: UploadStore | None = None,
    has_time: Callable[[], bool] = always,
    tell: Callable[[str, Exception | None], None] = nobody,
) -> int | None:
    """Plan a run's turns that begin before ``now + horizon``, one at least, for as long as there is time, but
    `MOST_TURNS` at most, and return how many segments that added; None where somebody else is at it, or at the plate
    that it needs. Where more are due, the next time goes on.

    Whoever plans a run has claimed it, and what they draw for it, so that no plate is drawn twice. Two planners at once
    are harmless all the same: what they plan is equal, and the second loses the race for the turn.

    Args:
        id: of the run.
        now, horizon, plates, uploads, has_time, tell: see `extend_plans`.

    Raises:
        ViewsSetAside: see `extend_plans`.
        InputError: the file of its source is gone, or the sky is not known so far.
        OSError: a plate cannot be written.
        StoreAway: the store of plates does not answer. Nobody is told of the run: it is not to blame, and whoever
            watches the store says so.
    """
    require_views(*NEEDED_VIEWS)
    with claimed(f"plan {id}") as ours:
        if not ours:
            return None
        run = Run.objects.filter(id=id, withdrawn_at=None).first()
        if run is None:
            return 0
        try:
            added = _extend(printing_of(run, plates, uploads), now, horizon, has_time)
        except StoreAway:
            raise
        except Exception as error:
            error.add_note(f"while planning run {id!r}")
            tell(id, error)
            raise
        if added is not None:
            tell(id, None)
        return added


@dataclass(frozen=True)
class PlanningContext:
    """All that planning a turn of one run needs."""

    run: Run
    timeline: Timeline
    profile: Profile
    original: RenderSource
    place: Place
    plates: PlateStore


def printing_of(run: Run, plates: PlateStore, uploads: UploadStore | None) -> PlanningContext:
    """What planning a run needs, read from the views.

    Raises:
        InputError: the file of its source is gone.
    """
    machine = machine_of(run)
    profile, place = run_profile(run, machine), place_of(machine.venue)
    return PlanningContext(
        run=run,
        timeline=timeline_on(run, profile, place),
        profile=profile,
        original=render_source(run_source(run), uploads),
        place=place,
        plates=plates,
    )


def _extend(printing: PlanningContext, now: datetime, horizon: timedelta, has_time: Callable[[], bool]) -> int | None:
    run = printing.run
    until = (now + horizon).timestamp() - run.shift_s  # planned as if the timeline had never waited
    columns, first, added = printing.timeline.columns, run.planned_to_column, 0
    for _ in range(MOST_TURNS):
        if first >= run.end_column or printing.timeline.instants(np.array([first]))[0] >= until:
            break
        end = min((first // columns + 1) * columns, run.end_column)
        try:
            planned = _turn(printing, first, end)
            _write(run, planned, now)
        except BeingDrawn:
            return added or None
        except VersionConflict:
            break
        first, added = end, added + len(planned.segments)
        if not has_time():
            break
    return added


def _turn(printing: PlanningContext, first: int, end: int) -> SegmentsPlanned:
    """What a run holds of one turn."""
    turn, timeline = first // printing.timeline.columns, printing.timeline
    plate = _plate(printing, turn)
    segments = tuple(timeline.work(stretch, plate) for stretch in timeline.stretches(first, end))
    dots = dots_of_segments(printing.plates, plate, segments)
    return SegmentsPlanned(turn=turn, plate=plate, segments=segments, dots=dots)


def _plate(printing: PlanningContext, turn: int) -> str:
    """The digest of the turn's plate; a picture that never changes is drawn once a run."""
    if not printing.original.picture.changes_with_turn:
        earlier = Segment.objects.filter(run_id=printing.run.id).first()
        if earlier is not None:
            return earlier.plate
    return draw_turn(printing, turn)


class BeingDrawn(Exception):
    """Somebody else is drawing the same plate, for another run: once it is there, it is this run's, too."""


def draw_turn(printing: PlanningContext, turn: int) -> str:
    """Draw and keep the plate of a turn of a run's cycle, where it was not drawn for another run before; returns its
    digest. Whoever draws one has claimed it.

    Raises:
        BeingDrawn: see there.
        InputError: the picture does not fit the machine, or the sky is not known so far.
        OSError: the plate cannot be written.
    """
    sky = sky_of(printing, turn)
    recipe = recipe_of(printing.original, printing.profile, sky)
    plates, digest = printing.plates, printing.plates.drawn(recipe)
    if digest is not None:
        return digest
    with claimed(f"plate {recipe}") as ours:
        if not ours:
            raise BeingDrawn
        # Asked once more, as whoever had it claimed may be done since.
        if (earlier := plates.drawn(recipe)) is not None:
            return earlier
        began_s = perf_counter()
        digest = plates.put(plate_under(printing.original, printing.profile, sky), recipe)
        plate_drawn.send(None, took_s=perf_counter() - began_s)
        return digest


def sky_of(printing: PlanningContext, turn: int) -> SkyNumbers:
    """The numbers that a turn of a run's cycle is drawn by.

    Raises:
        EphemerisRangeError: the sky is not known so far.
    """
    return sky_numbers(printing.original.picture, turn_of(printing.timeline.cycle, turn), printing.place)


def _write(run: Run, planned: SegmentsPlanned, now: datetime) -> None:
    """Append the turn, unless somebody has planned it since we looked.

    Raises:
        VersionConflict: somebody has, or is about to.
    """
    stream = f"run/{run.id}"
    version = stream_version(stream)
    newest = Run.objects.get(id=run.id)
    if newest.planned_to_column != planned.segments[0].first_column or newest.revision != run.revision:
        raise VersionConflict(stream, version, version, ())
    append([Append(stream, version, [planned])], Attribution(actor=PLANNER, request=None, said_at=now))
