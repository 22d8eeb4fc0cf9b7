"""What was promised of a plan that changes: an opening that moves, and a run that ends while its board cannot hear."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import icalendar
import numpy as np

from machines.protocol.journal_entries import ColumnsPrinted
from machines.serialization import parse_instant
from server.demo.acceptance import Promise
from server.demo.changes import Ended, Moved
from server.demo.judging.judged_paper import differing_dots
from server.demo.scenario import CHANGES
from server.demo.station_day import StationDay

# A board asks again within an hour of having a network.
HEARS_WITHIN = timedelta(hours=1)
# A calendar tells whole seconds.
A_SECOND = timedelta(seconds=1)


def opening_moved(moved: Moved) -> Promise:
    """An opening keeps its id and its entry in the calendar, which counts a revision and says the new instant; it was
    told what that means before; who had not heard of it changes nothing."""
    opens_at, was_at = parse_instant(moved.after["opens_at"]), parse_instant(moved.before["opens_at"])
    before, after = (_entry(feed, moved.before["name"]) for feed in (moved.feed_before, moved.feed_after))
    told = [one["field"] for one in moved.seen["fields"]]
    measured: dict[str, Any] = {
        "opens_later_by": str(opens_at - was_at),
        "calendar_later_by": None if before is None or after is None else str(after.start - before.start),
        "sequence": [None if one is None else int(one.get("sequence", 0)) for one in (before, after)],
        "told_before": told,
        "warned_of": [one["kind"] for one in moved.seen["warnings"]],
        "order_by_what_was_seen_earlier": moved.late,
    }
    holds = (
        before is not None
        and after is not None
        and before["uid"] == after["uid"]
        and after["sequence"] == before.get("sequence", 0) + 1
        and opens_at == was_at + CHANGES.later
        and after.start == before.start + CHANGES.later
        and abs(opens_at - after.start) < A_SECOND
        and moved.after["id"] == moved.before["id"]
        and {"anchor", "opens_at"} <= set(told)
        and moved.late == 412
    )
    return Promise("opening-moved", holds, measured)


def _entry(feed: bytes, name: str) -> Any:
    """The one entry of an opening in a calendar."""
    named = [one for one in icalendar.Calendar.from_ical(feed).events if name in str(one["summary"])]
    return named[0] if len(named) == 1 else None


def ended_while_offline(day: StationDay, ended: Ended, network_back: datetime) -> Promise:
    """A board that could not hear that its run was ended printed on by the old plan until it heard of it, and no
    longer; what lies beyond the end is told, counted as that, and of its plate."""
    end, laid = day.run["end_column"], day.evidence.paper.laid
    beyond = laid[laid["column"] >= end]
    told = sum(max(0, one.columns.end - max(one.columns.first, end)) for one in day.evidence.of(ColumnsPrinted))
    wrong = set(differing_dots(day.evidence)[0]) & set(beyond["column"].tolist())
    heard = (network_back + HEARS_WITHIN).timestamp()
    unheard = int(np.sum((beyond["at"] > ended.at.timestamp()) & (beyond["at"] <= heard)))
    return Promise(
        f"ended-while-offline:{day.station.id}",
        end < day.run["longest_column"]
        and 0 < unheard == len(beyond) == len(set(beyond["column"].tolist())) == told == day.run["beyond"]
        and not wrong
        and ended.said["board"]["knows"] is False
        and day.run["board"]["knows"] is not False,
        {
            "columns_taken_back": day.run["longest_column"] - end,
            "laid_beyond_the_end": len(beyond),
            "laid_before_it_could_hear": unheard,
            "told": told,
            "counted_beyond": day.run["beyond"],
            "that_differ_from_their_plate": len(wrong),
            "its_board_knew_then": ended.said["board"]["knows"],
            "warned_of": [one["kind"] for one in ended.seen["warnings"]],
        },
    )
