"""What the API lists and shows one by one, and how each is changed: a table from which views and addresses come."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from django.db.models import Model
from django.urls import URLPattern, path

from scheduling.commands import (
    change_run,
    end_run,
    hold_run,
    machines,
    opening_series,
    openings,
    profiles,
    run_changes,
    service_windows,
    sources,
    succeed_run,
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
from scheduling.commands.changes import Preview
from scheduling.commands.plan_run import PlanRun
from scheduling.log.models import Machine, Opening, OpeningSeries, Profile, Run, ServiceWindow, Source, Venue
from scheduling.log.projecting.as_of import (
    AsOf,
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
from server.api.base_views import Collection, Item, List
from server.api.changes import ORDERED_WITH, Act, AnAct, Changeable, Changing, Tagged
from server.api.histories import ResourceHistory, ResourceVersions
from server.api.machines import MachineRow
from server.api.outages import OutageRow
from server.api.overrides import OverrideRow
from server.api.past import PastCollection, PastItem, PastList
from server.api.rows import NoticeRow, OpeningRow, OpeningSeriesRow, ProfileRow, SourceRow
from server.api.runs import ContinueRun, EndRun, HoldRun, RunRow, SucceedRun, board_of_run, venue_of_run
from server.api.serializers import Row
from server.api.service_windows import CallOff, ServiceWindowRow, ServiceWindows, TakeBack
from server.api.venues import VenueRow


@dataclass(frozen=True)
class Resource:
    """Rows of one kind.

    Attributes:
        name: of one; the list is found under its plural, which is the same for what is many by itself.
        row: how one is shown.
        lists, shows: what the API's description says of the list and of one.
        command: the dataclass that adds one; None where only events do.
        changeable: how one is changed; None where it is not.
        many: the view of the list, where it is one of its own; then it has the command, too.
        preview: what adding one would do, by the command and now; None where that cannot be asked for.
        as_they_were, as_it_was: give a page of them, and one, as of a moment; None where there is only now.
    """

    name: str
    row: type[Row]
    lists: str
    shows: str
    command: type[Any] | None = None
    as_they_were: Callable[..., list[Any]] | None = None
    as_it_was: Callable[[str, AsOf], Model | None] | None = None
    changeable: Changeable | None = None
    many: type[List] | None = None
    preview: Callable[..., Preview] | None = None

    @property
    def plural(self) -> str:
        """Of its name: where its list stands below the API's address."""
        return self.name if self.name.endswith("series") else f"{self.name}s"

    def addresses(self) -> list[URLPattern]:
        """Of the list and of one, and of what can be done to it."""
        model: Any = self.row.Meta.model
        shared = {"queryset": model.objects.all(), "serializer_class": self.row}
        listed, shown = shared | {"said": self.lists}, shared | {"said": self.shows}
        many: type[List] = List if self.many is None else self.many
        if self.many is None and self.command is not None:
            listed |= {"command": self.command, "detail": self.name}
            many = Collection
        if self.preview is not None:
            listed |= {"preview": self.preview, "ordered_with": {"preview": ORDERED_WITH["preview"]}}
        if self.as_they_were is not None:
            listed["as_they_were"] = self.as_they_were
            many = PastList if self.command is None else PastCollection
        one: type[Item] = Item
        if self.as_it_was is not None:
            shown["as_it_was"], one = self.as_it_was, PastItem
        if self.changeable is not None:
            shown |= {"changeable": self.changeable, "command": self.changeable.change}
            one = Tagged if self.changeable.change is None else Changing
        plural = self.plural
        return [
            path(plural, many.as_view(**listed), name=f"all-{plural}" if plural == self.name else plural),
            path(f"{plural}/<id:pk>", one.as_view(**shown), name=self.name),
            *(() if self.changeable is None else _addresses_of(self.name, plural, self.changeable)),
        ]


def _addresses_of(name: str, plural: str, what: Changeable) -> Iterator[URLPattern]:
    """Of what can be done to one, and of its history."""
    for act, done in what.acts.items():
        view = Act.as_view(
            changeable=what,
            command=done.work_out,
            said=done.said,
            reads=done.reads,
            any_state=done.any_state,
            with_stores=done.with_stores,
        )
        yield path(f"{plural}/<id:pk>/{act}", view, name=f"{name}-{act}")
    yield path(f"{plural}/<id:pk>/history", ResourceHistory.as_view(changeable=what), name=f"{name}-history")
    if what.has_versions:
        yield path(f"{plural}/<id:pk>/versions", ResourceVersions.as_view(changeable=what), name=f"{name}-versions")


