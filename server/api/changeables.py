"""What the API has to know of each kind of thing to change it, and what is done to one as a whole."""

from __future__ import annotations

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
from scheduling.commands.plan_run import PlanRun
from scheduling.log.models import Machine, Opening, OpeningSeries, Profile, Run, ServiceWindow, Source, Venue
from server.api.changes import AnAct, Changeable
from server.api.machines import MachineRow
from server.api.rows import OpeningRow, OpeningSeriesRow, ProfileRow, SourceRow
from server.api.runs import ContinueRun, EndRun, HoldRun, RunRow, SucceedRun, board_of_run, venue_of_run
from server.api.service_windows import CallOff, ServiceWindowRow, TakeBack
from server.api.venues import VenueRow

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
