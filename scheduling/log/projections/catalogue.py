"""The views that hold what was said once: venues, profiles, sources, openings, service windows, streams that were
closed."""

from __future__ import annotations

from machines.serialization import unstructure
from scheduling.log.events.equipment import (
    ContactsSet,
    HoursSet,
    ProfileAdded,
    ProfileChanged,
    ProfileRetired,
    ProfileTakenBack,
    QuietHoursSet,
    SourceAdded,
    SourceChanged,
    SourceRetired,
    SourceTakenBack,
    VenueAdded,
    VenueChanged,
    VenueRetired,
    VenueTakenBack,
)
from scheduling.log.events.server import StreamClosed
from scheduling.log.events.visits import (
    OpeningCalledOff,
    OpeningFixed,
    OpeningSeriesCalledOff,
    OpeningSeriesFixed,
    ServiceWindowCalledOff,
    ServiceWindowFixed,
)
from scheduling.log.models import (
    ClosedStream,
    Opening,
    OpeningSeries,
    Profile,
    ProfileVersion,
    ServiceWindow,
    Source,
    SourceVersion,
    Venue,
)
from scheduling.log.recorded import Recorded
from scheduling.log.rows.row_cache import Rows


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


def venue_changed(rows: Rows, fact: Recorded, event: VenueChanged) -> None:
    """What was said of it last counts."""
    if (venue := rows.change(Venue, fact.subject)) is not None:
        venue.name = event.name
        venue.latitude_degrees = event.latitude_degrees
        venue.longitude_degrees = event.longitude_degrees
        venue.elevation_m = event.elevation_m
        venue.zone = event.zone


def venue_retired(rows: Rows, fact: Recorded, event: VenueRetired) -> None:
    """Its row stays, marked."""
    if (venue := rows.change(Venue, fact.subject)) is not None:
        venue.retired_at = fact.happened_at


def venue_taken_back(rows: Rows, fact: Recorded, event: VenueTakenBack) -> None:
    """It is used again."""
    if (venue := rows.change(Venue, fact.subject)) is not None:
        venue.retired_at = None


def hours_set(rows: Rows, fact: Recorded, event: HoursSet) -> None:
    """When a venue is open."""
    if (venue := rows.change(Venue, fact.subject)) is not None:
        venue.hours = unstructure(event.hours)


def quiet_hours_set(rows: Rows, fact: Recorded, event: QuietHoursSet) -> None:
    """When it is to be quiet at a venue."""
    if (venue := rows.change(Venue, fact.subject)) is not None:
        venue.quiet = unstructure(event.quiet)


def contacts_set(rows: Rows, fact: Recorded, event: ContactsSet) -> None:
    """That it was said whom to ring, not whom."""
    if (venue := rows.change(Venue, fact.subject)) is not None:
        venue.contacts_set_at = fact.happened_at


def profile_added(rows: Rows, fact: Recorded, event: ProfileAdded) -> None:
    """A model of machine."""
    data = unstructure(event.profile)
    rows.put(Profile, id=fact.subject, name=event.profile.name, data=data)
    rows.put(ProfileVersion, profile_id=fact.subject, number=1, data=data)


def profile_changed(rows: Rows, fact: Recorded, event: ProfileChanged) -> None:
    """What was said of it last counts, and is a version of it, or what one is from now on."""
    if (profile := rows.change(Profile, fact.subject)) is not None:
        profile.name, profile.data, profile.version = event.profile.name, unstructure(event.profile), event.version
        rows.put(ProfileVersion, profile_id=fact.subject, number=event.version, data=profile.data)


def profile_retired(rows: Rows, fact: Recorded, event: ProfileRetired) -> None:
    """Its row stays, marked."""
    if (profile := rows.change(Profile, fact.subject)) is not None:
        profile.retired_at = fact.happened_at


def profile_taken_back(rows: Rows, fact: Recorded, event: ProfileTakenBack) -> None:
    """It is used again."""
    if (profile := rows.change(Profile, fact.subject)) is not None:
        profile.retired_at = None


