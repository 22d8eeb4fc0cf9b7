"""What a told entry changes of what a model of the server knows, as the server's views are folded."""

from __future__ import annotations

from datetime import datetime

from machines.operator.stop_causes import stops_printing
from machines.protocol.journal_entries import (
    ColumnsPrinted,
    ConditionsChanged,
    Entry,
    GapSettled,
    KnifeArmed,
    KnifeDisarmed,
    NodeStarted,
    OperatorActed,
    StripCut,
    TrueAgain,
)
from machines.recovery import Columns
from tests.modelled.known import Known, Outage, Planned

HELD_AFTER = {"stop": "stopped", "release": "paused", "pause": "paused", "park": "parked", "resume": ""}
KNIFE_OFFLINE = "separation-cutter-offline"
BY_ITSELF = ("unplanned-stop", "fault")


def fold(known: Known, entry: Entry) -> None:
    """An entry that was just taken."""
    _move_paper(known, entry)
    _see_what_holds(known, entry)
    _see_how_it_stands(known, entry)
    if isinstance(entry, GapSettled):
        _outage(known, entry)
    elif isinstance(entry, TrueAgain):
        _true_again(known, entry.run, entry.at)
    if isinstance(entry, ColumnsPrinted | GapSettled):
        run = known.runs.get(entry.run)
        if run is None:
            known.told_before.setdefault(entry.run, []).append(entry)
        else:
            account(run, entry)


def _move_paper(known: Known, entry: Entry) -> None:
    if isinstance(entry, ColumnsPrinted):
        columns = entry.columns
        known.stretches.append((entry.run, columns.first, columns.end, entry.paper_position))
        known.fed = max(known.fed, entry.paper_position + len(columns))
    elif isinstance(entry, OperatorActed) and entry.paper_position is not None:
        known.fed = max(known.fed, entry.paper_position + entry.paper_columns)


def _see_what_holds(known: Known, entry: Entry) -> None:
    match entry:
        case ColumnsPrinted() if known.hold in ("", *BY_ITSELF) and _since(known, entry.at):
            _hold(known, "", entry.at)
        case GapSettled() if _since(known, entry.at):
            _hold(known, "", entry.at)
        case NodeStarted() if entry.goes_on:
            _let_go(known, "unplanned-stop", entry.at)
        case NodeStarted() if entry.unplanned_stop:
            _hold(known, known.hold or "unplanned-stop", entry.at)
        case ConditionsChanged() if any(map(stops_printing, entry.keywords)):
            _hold(known, known.hold or "fault", entry.at)
        case ConditionsChanged() if entry.goes_on and known.hold:
            _let_go(known, "fault", entry.at)
        case OperatorActed() if entry.action in HELD_AFTER:
            _hold(known, HELD_AFTER[entry.action], entry.at)


def _see_how_it_stands(known: Known, entry: Entry) -> None:
    match entry:
        case ConditionsChanged():
            known.conditions = list(entry.keywords)
            stops = [one for one in entry.keywords if stops_printing(one) and one != "other-error"]
            is_off = bool(stops) or any(one.startswith(KNIFE_OFFLINE) for one in entry.keywords)
            known.knife_armed = known.knife_armed and not is_off
        case KnifeArmed():
            known.knife_armed = True
        case KnifeDisarmed():
            known.knife_armed = False
        case NodeStarted() if entry.unplanned_stop:
            known.knife_armed = False
        case StripCut() if not entry.made and entry.why is None:
            known.knife_armed = False


def account(run: Planned, entry: Entry) -> None:
    """What became of a run's columns."""
    if isinstance(entry, ColumnsPrinted):
        columns = _range(entry.columns)
        run.again = {column for column in run.again if column >= entry.columns.end}
        run.give(columns, "printed")
        run.laid_at = entry.at if run.laid_at is None else max(run.laid_at, entry.at)
    elif isinstance(entry, GapSettled):
        decision = entry.decision
        late = [decision.again, decision.finished, decision.replayed, decision.shifted]
        for column in (column for columns in late for column in _range(columns)):
            if run.fates.get(column) == "skipped":
                del run.fates[column]
        run.give(_range(decision.unknown), "unknown")
        run.give(_range(decision.skipped), "skipped")
        run.again.clear()
        for column in (column for columns in late for column in _range(columns)):
            if run.fates.get(column, "skipped") != "skipped":
                run.again.add(column)
        if decision.shift_s:
            run.shifts.append((decision.shifted.first if decision.shifted else entry.gap.end, decision.shift_s))


def _outage(known: Known, entry: GapSettled) -> None:
    is_over = entry.decision.late == 0
    if is_over:
        _true_again(known, entry.run, entry.at)
    known.outages.append(Outage(entry.run, entry.at if is_over else None))
    if (given := entry.gap.override) is not None:
        for word in known.words:
            word.used = word.used or word.said.id == given.id


def _true_again(known: Known, run: str, at: datetime) -> None:
    for outage in known.outages:
        if outage.run == run and outage.true_again_at is None:
            outage.true_again_at = at


def _since(known: Known, at: datetime) -> bool:
    return known.held_since is not None and at > known.held_since


def _hold(known: Known, hold: str, at: datetime) -> None:
    if not hold:
        known.held_since = None
    elif not known.hold:
        known.held_since = at
    known.hold = hold


def _let_go(known: Known, stopped: str, at: datetime) -> None:
    if known.hold in ("", stopped):
        known.hold, known.held_since = "", known.held_since or at


def _range(columns: Columns) -> range:
    return range(columns.first, columns.end)
