"""The proof of paper that was printed: its dots, with rulers along its edges that say when and what each was."""

from __future__ import annotations

from bisect import bisect
from collections.abc import Iterator
from itertools import groupby, pairwise
from operator import itemgetter
from zoneinfo import ZoneInfo

import numpy as np

from machines.imaging.pictures import from_json
from machines.imaging.proof import Dots, with_dead_nozzles
from machines.imaging.rulers import Mark, Ruler, mm_ruler, time_ruler
from machines.model.slots import boundaries
from scheduling.log.models import PrintedStretch, Run
from scheduling.paper.printed_paper import Length, dots_on, stretch_end
from scheduling.paper.proof import Faults, Proof, lost_in_words, most_marks, phase_ruler, require_size
from scheduling.queries.calibration import dead_nozzles_by_version
from scheduling.queries.closed_away import ClosedAway
from scheduling.queries.run_versions import run_profiles, run_source
from scheduling.queries.runs import machine_model, run_instants, timeline_on, venue_place
from scheduling.rendering.plate_store import PlateStore
from scheduling.sky.arrays import FloatArray


def paper_proof(length: Length, plates: PlateStore, faults: Faults, zone: ZoneInfo | None) -> Proof:
    """What a length of paper looks like: true dots of the plates that were printed, blank where nothing was.

    Nozzles that were known to be dead when a stretch was reported are taken to have been left out of it.

    Args:
        length: of paper.
        plates: where plates lie.
        faults: what may have gone wrong unnoticed.
        zone: whose civil time the ruler shows; None for UTC.

    Raises:
        InputError: the machine has no such nozzle, or there are too many dots.
        ClosedAway: a run that is on it, or what that stands on, was closed into an archive.
        PlateGone: one of the plates is.
    """
    profile, start, end = length.profile, length.start, length.end
    require_size(profile, end - start)
    runs = Run.objects.in_bulk(on_it := {one.run_id for one in length.stretches})
    if gone := on_it - runs.keys():
        raise ClosedAway("run", min(gone))
    model = machine_model(length.machine.profile_id)
    profiles = run_profiles(runs.values(), length.machine, model)
    dead, known = faults.on(profile).dead, dead_nozzles_by_version(length.machine.id)

    def left_out(one: PrintedStretch) -> tuple[int, ...]:
        return known[bisect(known, one.version, key=itemgetter(0)) - 1][1]

    def printed(one: PrintedStretch, dots: Dots) -> Dots:
        seed = runs[one.run_id].nozzle_seed
        return with_dead_nozzles(dots, profiles[one.run_id], one.first_column, seed, dead, left_out(one))

    missing = _missing(length)
    marks = most_marks(profile, end - start)
    return Proof(
        profile=profile,
        dots=dots_on(length, plates, printed),
        first=start,
        above=(
            time_ruler(_instants(length, runs), start, zone, marks),
            *([missing] if missing else []),
        ),
        below=(mm_ruler(profile, start, end, marks), *_along(length, runs)),
        cuts=tuple(place for place in _cuts(length, runs) if start < place < end),
        lost=lost_in_words(profile, dead, left_out(length.stretches[-1])),
    ).slipped(faults.slip)


def _instants(length: Length, runs: dict[str, Run]) -> FloatArray:
    """When the edges of the columns of paper belonged under the head, evenly between what was printed."""
    places, instants, there = [], [], venue_place(venue=length.machine.venue_id)
    timelines = {id: timeline_on(run, length.profile, there) for id, run in runs.items()}
    for one in length.stretches:
        columns = np.linspace(one.first_column, one.end_column, 9).round().astype(np.int64)
        places.append(one.paper_position + columns - one.first_column)
        instants.append(run_instants(runs[one.run_id], columns, timelines[one.run_id]))
    edges = np.arange(length.start, length.end + 1)
    return np.maximum.accumulate(np.interp(edges, np.concatenate(places), np.concatenate(instants)))


def _missing(length: Length) -> Ruler | None:
    """Where paper stayed blank, and where columns of the picture were left out."""
    marks = []
    for before, after in pairwise(length.stretches):
        blank = after.paper_position - stretch_end(before)
        left_out = after.first_column - before.end_column if after.run_id == before.run_id else 0
        if blank > 0:
            marks.append(Mark(stretch_end(before), f"blank {blank * length.profile.column_pitch_mm:.3g} mm"))
        elif left_out > 0:
            marks.append(Mark(stretch_end(before), f"left out {left_out * length.profile.column_pitch_mm:.3g} mm"))
    return Ruler("missing", tuple(marks)) if marks else None


def _along(length: Length, runs: dict[str, Run]) -> Iterator[Ruler]:
    """Longitude or right ascension of what was printed, at the places where it was; a ruler for each of these."""
    marks: dict[str, list[Mark]] = {}
    for run, grouped in groupby(length.stretches, key=lambda one: one.run_id):
        of_run = list(grouped)
        picture = from_json(run_source(runs[run]).picture)
        first, end = min(one.first_column for one in of_run), max(one.end_column for one in of_run)
        ruler = phase_ruler(picture, runs[run].cycle, length.profile, first, end)
        if ruler is None:
            continue
        for one in of_run:
            shift = one.paper_position - one.first_column
            here = [mark for mark in ruler.marks if one.first_column <= mark.column < one.end_column]
            marks.setdefault(ruler.title, []).extend(
                Mark(mark.column + shift, mark.text) for mark in here if mark.column + shift >= length.start
            )
    return (Ruler(title, tuple(one)) for title, one in marks.items())


def _cuts(length: Length, runs: dict[str, Run]) -> Iterator[int]:
    """The places on the paper where the knife cuts, has cut, or was to cut: those of the first columns of strips, or of
    the first laid after them."""
    for run, of_run in groupby(length.stretches, key=lambda one: one.run_id):
        before: int | None = None
        for one in of_run:
            after = one.first_column - 1 if before is None else before - 1
            before = one.end_column
            for boundary in boundaries(
                after, one.end_column - 1, length.profile.columns_per_turn, runs[run].strips_per_turn
            ):
                yield one.paper_position + max(0, boundary - one.first_column)