def source_changed(rows: Rows, fact: Recorded, event: SourceChanged) -> None:
    """What was said of it last counts, and is a version of it, or what one is from now on."""
    if (source := rows.change(Source, fact.subject)) is not None:
        source.name = event.name
        source.version = event.version
        source.kind = str(event.picture.get("kind", ""))
        source.picture = event.picture
        source.upload = event.upload
        source.method = event.method
        source.curve = None if event.curve is None else unstructure(event.curve)
        _source_version(rows, source)


def source_retired(rows: Rows, fact: Recorded, event: SourceRetired) -> None:
    """Its row stays, marked."""
    if (source := rows.change(Source, fact.subject)) is not None:
        source.retired_at = fact.happened_at


def source_taken_back(rows: Rows, fact: Recorded, event: SourceTakenBack) -> None:
    """It is used again."""
    if (source := rows.change(Source, fact.subject)) is not None:
        source.retired_at = None


def source_added(rows: Rows, fact: Recorded, event: SourceAdded) -> None:
    """A picture; its kind stands apart from its other parameters, for lists."""
    source = rows.put(
        Source,
        id=fact.subject,
        name=event.name,
        kind=str(event.picture.get("kind", "")),
        picture=event.picture,
        upload=event.upload,
        method=event.method,
        curve=None if event.curve is None else unstructure(event.curve),
    )
    _source_version(rows, source)


def _source_version(rows: Rows, source: Source) -> None:
    """What it is now is what its newest version says."""
    rows.put(
        SourceVersion,
        source_id=source.id,
        number=source.version,
        picture=source.picture,
        upload=source.upload,
        method=source.method,
        curve=source.curve,
    )


def opening_fixed(rows: Rows, fact: Recorded, event: OpeningFixed) -> None:
    """An opening; fixed again, it moves, and stands again where it was called off."""
    rows.put(
        Opening,
        id=fact.subject,
        venue_id=event.venue,
        name=event.name,
        anchor=event.anchor,
        opens_at=event.opens_at,
        closing=event.closing,
        closes_at=event.closes_at,
        series=event.series,
        series_date=event.series_date,
        on_its_own=event.on_its_own,
    )


def opening_called_off(rows: Rows, fact: Recorded, event: OpeningCalledOff) -> None:
    """Its row stays, marked."""
    if (opening := rows.change(Opening, fact.subject)) is not None:
        opening.called_off_at = fact.happened_at
        opening.called_off_remark = event.remark


def opening_series_fixed(rows: Rows, fact: Recorded, event: OpeningSeriesFixed) -> None:
    """A series; fixed again, it is what it is now, and stands again where it was called off."""
    rows.put(
        OpeningSeries,
        id=fact.subject,
        name=event.name,
        venues=list(event.venues),
        together=event.together,
        anchor=event.anchor,
        closing=event.closing,
        rule=event.rule,
        dates_off=list(event.dates_off),
    )


def opening_series_called_off(rows: Rows, fact: Recorded, event: OpeningSeriesCalledOff) -> None:
    """Its row stays, marked; each of its openings is told of by itself."""
    if (series := rows.change(OpeningSeries, fact.subject)) is not None:
        series.called_off_at = fact.happened_at
        series.called_off_remark = event.remark


def service_window_fixed(rows: Rows, fact: Recorded, event: ServiceWindowFixed) -> None:
    """A service window; fixed again, it moves, and stands again where it was called off."""
    rows.put(
        ServiceWindow,
        id=fact.subject,
        venue_id=event.venue,
        name=event.name,
        comes=unstructure(event.comes),
        begins_at=event.begins_at,
        dates_off=list(event.dates_off),
    )


def service_window_called_off(rows: Rows, fact: Recorded, event: ServiceWindowCalledOff) -> None:
    """Its row stays, marked; or one of its dates is."""
    window = rows.change(ServiceWindow, fact.subject)
    if window is None:
        return
    if event.date is not None:
        window.dates_off = sorted({*window.dates_off, event.date})
    else:
        window.called_off_at = fact.happened_at
        window.called_off_because = event.reason
        window.called_off_remark = event.remark


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
