"""The dots of a run that were drawn and laid, as they are counted in its row; only of what is not counted there are the
plates opened: of segments whose dots nobody said, and of stretches that are no whole segment."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from itertools import groupby

from django.db.models import Sum

from machines.model.profile import Profile
from scheduling.log.models import PrintedStretch, Run, Segment
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.consumption import OF_DOTS, by_column, laid_dots


def mean_drawn(run: Run, profile: Profile, plates: PlateStore) -> float | None:
    """The mean dots of all columns of a run that have a plate; None where none has.

    Args:
        run: its row.
        profile: by which it is printed.
        plates: where plates lie.

    Raises:
        PlateGone: nothing is counted, and not one of the plates is there.
    """
    columns, dots = run.drawn_columns, run.drawn_dots
    uncounted = Segment.objects.filter(run_id=run.id, dots=None).order_by("number").only(*OF_DOTS)
    for _, of_column in by_column(uncounted, profile, plates, _mean_counted(run)):
        columns, dots = columns + len(of_column), dots + int(of_column.sum())
    return dots / columns if columns else None


def dots_laid(
    runs: Collection[Run], profile_of: Callable[[Run], Profile], plates: PlateStore, since: int = 0
) -> dict[str, int]:
    """How many dots were laid of runs of one machine, by run; of what was printed once more as often as it was.

    Args:
        runs: their rows.
        profile_of: by which each is printed.
        plates: where plates lie.
        since: counted are the stretches that begin at this place of the paper or after it.

    Raises:
        PlateGone: as for `mean_drawn`.
    """
    laid = {run.id: run.laid_dots for run in runs if run.paper_from is not None and run.paper_from >= since}
    in_part = {run.id: run for run in runs if run.paper_from is not None and run.id not in laid}
    if in_part:
        laid |= _known_since(in_part, since)
    uncounted = PrintedStretch.objects.filter(run_id__in=laid, paper_position__gte=since, dots=None)
    stretches = groupby(uncounted.order_by("run_id"), lambda one: one.run_id)
    of_run = {id: list(of_this) for id, of_this in stretches}
    if of_run:
        segments = Segment.objects.filter(run_id__in=of_run, number__in=uncounted.values("segment"))
        ordered = groupby(segments.order_by("run_id", "number").only(*OF_DOTS), lambda one: one.run_id)
        run_named = {run.id: run for run in runs}
        for id, planned in ordered:
            run = run_named[id]
            laid[id] += laid_dots(of_run[id], planned, profile_of(run), plates, _mean_counted(run))
    return laid


def _known_since(runs: Mapping[str, Run], since: int) -> dict[str, int]:
    """The dots that are known of stretches from a place on, by run."""
    machines = {run.machine_id for run in runs.values()}
    here = PrintedStretch.objects.filter(machine_id__in=machines, paper_position__gte=since, run_id__in=runs)
    found = here.order_by().values("run_id").annotate(known=Sum("dots"))
    return dict.fromkeys(runs, 0) | {one["run_id"]: one["known"] or 0 for one in found}


def _mean_counted(run: Run) -> float | None:
    return run.drawn_dots / run.drawn_columns if run.drawn_columns else None