OPENING = Changeable(
    kind="opening",
    model=Opening,
    serializer=OpeningRow,
    command=FixOpening,
    as_ordered=openings.as_ordered,
    fixed=openings.NEVER_CHANGED,
    shown=openings.SHOWN,
    change=openings.change_opening,
    venue_of=lambda row: row.venue_id,
    acts={
        "call-off": AnAct(openings.call_off_opening, "The doors do not open; it stays in the list, marked."),
        "take-back": AnAct(openings.take_back_opening, "What was called off takes place after all, as it was."),
    },
)
SERIES = Changeable(
    kind="series",
    model=OpeningSeries,
    serializer=OpeningSeriesRow,
    command=FixOpeningSeries,
    as_ordered=opening_series.as_ordered,
    fixed=opening_series.NEVER_CHANGED,
    shown=opening_series.SHOWN,
    change=opening_series.change_series,
    venue_of=lambda row: tuple(row.venues),
    acts={
        "call-off": AnAct(
            opening_series.call_off_series,
            "What is to come of it is not held; each opening stays in the list, marked.",
        ),
        "take-back": AnAct(
            opening_series.take_back_series,
            "What was called off with it and is still to come takes place after all, as it was.",
        ),
    },
)
WINDOW = Changeable(
    kind="service",
    model=ServiceWindow,
    serializer=ServiceWindowRow,
    command=FixServiceWindow,
    as_ordered=service_windows.as_ordered,
    fixed=service_windows.NEVER_CHANGED,
    shown=service_windows.SHOWN,
    change=service_windows.change_window,
    venue_of=lambda row: row.venue_id,
    acts={
        "call-off": AnAct(
            service_windows.call_off_window,
            "Call a window off, from now on and for good, or one date of a weekly one; it stays in the list, marked. "
            "Called off already, it stays as it is.",
            CallOff,
            any_state=True,
        ),
        "take-back": AnAct(
            service_windows.take_back_window,
            "A window that was called off comes after all, as it was; or a weekly one on one date.",
            TakeBack,
        ),
    },
)

RUN = Changeable(
    kind="run",
    model=Run,
    serializer=RunRow,
    command=PlanRun,
    as_ordered=change_run.as_ordered,
    fixed=change_run.NEVER_CHANGED,
    shown=run_changes.said_of,
    change=change_run.change_run,
    venue_of=venue_of_run,
    acts={
        "withdraw": AnAct(
            run_changes.withdraw_run,
            "It is not printed: before its first column is on paper, as far as its machine has told. Another can be"
            " planned in its place. What a board prints that has not heard of it is taken and shown.",
            with_stores=True,
        ),
        "end": AnAct(
            end_run.end_run,
            "It ends at the first burst, strip or turn ``at`` an instant or after, or now; never before what is laid"
            " or in hand. What a board prints beyond it that has not heard of it is taken, and counted as ``beyond``."
            " It can end later than was planned, where its machine is free, and earlier or later again.",
            EndRun,
            with_stores=True,
        ),
        "succeed": AnAct(
            succeed_run.succeed_run,
            "Another run goes on from a boundary, the same but for what is named: its columns go on counting, so that"
            " every column is in exactly one of the two. What another machine finds missing when it takes over is"
            " settled as missed.",
            SucceedRun,
            with_stores=True,
        ),
        "hold": AnAct(
            hold_run.hold_run,
            "Nothing of it is laid from an instant on, ``at`` the first burst, strip or turn: ``until`` another, as for"
            " a private view, or until it is let go on, as for a repair. The machine caps and parks, and goes on by"
            " itself; what was due meanwhile is settled by the policy, with the cause ``held``. A board that has not"
            " heard of it prints on, and begins its hold when it has. What overlaps with another hold becomes one with"
            " it. Held is not safe to reach in.",
            HoldRun,
        ),
        "continue": AnAct(
            hold_run.continue_run,
            "What is held goes on ``at`` an instant, or now; a hold that has not begun by then is taken back.",
            ContinueRun,
        ),
    },
    with_stores=True,
    is_told_of=True,
    held=board_of_run,
)


VENUE = Changeable(
    kind="venue",
    model=Venue,
    serializer=VenueRow,
    command=AddVenue,
    as_ordered=venues.as_ordered,
    fixed=venues.NEVER_CHANGED,
    shown=venues.SHOWN,
    change=venues.change_venue,
    venue_of=lambda row: row.id,
    acts={
        "retire": AnAct(
            venues.retire_venue,
            "It is used no more, and shown and offered nowhere but here, marked. No machine may stand there.",
        ),
        "take-back": AnAct(venues.take_back_venue, "What was retired is used again, as it was."),
    },
)

PROFILE = Changeable(
    kind="profile",
    model=Profile,
    serializer=ProfileRow,
    command=AddProfile,
    as_ordered=profiles.as_ordered,
    fixed=profiles.NEVER_CHANGED,
    shown=profiles.said_of,
    change=profiles.change_profile,
    venue_of=lambda row: None,
    acts={
        "retire": AnAct(profiles.retire_profile, "No new machine is of it; those that are go on."),
        "take-back": AnAct(profiles.take_back_profile, "New machines can be of it again."),
    },
    has_versions=True,
)
SOURCE = Changeable(
    kind="source",
    model=Source,
    serializer=SourceRow,
    command=AddSource,
    as_ordered=sources.as_ordered,
    fixed=sources.NEVER_CHANGED,
    shown=sources.SHOWN,
    change=sources.change_source,
    venue_of=lambda row: None,
    acts={
        "retire": AnAct(sources.retire_source, "No new run prints it; those that do go on."),
        "take-back": AnAct(sources.take_back_source, "It can be printed again."),
    },
    see=sources.see_picture,
    has_versions=True,
)
MACHINE = Changeable(
    kind="machine",
    model=Machine,
    serializer=MachineRow,
    command=AddMachine,
    as_ordered=machines.as_ordered,
    fixed=machines.NEVER_CHANGED,
    shown=machines.SHOWN,
    change=machines.change_machine,
    venue_of=lambda row: row.venue_id,
    acts={
        "retire": AnAct(
            machines.retire_machine,
            "It takes no run and raises no notice any more, and is shown nowhere but here, marked. Its board"
            " still comes in.",
        ),
        "take-back": AnAct(machines.take_back_machine, "What was retired is used again, as it was."),
    },
    is_told_of=True,
)


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
