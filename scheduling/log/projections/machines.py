"""The view of machines: what is known of each from its node and from the watch."""

from __future__ import annotations

from datetime import datetime

from machines.operator.holds import FAULT, HELD_AFTER, UNPLANNED
from machines.operator.stop_causes import KNIFE_OFFLINE, TIME_IN_DOUBT, stops_printing
from machines.protocol.journal_entries import (
    ColumnsPrinted,
    ConditionsChanged,
    Entry,
    GapSettled,
    KnifeArmed,
    KnifeDisarmed,
    NodeStarted,
    NodeStopped,
    OperatorActed,
    StripCut,
)
from machines.serialization import unstructure
from scheduling.log.events.equipment import (
    MachineAdded,
    MachineCalibrated,
    MachineChanged,
    MachineRetired,
    MachineTakenBack,
)
from scheduling.log.events.plans import RunChanged, RunMovedAway
from scheduling.log.events.reports import (
    EntrySetAside,
    EntryToldTwice,
    PrintedByEarlierPlan,
    ReportsRefused,
    ReportsTakenAgain,
)
from scheduling.log.events.server import NeverHeard, NodeEnrolled, SilenceBegan, SilenceEnded
from scheduling.log.models import HandUse, Machine, SupplyChange
from scheduling.log.recorded import Recorded
from scheduling.log.rows.row_cache import Rows

# What a person who did this has changed.
CHANGES = {
    "roll-changed": SupplyChange.ROLL,
    "cartridge-changed": SupplyChange.CARTRIDGE,
    "blade-changed": SupplyChange.BLADE,
}

# What a person who said this takes back, of what was said last.
TAKES_BACK = {
    "roll-not-changed": SupplyChange.ROLL,
    "cartridge-not-changed": SupplyChange.CARTRIDGE,
    "blade-not-changed": SupplyChange.BLADE,
}

# A board holds few runs at a time: of those that were moved away since it was heard, it is one of the newest.
MOST_MOVED_AWAY = 50
# It stopped by itself: its board ended without warning, or a condition of the machine stopped it.
STOPPED_BY_ITSELF = (UNPLANNED, FAULT)
_KNIFE_OFFLINE = KNIFE_OFFLINE.removesuffix("-warning")


def machine_added(rows: Rows, fact: Recorded, event: MachineAdded) -> None:
    """A machine, with a knife that nobody has armed yet."""
    rows.put(
        Machine,
        id=fact.subject,
        name=event.name,
        venue_id=event.venue,
        profile_id=event.profile,
        unnamed_profile=event.profile,
    )


def machine_changed(rows: Rows, fact: Recorded, event: MachineChanged) -> None:
    """What was said of it last counts."""
    if (machine := rows.change(Machine, fact.subject)) is not None:
        machine.name = event.name
        machine.venue_id = event.venue
        machine.profile_id = event.profile
        if not event.runs_keep:
            machine.unnamed_profile = event.profile


def machine_retired(rows: Rows, fact: Recorded, event: MachineRetired) -> None:
    """Its row stays, marked."""
    if (machine := rows.change(Machine, fact.subject)) is not None:
        machine.retired_at = fact.happened_at


def machine_taken_back(rows: Rows, fact: Recorded, event: MachineTakenBack) -> None:
    """It is used again."""
    if (machine := rows.change(Machine, fact.subject)) is not None:
        machine.retired_at = None


def machine_calibrated(rows: Rows, fact: Recorded, event: MachineCalibrated) -> None:
    """What was measured last counts."""
    if (machine := rows.change(Machine, fact.subject)) is not None:
        machine.calibration = unstructure(event.calibration)


def node_enrolled(rows: Rows, fact: Recorded, event: NodeEnrolled) -> None:
    """A new board keeps a new journal, which counts from 1. What holds the machine, what that says, and whether the
    knife is armed, it tells."""
    if (machine := rows.change(Machine, fact.subject)) is not None:
        machine.epoch = event.epoch
        machine.accepted_through = 0
        machine.hold, machine.held_since, machine.stopped_at = "", None, None
        machine.refused_since = None
        machine.knife_armed = False
        machine.conditions = []


