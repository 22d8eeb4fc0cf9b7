"""The views that hold what was said once: venues, profiles, sources, openings, streams that were closed."""

from __future__ import annotations

from machines.structure import unstructure
from scheduling.log.events import HoursSet, OpeningFixed, ProfileAdded, SourceAdded, StreamClosed, VenueAdded
from scheduling.log.models import ClosedStream, Opening, Profile, Source, Venue
from scheduling.log.recorded import Recorded
from scheduling.log.rows import Rows


def venue_added(rows: Rows, fact: Recorded, event: VenueAdded) -> None:
    """A venue."""
    rows.put(
        Venue,
        id=fact.subject,
        name=event.name,
        latitude_degrees=event.latitude_degrees,
        longitude_degrees=event.longitude_degrees,
        elevation_m=event.elevation_m,
        zone=event.zone,
    )


def hours_set(rows: Rows, fact: Recorded, event: HoursSet) -> None:
    """When a venue is open."""
    if (venue := rows.change(Venue, fact.subject)) is not None:
        venue.hours = unstructure(event.hours)


def profile_added(rows: Rows, fact: Recorded, event: ProfileAdded) -> None:
    """A model of machine."""
    rows.put(Profile, id=fact.subject, name=event.profile.name, data=unstructure(event.profile))


def source_added(rows: Rows, fact: Recorded, event: SourceAdded) -> None:
    """A picture; its kind stands apart from its other parameters, for lists."""
    rows.put(
        Source,
        id=fact.subject,
        name=event.name,
        kind=str(event.picture.get("kind", "")),
        picture=event.picture,
        upload=event.upload,
        method=event.method,
        curve=None if event.curve is None else unstructure(event.curve),
    )


def opening_fixed(rows: Rows, fact: Recorded, event: OpeningFixed) -> None:
    """An opening; fixed again, it moves."""
    rows.put(
        Opening, id=fact.subject, venue_id=event.venue, name=event.name, anchor=event.anchor, opens_at=event.opens_at
    )


def stream_closed(rows: Rows, fact: Recorded, event: StreamClosed) -> None:
    """A stream that ended."""
    rows.put(
        ClosedStream,
        stream=event.closed,
        version=event.version,
        digest=event.digest,
        file_digest=event.file_digest,
        closed_at=fact.happened_at,
    )
