"""What is open of runs, as of segments: a week of many machines is tens of thousands of them, and of most of these
nothing was told yet. The database says from where to where those lie, and no row of them is read."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from itertools import chain, groupby
from operator import attrgetter

from django.db.models import F, Max, Min, Sum

from scheduling.log.models import TOLD_AND_OPEN, UNTOUCHED, Segment
from scheduling.queries.runs import segments_in_order

_READ = ("run_id", "number", "first_column", "end_column", "state", "outcomes", "again")


def open_spans(runs: Collection[str]) -> dict[str, tuple[Segment, ...]]:
    """The open segments of runs, by run, in order, without what only their printing needs; those that lie side by side
    and of which nothing was told are one.

    Args:
        runs: their ids.
    """
    whole, in_pieces = _untouched(runs)
    asked = [(runs, TOLD_AND_OPEN), (in_pieces, UNTOUCHED)]
    rows = [segments_in_order(of).filter(these).only(*_READ) for of, these in asked if of]
    ordered = sorted(chain(whole, *rows), key=attrgetter("run_id", "first_column"))
    return {id: tuple(_joined(mine)) for id, mine in groupby(ordered, attrgetter("run_id"))}


def open_rows(run: str) -> list[Segment]:
    """The open segments of a run, in order, each by itself and with its plate; of those that are not open no row is
    read."""
    of_run = Segment.objects.filter(run_id=run).only(*_READ, "plate")
    return list(of_run.filter(UNTOUCHED).union(of_run.filter(TOLD_AND_OPEN), all=True).order_by("number"))


def _untouched(runs: Collection[str]) -> tuple[list[Segment], list[str]]:
    """What nothing was told of, as one segment for each run in which it lies side by side; and the other runs' ids."""
    spans = (
        Segment.objects.filter(UNTOUCHED, run_id__in=runs)
        .order_by("run_id")
        .values("run_id")
        .annotate(
            number=Min("number"),
            first=Min("first_column"),
            end=Max("end_column"),
            columns=Sum(F("end_column") - F("first_column")),
        )
    )
    whole, in_pieces = [], []
    for one in spans:
        if one["end"] - one["first"] != one["columns"]:
            in_pieces.append(one["run_id"])
            continue
        span = {"number": one["number"], "first_column": one["first"], "end_column": one["end"]}
        whole.append(Segment(run_id=one["run_id"], **span))
    return whole, in_pieces


def _joined(rows: Iterable[Segment]) -> Iterator[Segment]:
    """Open segments of a run, in order; those that nothing was told of as one, where they lie side by side."""
    untouched: Segment | None = None
    for one in rows:
        is_told_of = bool(one.outcomes or one.again)
        if untouched is not None and not is_told_of and untouched.end_column == one.first_column:
            untouched.end_column = one.end_column
            continue
        if untouched is not None:
            yield untouched
        untouched = None if is_told_of else one
        if is_told_of:
            yield one
    if untouched is not None:
        yield untouched
