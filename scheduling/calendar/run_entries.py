"""When runs begin and end, and when people hold them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime

from machines.protocol.journal_entries import GapSettled
from machines.serialization import format_instant
from scheduling.calendar.entries import CalendarEntry, CalendarSpan, by_the_clock
from scheduling.calendar.known_venue import Changed, KnownVenue
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.plans import RunChanged, RunContinued, RunEnded, RunHeld, RunPlanned, RunWithdrawn
from scheduling.log.models import Event, Machine, Run, Source
from scheduling.queries.runs import recesses_of


def run_entries(
    venues: Mapping[str, KnownVenue], machines: Sequence[Machine], span: CalendarSpan
) -> Iterator[CalendarEntry]:
    """Where runs begin and end, each an instant: a run of months as one entry would lie over all of them.

    Args:
        venues: those of the machines, by id.
        machines: whose runs.
        span: of what is shown.
    """
    of = {machine.id: machine for machine in machines}
    runs = list(Run.objects.filter(machine_id__in=of, starts_at__lt=span.end, ends_at__gte=span.start))
    sources = dict(Source.objects.filter(id__in={run.source_id for run in runs}).values_list("id", "name"))
    said = _said_of([run.id for run in runs])
    waited = _settled_at([run.id for run in runs if run.shifts])
    for run in runs:
        known, machine = venues[of[run.machine_id].venue_id], of[run.machine_id].name
        picture, newest = sources.get(run.source_id, run.source_id), said[run.id]
        for end, at, verb in (("begins", run.starts_at, "begins to print"), ("ends", run.ends_at, "has printed")):
            moved = len(run.shifts) if end == "ends" else 0
            off = "Withdrawn: " if run.withdrawn_at else ""
            yield known.entry(
                f"run/{run.id}/{end}",
                "run",
                at,
                f"{off}{machine} {verb} {picture}",
                f"Run {run.id}, {run.cycle}.\n{by_the_clock(at, known.venue)}",
                Changed(max(newest.at, waited[run.id]) if moved else newest.at, newest.version + moved),
                is_cancelled=run.withdrawn_at is not None,
            )
        if run.withdrawn_at is None:
            yield from _holds(known, run, machine, newest)


def _holds(known: KnownVenue, run: Run, machine: str, newest: Changed) -> Iterator[CalendarEntry]:
    """When nothing of a run is printed as people hold it, named by its beginning; one that was taken back is gone."""
    for recess in recesses_of(run):
        goes_on = "Until people let it go on." if recess.ends_at is None else "It then prints on by itself."
        held = f"Nothing of run {run.id} is printed. {goes_on}"
        yield known.entry(
            f"run/{run.id}/held/{format_instant(recess.starts_at)}",
            "run",
            recess.starts_at,
            f"{machine} is held",
            f"{held}\n{by_the_clock(recess.starts_at, known.venue)}",
            newest,
            ends_at=recess.ends_at,
        )


def _said_of(runs: Sequence[str]) -> dict[str, Changed]:
    """When people last said something of each run, and how often they have; the planner's turns lie between."""
    kinds = [EVENT_KINDS[kind] for kind in (RunPlanned, RunChanged, RunWithdrawn, RunEnded, RunHeld, RunContinued)]
    streams = [f"run/{run}" for run in runs]
    found: dict[str, Changed] = {}
    for stream, said_at in (
        Event.objects.filter(stream__in=streams, kind__in=kinds).order_by("version").values_list("stream", "said_at")
    ):
        run = stream.removeprefix("run/")
        before = found.get(run)
        found[run] = Changed(said_at, 1 if before is None else before.version + 1)
    return found


def _settled_at(runs: Sequence[str]) -> dict[str | None, datetime]:
    """When a gap of each run was last settled, as by letting the timeline wait."""
    settled = Event.objects.filter(run__in=runs, kind=EVENT_KINDS[GapSettled]).order_by("position")
    return dict(settled.values_list("run", "said_at"))
