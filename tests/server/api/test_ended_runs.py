"""Runs that people end: what is answered, what is refused, what would follow; and any sequence of such changes."""

from __future__ import annotations

import json
from collections import Counter
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest
from django.db import transaction
from django.http import HttpResponse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machines.chance import SYSTEM
from machines.errors import InputError
from scheduling.commands.changes import make
from scheduling.commands.end_run import end_run
from scheduling.log.models import Event, Machine, Notice, PrintedStretch, Run, Segment
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import stream_version
from server import jobs
from tests.scheduling.house import by
from tests.server.api.test_bad_input import problem
from tests.server.api.test_withdrawn_runs import PATH, entries, tell, withdrawn, work
from tests.server.studio import BEGINS, RUN, Caller, HeldClock, printed

LATER = {"at": "2026-03-21T12:00:00Z"}


def act(caller: Caller, name: str, body: Any, path: str = PATH, query: str = "") -> HttpResponse:
    return caller.post(f"{path}/{name}{query}", body, HTTP_IF_MATCH=caller.get(path).headers["ETag"])


def patch(caller: Caller, path: str, body: Any) -> HttpResponse:
    said = {"data": json.dumps(body), "content_type": "application/json"}
    return caller.other("PATCH", f"{path}?accept=true", **said, HTTP_IF_MATCH=caller.get(path).headers["ETag"])


def end(caller: Caller, body: Any, query: str = "") -> HttpResponse:
    return act(caller, "end", body, query=query)


@pytest.mark.parametrize(
    ("body", "column"),
    [(LATER, 3447541), (LATER | {"boundary": "strip"}, 3447630), (LATER | {"boundary": "turn"}, 3447720)],
)
def test_it_ends_at_the_first_boundary_from_then_on(furnished: Caller, body: Any, column: int) -> None:
    row = end(furnished, body).json()
    assert row["end_column"] == column
    assert row["ended_at"] == "2026-03-20T06:00:00.000000Z"
    _, step = furnished.get(f"{PATH}/history").json()["steps"]
    assert (step["kind"], [one["field"] for one in step["fields"]]) == ("run-ended", ["end_column", "ends_at"])


def test_what_lies_beyond_is_withdrawn_and_a_later_run_begins_there(furnished: Caller, node: Caller) -> None:
    row = end(furnished, {"at": "2026-03-21T12:10:00Z"}).json()
    states = Counter(Segment.objects.filter(run_id="spring").values_list("state", flat=True))
    assert states["withdrawn"] > 0
    held = work(node)
    assert held.run is not None
    assert (held.run.end_column, held.run.revision) == (row["end_column"], 2)
    assert held.segments[-1].end_column == row["end_column"]
    furnished.create("runs", RUN | {"id": "then", "starts_at": row["ends_at"]})
    then = furnished.get("runs/then").json()
    assert then["first_column"] == row["end_column"]


def test_calendars_show_its_end_where_it_is_now(furnished: Caller) -> None:
    before = {str(one["uid"]): one for one in entries()}
    row = end(furnished, LATER).json()
    (moved,) = [one for one in entries() if one["dtstart"].dt != before[str(one["uid"])]["dtstart"].dt]
    assert abs(moved["dtstart"].dt - datetime.fromisoformat(row["ends_at"])) <= timedelta(seconds=0.5)
    assert moved["sequence"] == before[str(moved["uid"])]["sequence"] + 1


def test_a_preview_says_what_would_follow(furnished: Caller) -> None:
    events = Event.objects.count()
    shown = end(furnished, LATER, "?preview=true").json()
    assert Event.objects.count() == events
    assert shown["in_words"] == [
        "Wren 1 prints run spring until 2026-03-21 12:03, instead of 2026-03-23 12:00, by the clock of Europe/Lisbon.",
        "720 columns are withdrawn, 0.240 m of paper, 8 cuts; 49 segments of them were planned so far.",
        "At First night, on 2026-03-21 19:00, Wren 1 is not on it any more.",
        "Subscribed calendars show its end on 2026-03-21 12:03, once they look again.",
        "Wren 1 was never heard, and holds none of it.",
    ]


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"at": "2026-03-20T05:00:00Z"}, "at"),
        ({"at": "2026-03-20T11:00:00Z"}, "at"),  # before it begins
        (LATER | {"boundary": "year"}, "boundary"),
        ({"at": "noon"}, "at"),
    ],
)
def test_what_cannot_be_is_refused(furnished: Caller, body: Any, field: str) -> None:
    assert problem(end(furnished, body), 422)["field"] == field


