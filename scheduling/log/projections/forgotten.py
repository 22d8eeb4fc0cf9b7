"""The view of notices, where a server was put back from an older copy: what its boards tell that it has forgotten."""

from __future__ import annotations

from datetime import datetime

from scheduling.log.events.plans import RunPlanned
from scheduling.log.events.reports import EntriesToldAgain, RunNotKnown
from scheduling.log.models import Notice
from scheduling.log.projections.notices import ENTRIES_TOLD_AGAIN, RUN_NOT_KNOWN, raise_notice
from scheduling.log.recorded import Recorded
from scheduling.log.rows.row_cache import Rows
from scheduling.sky.zones import zone


def run_not_known(rows: Rows, fact: Recorded, event: RunNotKnown) -> None:
    """What lies on the paper is of a run that nobody has planned here."""
    said = (
        f"its board tells of run {event.run} since {_local(event.since, event.zone)}, and no such run is known here:"
        " this server was put back from an older copy. What it tells is kept. Put back a newer copy, or plan the run"
        " again as it was, under the same id, from and to the same instants, with begins_in_the_past; under another id,"
        " what lies on the paper counts as missed"
    )
    raise_notice(rows, fact, RUN_NOT_KNOWN, said, run=event.run)


def run_planned(rows: Rows, fact: Recorded, event: RunPlanned) -> None:
    """Known after all, where it is the same machine's."""
    for notice in rows.change_where(Notice, machine_id=event.machine, run=fact.subject, cleared_at=None):
        notice.cleared_at = fact.happened_at


def entries_told_again(rows: Rows, fact: Recorded, event: EntriesToldAgain) -> None:
    """Nothing is out of order any more: it is told, and over."""
    runs = f"of {'run' if len(event.runs) == 1 else 'runs'} {', '.join(event.runs)}" if event.runs else "of no run"
    first, last = (_local(at, event.zone) for at in (event.first_at, event.last_at))
    entries = "one entry" if event.count == 1 else f"{event.count} entries"
    said = (
        f"its board told again {entries} from {first} to {last}, {runs}: this server had lost them, as it was put back"
        " from an older copy, and has them now. What people ordered and decided here after that copy nobody tells"
        " again: look whether it is still there"
    )
    raise_notice(rows, fact, ENTRIES_TOLD_AGAIN, said, cleared_at=fact.happened_at)


def _local(at: datetime, name: str) -> str:
    return f"{at.astimezone(zone(name)):%Y-%m-%d %H:%M} ({name})"
