"""What speaks against openings of a season, machine by machine: what is told of them until it is well."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from scheduling.log.models import Notice
from scheduling.log.projections.notices import OPENING
from scheduling.queries.venue_context import VenueContext
from server.console.season_span import SeasonSpan


@dataclass(frozen=True)
class Doubt:
    """A mark on the line of an opening, at a machine at which something speaks against it; ``said`` is what."""

    opening: str
    name: str
    x: float
    said: str


def doubted(machines: Collection[str]) -> dict[str, list[Notice]]:
    """What is told of openings, by machine, in one query."""
    found: dict[str, list[Notice]] = {}
    rows = Notice.objects.filter(kind=OPENING, cleared_at=None, machine_id__in=machines)
    for row in rows.order_by("raised_at", "id"):
        found.setdefault(row.machine_id, []).append(row)
    return found


def doubts(notices: Sequence[Notice], there: VenueContext, span: SeasonSpan) -> tuple[Doubt, ...]:
    """Those of a machine whose openings lie in the season, in order of time."""
    openings: Mapping[str, tuple[float, str]] = {one.id: (span.x(one.opens_at), one.name) for one in there.openings}
    told = ((row.opening or "", row.said) for row in notices if row.opening in openings)
    found = (Doubt(id, openings[id][1], openings[id][0], said) for id, said in told)
    return tuple(sorted((one for one in found if 0.0 <= one.x <= 100.0), key=lambda one: (one.x, one.opening)))
