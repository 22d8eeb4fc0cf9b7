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
from server.demo.judging.evidence import Evidence
from server.demo.judging.judged_paper import differing_dots
from server.demo.scenario import CHANGES
from server.demo.station_day import StationDay

# A board asks again within an hour of having a network.
HEARS_WITHIN = timedelta(hours=1)
# A calendar tells whole seconds.
A_SECOND = timedelta(seconds=1)
# On both sides of where a run is followed by another, so many columns are looked at one by one.
BESIDE_THE_SEAM = 20


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


def followed_without_a_seam(day: StationDay) -> Promise:
    """Where a run is followed by another, the paper has the columns side by side, each once, those before of the one's
    plate and those after of the other's, which has another picture."""
    if len(day.evidence.runs) != 2:
        return Promise(f"followed-without-a-seam:{day.station.id}", False, {"runs": len(day.evidence.runs)})
    before, after = day.evidence.runs
    seam, places = after["first_column"], day.evidence.places
    beside = range(seam - BESIDE_THE_SEAM, seam + BESIDE_THE_SEAM)
    at_seam = [places.get(column, []) for column in beside]
    is_side_by_side = all(len(one) == 1 for one in at_seam) and bool(np.all(np.diff([one[0] for one in at_seam]) == 1))
    told = day.evidence.of(ColumnsPrinted)
    elsewhere = sum(max(0, one.columns.end - seam) for one in told if one.run == before["id"])
    elsewhere += sum(max(0, seam - one.columns.first) for one in told if one.run == after["id"])
    others, wrong = _of_the_other_picture(day.evidence, before["id"], after["id"])
    return Promise(
        f"followed-without-a-seam:{day.station.id}",
        before["end_column"] == seam
        and (before["followed_by"], after["succeeds"]) == (after["id"], before["id"])
        and is_side_by_side
        and elsewhere == 0
        and wrong == 0 < others,
        {
            "seam_at_column": seam,
            "columns_side_by_side": len(at_seam) if is_side_by_side else 0,
            "told_of_the_wrong_run": elsewhere,
            "columns_after_it": sum(column >= seam for column in places),
            "of_these_other_than_the_picture_before": others,
            "other_than_their_own_plate": wrong,
        },
    )


def _of_the_other_picture(evidence: Evidence, before: str, after: str) -> tuple[int, int]:
    """Of the columns of the run that follows, how many have other dots than the picture before would have there, and
    how many others than their own plate."""
    last = next(row["plate"] for row in reversed(evidence.segments) if row["run"] == before)
    others = wrong = 0
    for row in (row for row in evidence.segments if row["run"] == after):
        columns = [one for one in range(row["first_column"], row["end_column"]) if one in evidence.places]
        turned = np.array(columns, dtype=np.int64) % evidence.profile.columns_per_turn
        dots = evidence.paper.dots[:, [evidence.places[one][0] for one in columns]]
        own, other = evidence.plates[row["plate"]].dots, evidence.plates[last].dots
        wrong += int(np.any(dots != own[:, turned], axis=0).sum())
        others += int(np.any(dots != other[:, turned], axis=0).sum())
    return others, wrong