def silence_began(rows: Rows, fact: Recorded, event: SilenceBegan) -> None:
    """Silent since it was last heard."""
    if (machine := rows.change(Machine, fact.subject)) is not None:
        machine.silent_since = event.last_heard_at


def never_heard(rows: Rows, fact: Recorded, event: NeverHeard) -> None:
    """Silent since its run was due."""
    if (machine := rows.change(Machine, fact.subject)) is not None:
        machine.silent_since = event.due_since


def silence_ended(rows: Rows, fact: Recorded, event: SilenceEnded) -> None:
    """Heard again."""
    if (machine := rows.change(Machine, fact.subject)) is not None:
        machine.silent_since = None


def reports_refused(rows: Rows, fact: Recorded, event: ReportsRefused) -> None:
    """It told what cannot be."""
    if (machine := rows.change(Machine, fact.subject)) is not None:
        machine.refused_since = fact.said_at


def reports_taken_again(rows: Rows, fact: Recorded, event: ReportsTakenAgain) -> None:
    """It told something that could be taken."""
    if (machine := rows.change(Machine, fact.subject)) is not None:
        machine.refused_since = None


def entry_taken(
    rows: Rows, fact: Recorded, event: Entry | EntrySetAside | EntryToldTwice | PrintedByEarlierPlan
) -> Machine | None:
    """Whatever a node reports moves the end of its journal that the server has."""
    machine = rows.change(Machine, fact.subject)
    if machine is not None:
        machine.accepted_through = event.seq
        machine.last_reported_at = fact.said_at
    return machine


def node_started(rows: Rows, fact: Recorded, event: NodeStarted) -> None:
    """After an unplanned stop the knife is disarmed until a person arms it."""
    machine = entry_taken(rows, fact, event)
    if machine is not None:
        machine.stopped_at = None
    if machine is not None and event.unplanned_stop:
        machine.knife_armed = False
        if not event.goes_on:
            _hold(machine, machine.hold or UNPLANNED, event.at)
        elif machine.hold in ("", UNPLANNED):
            _let_go(machine, event.at)


def node_stopped(rows: Rows, fact: Recorded, event: NodeStopped) -> None:
    """Nothing is printed until an agent begins again."""
    if (machine := entry_taken(rows, fact, event)) is not None:
        machine.stopped_at = event.at


def run_moved_away(rows: Rows, fact: Recorded, event: RunMovedAway) -> None:
    """Its board may hold it yet, and tell of it."""
    if (machine := rows.change(Machine, fact.subject)) is not None:
        others = [one for one in machine.moved_away if one[0] != event.run]
        machine.moved_away = [*others, [event.run, event.first_column, event.formed]][-MOST_MOVED_AWAY:]


def run_changed(rows: Rows, fact: Recorded, event: RunChanged) -> None:
    """A run may come back to a machine from which it was moved away."""
    machine = rows.find(Machine, event.machine)
    if machine is not None and any(one[0] == fact.subject for one in machine.moved_away):
        machine.moved_away = [one for one in machine.moved_away if one[0] != fact.subject]
        rows.change(Machine, event.machine)


def columns_printed(rows: Rows, fact: Recorded, event: ColumnsPrinted | PrintedByEarlierPlan) -> None:
    """The paper has moved on to the end of what was printed."""
    if (machine := entry_taken(rows, fact, event)) is not None:
        if machine.hold in ("", *STOPPED_BY_ITSELF) and _since(machine, event.at):  # it was let go on unattended
            _hold(machine, "", event.at)
        machine.paper_position = max(machine.paper_position, event.paper_position + len(event.columns))


def gap_settled(rows: Rows, fact: Recorded, event: GapSettled) -> None:
    """A gap is settled when nothing holds the machine back any more."""
    machine = entry_taken(rows, fact, event)
    if machine is not None and _since(machine, event.at):
        _hold(machine, "", event.at)


