"""What the log has of one machine and of its runs, the newest first."""

from __future__ import annotations

from heapq import merge
from itertools import islice

from django.db.models import QuerySet

from scheduling.log.models import Event, Run


def newest_events(machine: str, most: int, before: int | None = None) -> list[Event]:
    """What a machine told and was told, and what was said of its runs, the newest first.

    Args:
        machine: its id.
        most: how many at most.
        before: only what was written before this position of the log; None for all.
    """
    streams = [f"run/{id}" for id in Run.objects.filter(machine=machine).values_list("id", flat=True)]
    # Each from an index: a machine's own stream has hundreds of thousands, and those of its runs a few a day.
    its_own = Event.objects.filter(stream=f"machine/{machine}").order_by("-version")
    of_runs = Event.objects.filter(stream__in=streams).order_by("-position")
    found = merge(*(_before(one, before)[:most] for one in (its_own, of_runs)), key=lambda one: -one.position)
    return list(islice(found, most))


def _before(events: QuerySet[Event], position: int | None) -> QuerySet[Event]:
    return events if position is None else events.filter(position__lt=position)