@pytest.mark.parametrize("name", ["end", "hold", "continue", "succeed"])
def test_no_year_is_named_in_which_nothing_is_planned(furnished: Caller, name: str) -> None:
    body = {"at": "2101-01-01T00:00:00Z"} | ({"id": "then"} if name == "succeed" else {})
    refused = problem(act(furnished, name, body), 422)
    assert (refused["field"], "2101 is out of reach" in refused["detail"]) == ("at", True)


def test_what_was_withdrawn_is_not_ended(furnished: Caller) -> None:
    withdrawn(furnished)
    assert "withdrawn" in problem(end(furnished, LATER), 422)["detail"]


def test_it_is_not_lengthened_into_another(furnished: Caller) -> None:
    row = end(furnished, LATER).json()
    furnished.create("runs", RUN | {"id": "then", "starts_at": row["ends_at"]})
    assert "then" in problem(end(furnished, {"at": "2026-03-22T12:00:00Z"}), 422)["detail"]


def test_a_run_that_came_in_between_holds_its_machine(furnished: Caller) -> None:
    row = end(furnished, LATER).json()
    at = datetime(2026, 3, 22, 12, tzinfo=UTC)
    change = end_run(Run.objects.get(), BEGINS, stream_version("run/spring"), at=at)
    furnished.create("runs", RUN | {"id": "then", "starts_at": row["ends_at"]})
    with pytest.raises(InputError, match="the machine is on run 'then'"):
        make(change, None, by(), SYSTEM, accepted=True)
    assert Run.objects.get(id="spring").end_column == row["end_column"]


def test_to_end_now_what_was_due_already_does_not_lengthen_it(furnished: Caller, clock: HeldClock) -> None:
    row = end(furnished, LATER).json()
    clock.at = datetime(2026, 3, 21, 15, tzinfo=UTC)
    assert "due by" in problem(end(furnished, {}), 422)["detail"]
    assert furnished.get(PATH).json() == row


