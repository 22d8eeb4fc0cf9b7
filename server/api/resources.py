"""What the API lists and shows one by one, and how each is changed: a table from which views and addresses come."""

from __future__ import annotations

from scheduling.commands import (
    machines,
    opening_series,
    openings,
    profiles,
    sources,
    venues,
)
from scheduling.commands.additions import (
    AddMachine,
    AddProfile,
    AddSource,
    AddVenue,
    FixOpening,
    FixOpeningSeries,
    FixServiceWindow,
)
from scheduling.commands.plan_run import PlanRun
from scheduling.log.projecting.as_of import (
    all_series_at,
    machine_row_at,
    machines_at,
    notices_at,
    opening_at,
    openings_at,
    outages_at,
    profile_at,
    profiles_at,
    run_row_at,
    runs_at,
    series_at,
    service_window_at,
    source_at,
    sources_at,
    venue_row_at,
    venues_at,
)
from server.api.changeables import MACHINE, OPENING, PROFILE, RUN, SERIES, SOURCE, VENUE, WINDOW
from server.api.machines import MachineRow
from server.api.outages import OutageRow
from server.api.overrides import OverrideRow
from server.api.resource import Resource
from server.api.rows import NoticeRow, OpeningRow, OpeningSeriesRow, ProfileRow, SourceRow
from server.api.runs import RunRow
from server.api.service_windows import ServiceWindowRow, ServiceWindows
from server.api.venues import VenueRow

RESOURCES = (
    Resource(
        "venue",
        VenueRow,
        "The venues, and adding one.",
        "A venue, as it is or as it was.",
        AddVenue,
        venues_at,
        venue_row_at,
        VENUE,
        preview=venues.preview_venue,
    ),
    Resource(
        "profile",
        ProfileRow,
        "The profiles, and adding one.",
        "A profile, as it is or as it was.",
        AddProfile,
        profiles_at,
        profile_at,
        PROFILE,
        preview=profiles.preview_profile,
    ),
    Resource(
        "machine",
        MachineRow,
        "The machines, and adding one.",
        "A machine, as it is or as it was.",
        AddMachine,
        machines_at,
        machine_row_at,
        MACHINE,
        preview=machines.preview_machine,
    ),
    Resource(
        "source",
        SourceRow,
        "The sources, and adding one.",
        "A source, as it is or as it was.",
        AddSource,
        sources_at,
        source_at,
        SOURCE,
        preview=sources.preview_source,
    ),
    Resource(
        "run",
        RunRow,
        "The runs, and planning one.",
        "A run, as it is or as it was.",
        PlanRun,
        runs_at,
        run_row_at,
        RUN,
    ),
    Resource(
        "opening",
        OpeningRow,
        "The openings, and fixing one.",
        "An opening, as it is or as it was.",
        FixOpening,
        openings_at,
        opening_at,
        OPENING,
        preview=openings.preview_opening,
    ),
    Resource(
        "opening-series",
        OpeningSeriesRow,
        "The series of openings, and fixing one with all of its openings.",
        "A series of openings, as it is or as it was.",
        FixOpeningSeries,
        all_series_at,
        series_at,
        SERIES,
        preview=opening_series.preview_series,
    ),
    Resource(
        "service-window",
        ServiceWindowRow,
        "The service windows, called off or not, and fixing one.",
        "A service window, as it is or as it was.",
        FixServiceWindow,
        as_it_was=service_window_at,
        changeable=WINDOW,
        many=ServiceWindows,
    ),
    Resource("outage", OutageRow, "The outages.", "An outage.", as_they_were=outages_at),
    Resource("override", OverrideRow, "What was said, on whatever outage.", "A person's word."),
    Resource("notice", NoticeRow, "The notices.", "A notice.", as_they_were=notices_at),
)