def strip_cut(rows: Rows, fact: Recorded, event: StripCut) -> None:
    """A cut that was not made shows that the knife is disarmed, unless it says why else. One that was, shows nothing: a
    strip without columns counts as cut with the one before it, whatever came of the knife in between."""
    machine = entry_taken(rows, fact, event)
    if machine is not None and not event.made and event.why is None:
        machine.knife_armed = False


def knife_armed(rows: Rows, fact: Recorded, event: KnifeArmed) -> None:
    """Armed by a person."""
    if (machine := entry_taken(rows, fact, event)) is not None:
        machine.knife_armed = True


def knife_disarmed(rows: Rows, fact: Recorded, event: KnifeDisarmed) -> None:
    """Until a person arms it again."""
    if (machine := entry_taken(rows, fact, event)) is not None:
        machine.knife_armed = False


def conditions_changed(rows: Rows, fact: Recorded, event: ConditionsChanged) -> None:
    """The conditions now. One that stops it holds it, and not only for as long as it is there; that and one that says
    that its knife is off disarm it. A doubt of the clock leaves the knife as it is: nobody is to think it off."""
    if (machine := entry_taken(rows, fact, event)) is not None:
        machine.conditions = list(event.keywords)
        if any(map(stops_printing, event.keywords)):
            _hold(machine, machine.hold or FAULT, event.at)
        elif event.goes_on and machine.hold == FAULT:
            _let_go(machine, event.at)
        if any(map(_takes_the_knife_off, event.keywords)):
            machine.knife_armed = False


def _takes_the_knife_off(keyword: str) -> bool:
    """A machine that refuses without a reason has the same keyword as a doubt; its board says that its knife is off."""
    return keyword.startswith(_KNIFE_OFFLINE) or (stops_printing(keyword) and keyword != TIME_IN_DOUBT)


def operator_acted(rows: Rows, fact: Recorded, event: OperatorActed) -> None:
    """What a person did may hold the machine back or let it go on, use paper, or be a change of supplies. One that was
    said by mistake counts no more: the part is the one that was there before."""
    machine = entry_taken(rows, fact, event)
    if machine is not None and event.action in HELD_AFTER:
        _hold(machine, HELD_AFTER[event.action], event.at)
    if machine is not None and event.paper_position is not None:
        _by_hand(rows, fact, event, machine, event.paper_position)
    if machine is not None and event.action in CHANGES:
        rows.put(
            SupplyChange,
            machine_id=fact.subject,
            version=fact.version,
            part=CHANGES[event.action],
            at=event.at,
            paper_position=machine.paper_position,
        )
    if machine is not None and event.action in TAKES_BACK:
        said = rows.change_where(SupplyChange, machine_id=fact.subject, part=TAKES_BACK[event.action])
        if said:  # nothing, where an older program set aside what is taken back
            rows.drop(SupplyChange, machine_id=fact.subject, version=said[-1].version)


def _by_hand(rows: Rows, fact: Recorded, event: OperatorActed, machine: Machine, place: int) -> None:
    """Paper that was used beside the runs is gone: the forecast counts it, and nothing is ever printed over it."""
    rows.put(
        HandUse,
        machine_id=fact.subject,
        version=fact.version,
        action=event.action,
        pattern=event.pattern,
        paper_position=place,
        paper_columns=event.paper_columns,
        seen_done=event.seen_done,
        at=event.at,
    )
    machine.paper_position = max(machine.paper_position, place + event.paper_columns)


def _since(machine: Machine, at: datetime) -> bool:
    """Whether something happened after the machine was held; what is told late may have happened before."""
    return machine.held_since is not None and at > machine.held_since


def _hold(machine: Machine, hold: str, at: datetime) -> None:
    """Held or not from now on; held otherwise than before, it has been held all the while."""
    if not hold:
        machine.held_since = None
    elif not machine.hold:
        machine.held_since = at
    machine.hold = hold


def _let_go(machine: Machine, at: datetime) -> None:
    """It goes on by itself. What it missed until then is still to be settled, and ``held_since`` says since when, until
    it is settled or something is laid."""
    machine.hold, machine.held_since = "", machine.held_since or at
