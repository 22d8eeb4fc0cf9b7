"""What the demonstration promises of changed plans can break: each is shown what is good, and one thing wrong in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import icalendar
import numpy as np
import pytest

from machines.clock import utc
from machines.imaging.plate import Plate
from machines.protocol.journal_entries import ColumnsPrinted
from machines.serialization import format_instant, parse_instant
from server.demo.acceptance import every_column_accounted_once, paper_shows_the_plates, planned_by_the_sky
from server.demo.changes import Ended, Moved
from server.demo.kept_changes import ended_while_offline, followed_without_a_seam, opening_moved
from server.demo.station_day import StationDay
from tests.server.demo.test_acceptance import BACK, BEGINS, END, ENDS, FIRST, GONE, SMALL, TIMELINE, changed, day

NAME, WAS, IS = "Doors open at first light", BEGINS, BEGINS + timedelta(minutes=30)


def feed(at: Any, sequence: int, uid: str = "one", name: str = f"Doors open: {NAME}") -> bytes:
    calendar, entry = icalendar.Calendar(), icalendar.Event()
    for field, value in (("uid", uid), ("summary", name), ("dtstart", at), ("sequence", sequence)):
        entry.add(field, value)
    calendar.add_component(entry)
    return bytes(calendar.to_ical())


MOVED = Moved(
    seen={"fields": [{"field": "anchor"}, {"field": "opens_at"}], "warnings": [{"kind": "closed"}]},
    before={"id": "first-light", "name": NAME, "opens_at": format_instant(WAS)},
    after={"id": "first-light", "name": NAME, "opens_at": format_instant(IS)},
    feed_before=feed(WAS, 0),
    feed_after=feed(IS, 1),
    late=412,
)
WRONGLY_MOVED = {
    "it stays": {"after": MOVED.before, "feed_after": feed(WAS, 1)},
    "the calendar stays": {"feed_after": MOVED.feed_before},
    "the calendar counts no revision": {"feed_after": feed(IS, 0)},
    "the calendar has another entry": {"feed_after": feed(IS, 1, uid="two")},
    "it is gone from the calendar": {"feed_after": feed(IS, 1, name="Another")},
    "it moves too far": {"after": MOVED.after | {"opens_at": format_instant(IS + timedelta(hours=1))}},
    "the calendar moves too far": {"feed_after": feed(IS + timedelta(hours=1), 1)},
    "nobody was told": {"seen": {"fields": [], "warnings": []}},
    "whoever has not heard changes it": {"late": 200},
}


def test_an_opening_that_moved_as_was_said_keeps_its_promise() -> None:
    assert opening_moved(MOVED).holds
    for off in (timedelta(milliseconds=-400), timedelta(milliseconds=400)):
        was, is_now = (format_instant(at + off) for at in (WAS, IS))
        moved = replace(MOVED, before=MOVED.before | {"opens_at": was}, after=MOVED.after | {"opens_at": is_now})
        assert opening_moved(moved).holds, "a calendar tells whole seconds"


@pytest.mark.parametrize("wrong", WRONGLY_MOVED.values(), ids=WRONGLY_MOVED.keys())
def test_an_opening_that_did_not_breaks_it(wrong: dict[str, Any]) -> None:
    assert not opening_moved(replace(MOVED, **wrong)).holds


# A run that was ended eight hours into its ten, and printed on until the board heard of it.
SAID = BEGINS + timedelta(hours=8)
SHORT = -(-TIMELINE.first_column_from(SAID.timestamp()) // SMALL.columns_per_burst) * SMALL.columns_per_burst
NETWORK_BACK = BEGINS + timedelta(hours=8.5)
ENDED = Ended(
    seen={"warnings": [{"kind": "board-may-print"}]},
    said={"board": {"knows": False}},
    at=SAID - timedelta(minutes=1),
)
LAST = SHORT + 6


def ended_day() -> StationDay:
    """Twenty columns lie beyond the end, all laid before it was heard of."""
    whole = day()
    laid = whole.evidence.paper.laid
    stays = laid["column"] < LAST
    paper = replace(
        whole.evidence.paper, laid=laid[stays], dots=whole.evidence.paper.dots[:, : int(np.count_nonzero(stays))]
    )
    run = whole.evidence.runs[0] | {
        "end_column": SHORT,
        "beyond": LAST - SHORT,
        "ends_at": format_instant(SAID),
        "ended_at": format_instant(ENDED.at),
        "board": {"knows": None},
    }
    return changed(replace(whole, evidence=replace(whole.evidence, paper=paper, runs=[run])), _clipped)


def _clipped(entries: list[Any]) -> list[Any]:
    found = []
    for entry in entries:
        if isinstance(entry, ColumnsPrinted):
            if entry.columns.first >= LAST:
                continue
            columns = replace(entry.columns, end=min(entry.columns.end, LAST))
            entry = replace(entry, columns=columns, columns_done=len(columns))
        found.append(entry)
    return found


def of_run(**differs: Any) -> Callable[[StationDay], StationDay]:
    return lambda given: replace(
        given, evidence=replace(given.evidence, runs=[given.evidence.runs[0] | differs, *given.evidence.runs[1:]])
    )


def laid_late(given: StationDay) -> StationDay:
    """The last column, long after the board must have heard."""
    laid = given.evidence.paper.laid.copy()
    laid["at"][-1] = ENDS.timestamp()
    return replace(given, evidence=replace(given.evidence, paper=replace(given.evidence.paper, laid=laid)))


def other_dots(given: StationDay) -> StationDay:
    dots = given.evidence.paper.dots.copy()
    dots[:, -1] = ~dots[:, -1]
    return replace(given, evidence=replace(given.evidence, paper=replace(given.evidence.paper, dots=dots)))


def untold(given: StationDay) -> StationDay:
    return changed(given, lambda entries: [one for one in entries if _ends_by(one, SHORT)])


def _ends_by(entry: Any, column: int) -> bool:
    return not isinstance(entry, ColumnsPrinted) or entry.columns.end <= column


def nothing_beyond(given: StationDay) -> StationDay:
    paper = given.evidence.paper
    stays = paper.laid["column"] < SHORT
    cut = replace(paper, laid=paper.laid[stays], dots=paper.dots[:, : int(np.count_nonzero(stays))])
    return of_run(beyond=0)(untold(replace(given, evidence=replace(given.evidence, paper=cut))))


WRONGLY_ENDED = {
    "it was not ended": of_run(longest_column=SHORT),
    "what lies beyond is not counted": of_run(beyond=0),
    "more is counted": of_run(beyond=LAST - SHORT + 1),
    "it lays on once it has heard": laid_late,
    "other dots lie there": other_dots,
    "what lies there was not told": untold,
    "nothing was laid": nothing_beyond,
    "it has not heard yet": of_run(board={"knows": False}),
}


def test_a_run_that_ended_while_its_board_could_not_hear_keeps_its_promise() -> None:
    promise = ended_while_offline(ended_day(), ENDED, NETWORK_BACK)
    assert promise.holds, promise.measured
    assert promise.measured["laid_beyond_the_end"] == LAST - SHORT
    assert FIRST < SHORT < LAST < TIMELINE.first_column_from(parse_instant(format_instant(ENDS)).timestamp())


@pytest.mark.parametrize("wrong", WRONGLY_ENDED.values(), ids=WRONGLY_ENDED.keys())
def test_one_that_ended_otherwise_breaks_it(wrong: Callable[[StationDay], StationDay]) -> None:
    assert not ended_while_offline(wrong(ended_day()), ENDED, NETWORK_BACK).holds


def test_a_board_that_knew_at_once_was_not_offline() -> None:
    knew = replace(ENDED, said={"board": {"knows": True}})
    assert not ended_while_offline(ended_day(), knew, NETWORK_BACK).holds
    assert utc(NETWORK_BACK.timestamp()) == NETWORK_BACK


# The run of the day, followed by another picture from some time after the power cut on.
SEAM = BACK + 24
OTHER = Plate(np.random.default_rng(8).random((SMALL.dots_across, SMALL.columns_per_turn)) < 0.4)


def followed_day() -> StationDay:
    """As a good day, but that from a column on another run has printed, and its picture."""
    whole = day()
    evidence, own = whole.evidence, next(iter(whole.evidence.plates.values()))
    before = evidence.runs[0] | {"end_column": SEAM, "followed_by": "next", "succeeds": None}
    after = evidence.runs[0] | {"id": "next", "first_column": SEAM, "followed_by": None, "succeeds": before["id"]}
    before |= {"printed": SEAM - FIRST - (BACK - GONE)}
    after |= {"printed": END - SEAM, "skipped": 0}
    segments = [_of(before, first, own) for first in evidence.segments if first["first_column"] < SEAM]
    segments += [_of(after, row, OTHER) for row in evidence.segments if row["end_column"] > SEAM]
    columns = evidence.paper.laid["column"].astype(np.int64)
    dots = evidence.paper.dots.copy()
    dots[:, columns >= SEAM] = OTHER.dots[:, columns[columns >= SEAM] % SMALL.columns_per_turn]
    evidence = replace(
        evidence,
        runs=[before, after],
        segments=segments,
        paper=replace(evidence.paper, dots=dots),
        plates={own.digest: own, OTHER.digest: OTHER},
    )
    return changed(replace(whole, evidence=evidence), lambda entries: [one for told in entries for one in _told(told)])


def _of(run: dict[str, Any], row: dict[str, Any], plate: Plate) -> dict[str, Any]:
    first = max(row["first_column"], run["first_column"])
    end = min(row["end_column"], run["end_column"])
    columns = np.arange(first, end)
    skipped = int(np.sum((columns >= GONE) & (columns < BACK)))
    starts, ends = (format_instant(utc(float(at))) for at in TIMELINE.instants(np.array([first, end])))
    own = {"run": run["id"], "plate": plate.digest, "starts_at": starts, "ends_at": ends}
    counts = {"printed": len(columns) - skipped, "skipped": skipped}
    return row | own | counts | {"first_column": first, "end_column": end}


def _told(entry: Any) -> list[Any]:
    """An entry, or the two of the two runs."""
    if not isinstance(entry, ColumnsPrinted) or entry.columns.end <= SEAM:
        return [entry]
    parts = [(entry.run, entry.columns.first, SEAM), ("next", max(SEAM, entry.columns.first), entry.columns.end)]
    return [
        replace(
            entry,
            run=run,
            columns=replace(entry.columns, first=first, end=end),
            columns_done=end - first,
            paper_position=entry.paper_position + first - entry.columns.first,
        )
        for run, first, end in parts
        if first < end
    ]


def a_place_left_free(given: StationDay) -> StationDay:
    laid = given.evidence.paper.laid.copy()
    laid["place"][laid["column"] >= SEAM] += 1
    dots = np.insert(given.evidence.paper.dots, laid["place"][laid["column"] == SEAM][0] - 1, False, axis=1)
    return replace(given, evidence=replace(given.evidence, paper=replace(given.evidence.paper, laid=laid, dots=dots)))


def a_column_missing(given: StationDay) -> StationDay:
    paper = given.evidence.paper
    stays = paper.laid["column"] != SEAM
    return replace(given, evidence=replace(given.evidence, paper=replace(paper, laid=paper.laid[stays])))


def the_old_picture(given: StationDay) -> StationDay:
    return replace(given, evidence=replace(given.evidence, paper=day().evidence.paper))


def told_of_the_first(given: StationDay) -> StationDay:
    first = given.evidence.runs[0]["id"]
    return changed(
        given, lambda entries: [replace(one, run=first) if isinstance(one, ColumnsPrinted) else one for one in entries]
    )


def with_runs(before: dict[str, Any], after: dict[str, Any]) -> Callable[[StationDay], StationDay]:
    def wrong(given: StationDay) -> StationDay:
        first, second = given.evidence.runs
        return replace(given, evidence=replace(given.evidence, runs=[first | before, second | after]))

    return wrong


WRONGLY_FOLLOWED = {
    "a place is left free": a_place_left_free,
    "a column is missing": a_column_missing,
    "the old picture goes on": the_old_picture,
    "it is told of the first run": told_of_the_first,
    "the runs overlap": with_runs({"end_column": SEAM + 1}, {}),
    "there is a gap between them": with_runs({"end_column": SEAM - 1}, {}),
    "the one does not know the other": with_runs({"followed_by": None}, {}),
    "nothing followed": lambda given: replace(given, evidence=replace(given.evidence, runs=given.evidence.runs[:1])),
}


def test_a_run_that_is_followed_without_a_seam_keeps_its_promise() -> None:
    promise = followed_without_a_seam(followed_day())
    assert promise.holds, promise.measured
    assert promise.measured["seam_at_column"] == SEAM
    assert promise.measured["of_these_other_than_the_picture_before"] == promise.measured["columns_after_it"]


@pytest.mark.parametrize("wrong", WRONGLY_FOLLOWED.values(), ids=WRONGLY_FOLLOWED.keys())
def test_one_with_a_seam_breaks_it(wrong: Callable[[StationDay], StationDay]) -> None:
    assert not followed_without_a_seam(wrong(followed_day())).holds


def test_the_other_promises_are_kept_of_two_runs_as_of_one() -> None:
    given = followed_day()
    assert paper_shows_the_plates(given).holds
    assert planned_by_the_sky(given).holds
    assert every_column_accounted_once(given).holds
    assert not paper_shows_the_plates(other_dots(given)).holds
