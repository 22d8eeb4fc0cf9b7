"""Who names streams: one that something else stands on is not closed into an archive without it.

What a machine told of a run, and where a run went on from, are facts of those who say so: they name nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

from scheduling.log.models import Machine, Opening, OpeningSeries, Run, ServiceWindow
from scheduling.queries.runs import has_columns_to_come


def still_named(streams: Collection[str]) -> dict[str, list[str]]:
    """Of some streams, those that others name which are not among them: by which, in order.

    Args:
        streams: such as ``venue/quay``.
    """
    closing, found = frozenset(streams), dict[str, list[str]]()
    for named, by in sorted(_names()):
        if named in closing and by not in closing and by not in found.setdefault(named, []):
            found[named].append(by)
    return {named: by for named, by in found.items() if by}


def _names() -> Iterator[tuple[str, str]]:
    """A stream, and one whose rows cannot be shown without it."""
    machines = {machine.id: machine for machine in Machine.objects.all()}
    for machine in machines.values():
        by = f"machine/{machine.id}"
        yield f"venue/{machine.venue_id}", by
        yield f"profile/{machine.profile_id}", by
        yield f"profile/{machine.unnamed_profile}", by
    for run in Run.objects.all():
        by = f"run/{run.id}"
        yield f"machine/{run.machine_id}", by
        yield f"source/{run.source_id}", by
        if run.profile is not None:
            yield f"profile/{run.profile}", by
        if run.machine_id in machines and has_columns_to_come(run):
            yield by, f"machine/{run.machine_id}"  # which is on it, or will be
    yield from _by_calendar()


def _by_calendar() -> Iterator[tuple[str, str]]:
    for opening in Opening.objects.all():
        yield f"venue/{opening.venue_id}", f"opening/{opening.id}"
        if opening.series is not None:
            yield f"series/{opening.series}", f"opening/{opening.id}"
        if opening.called_off_at is None:
            yield from ((named, f"opening/{opening.id}") for named in _what_prints(opening.anchor))
    for window in ServiceWindow.objects.all():
        yield f"venue/{window.venue_id}", f"service/{window.id}"
    for series in OpeningSeries.objects.all():
        yield from ((f"venue/{id}", f"series/{series.id}") for id in series.venues)
        if series.called_off_at is None:
            yield from ((named, f"series/{series.id}") for named in _what_prints(series.anchor))


def _what_prints(anchor: Mapping[str, Any]) -> Iterator[str]:
    """The machine, or its run, by which an opening is named: when a place is under its head, or a strip falls."""
    for part in anchor.values():
        if isinstance(part, Mapping):
            yield from (f"{kind}/{part[kind]}" for kind in ("machine", "run") if isinstance(part.get(kind), str))