def test_it_is_not_lengthened_on_a_machine_that_was_retired(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    held = work(node)
    number = next(
        seq for seq, one in enumerate(held.segments, 1) if one.knots[-1] > datetime(2026, 3, 20, 20, tzinfo=UTC)
    )
    end(furnished, {"at": held.segments[number - 1].knots[-1].isoformat()})
    clock.at = datetime(2026, 3, 21, 15, tzinfo=UTC)
    tell(node, *(printed(held, seq) for seq in range(1, number + 1)))
    assert act(furnished, "retire", {}, "machines/wren-1").status_code == 200
    assert "retired" in problem(end(furnished, LATER | {"at": "2026-03-22T12:00:00Z"}), 422)["detail"]


@pytest.mark.parametrize("beyond", [0, 1])
def test_of_a_segment_that_an_end_clips_all_of_it_may_be_told_and_no_more(
    furnished: Caller, node: Caller, clock: HeldClock, beyond: int
) -> None:
    held = work(node)
    row = end(furnished, LATER).json()
    number = next(seq for seq, one in enumerate(held.segments, 1) if one.end_column > row["end_column"])
    whole = held.segments[number - 1]
    assert whole.first_column < row["end_column"]
    clock.at = datetime(2026, 3, 21, 15, tzinfo=UTC)
    told = {"first": whole.first_column, "end": whole.end_column + beyond}
    tell(node, printed(held, number) | {"seq": 1, "columns": told, "columns_done": told["end"] - told["first"]})
    assert Notice.objects.filter(kind="entry-set-aside").count() == beyond
    assert (Run.objects.get().beyond > 0) != bool(beyond)


def test_what_was_told_is_never_cut_off(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    held = work(node)
    clock.at = datetime(2026, 3, 20, 13, 1, tzinfo=UTC)
    tell(node, printed(held, 1), printed(held, 2))
    row = end(furnished, {"at": "2026-03-20T13:01:00Z"}).json()
    assert row["end_column"] >= held.segments[1].end_column


def test_a_node_that_says_what_it_holds_is_kept_to(furnished: Caller, node: Caller) -> None:
    status = {
        "at": "2026-03-20T06:00:00Z",
        "next_column": work(node).segments[0].first_column + 40,
        "paper_position": 40,
        "clock_error_s": 0.1,
        "knife_armed": False,
        "held_until": "2026-03-22T12:00:00Z",
        "held_run": "spring",
        "held_revision": 1,
    }
    tell(node, status=status)
    row = end(furnished, {"at": "2026-03-20T12:30:00Z"}, "?accept=true").json()
    assert row["end_column"] == status["next_column"]
    held = "Wren 1 was last heard on 2026-03-20 06:00; it holds work until 2026-03-22 12:00"
    unheard = f"{held} by the plan before: it has not heard of the newest change."
    assert end(furnished, LATER, "?preview=true").json()["in_words"][-1] == unheard
    tell(node, status=status | {"held_revision": 2})
    assert (
        end(furnished, LATER, "?preview=true").json()["in_words"][-1]
        == f"{held}, and knows all that was said of it so far."
    )


ACTS = st.lists(
    st.one_of(
        st.tuples(st.just("withdraw"), st.integers(0, 2), st.just(0)),
        st.tuples(st.just("plan"), st.integers(0, 2), st.integers(0, 60)),
        st.tuples(st.just("end"), st.integers(0, 2), st.integers(7, 90)),
        st.tuples(st.just("change"), st.integers(0, 2), st.integers(0, 60)),
        st.tuples(st.just("lengthen"), st.integers(0, 2), st.integers(7, 120)),
        st.tuples(st.just("tell"), st.integers(0, 3), st.just(0)),
    ),
    max_size=8,
)


FOLDED = (Run, Segment, PrintedStretch, Machine, Notice)


class _Undone(Exception):
    """So that nothing is left of an example."""


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(acts=ACTS)
def test_after_any_changes_each_column_is_of_one_run_and_views_fold_alike(
    furnished: Caller, node: Caller, clock: HeldClock, acts: list[tuple[str, int, int]]
) -> None:
    try:
        with transaction.atomic():
            _change(furnished, node, clock, acts)
            rows = list(Run.objects.filter(withdrawn_at=None))
            spans = sorted((row.first_column, row.end_column) for row in rows)
            assert all(end <= first for (_, end), (first, _) in pairwise(spans))
            for row in rows:
                _holds_together(row)
            live = [list(model.objects.order_by("pk").values()) for model in FOLDED]
            rebuild()
            assert [list(model.objects.order_by("pk").values()) for model in FOLDED] == live
            raise _Undone
    except _Undone:
        clock.at = datetime(2026, 3, 20, 6, tzinfo=UTC)


def _change(studio: Caller, node: Caller, clock: HeldClock, acts: list[tuple[str, int, int]]) -> None:
    held, seq = work(node), 0
    for name, number, hours in acts:
        run = f"runs/{'spring' if number == 0 else f'run-{number}'}"
        at = _at(hours)
        if name == "plan":
            studio.post("runs", RUN | {"id": run[5:], "starts_at": at})
            jobs.extend()
        elif name == "tell":
            clock.at = max(clock.at, held.segments[seq].knots[-1])
            seq += 1
            tell(node, printed(held, seq))
        elif studio.get(run).status_code == 200 and name in ("change", "lengthen"):
            body: dict[str, Any] = {"ends_at": at}
            if name == "change":
                body = {"starts_at": at, "ends_at": _at(hours + 18), "segments_per_turn": 12 + hours % 13}
            patch(studio, run, body)
            jobs.extend()
        elif studio.get(run).status_code == 200:
            act(studio, name, {"at": at} if name == "end" else {}, run, "?accept=true")
            jobs.extend()


def _at(hours: int) -> str:
    return (datetime(2026, 3, 20, 12, tzinfo=UTC) + timedelta(hours=hours)).isoformat()


def _holds_together(row: Run) -> None:
    """Each planned column of a run is in one segment that stands, and what became of columns is counted once."""
    segments = list(Segment.objects.filter(run_id=row.id).order_by("first_column"))
    stand = [one for one in segments if one.state != Segment.WITHDRAWN]
    assert [one.first_column for one in stand[1:]] == [one.end_column for one in stand[:-1]]
    if stand:
        assert (stand[0].first_column, stand[-1].end_column) == (
            row.first_column,
            min(row.end_column, row.planned_to_column),
        )
    assert row.printed == sum(one.printed for one in stand)
    laid = [span for one in segments for span in one.outcomes] + row.ahead
    assert row.printed + row.beyond == sum(last - first for first, last, outcome in laid if outcome == "printed")
