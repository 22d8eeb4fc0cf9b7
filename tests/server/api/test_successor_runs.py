"""Runs that another follows from a boundary on: what is answered, what is refused, what is then on which machine."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest
from django.db import transaction
from django.http import HttpResponse
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from machines.chance import SYSTEM
from machines.errors import InputError
from machines.serialization import parse_instant
from scheduling.commands.changes import make
from scheduling.commands.handlers import IdInUse
from scheduling.commands.succeed_run import succeed_run
from scheduling.log.models import Event, Machine, Run, Segment
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import stream_version
from scheduling.queries.runs import machine_profile, run_instants, timeline_on
from scheduling.queries.venue_context import place_of
from server import jobs
from tests.scheduling.house import by
from tests.server.api.test_bad_input import problem
from tests.server.api.test_ended_runs import _holds_together, act
from tests.server.api.test_override import settled
from tests.server.api.test_withdrawn_runs import PATH, entries, tell, work
from tests.server.conftest import enrol
from tests.server.studio import BEGINS, FAR_VENUE, MACHINE, PROFILE, RUN, SOURCE, Caller, HeldClock, changed, printed

NOON = {"id": "then", "at": "2026-03-21T12:00:00Z"}
TWIN = MACHINE | {"id": "wren-2", "name": "Wren 2"}
# Always told of the studio of these tests.
NO_HOURS = "hours-missing"


def succeed(caller: Caller, body: Any, query: str = "?accept=true", path: str = PATH) -> HttpResponse:
    return act(caller, "succeed", body, path, query)


def followed(caller: Caller, body: Any, path: str = PATH) -> tuple[Any, Any]:
    """Both runs, once the second follows."""
    answer = succeed(caller, body, path=path)
    assert answer.status_code == 200, answer.content
    return answer.json(), caller.get(f"runs/{body['id']}").json()


def joins(before: Any, then: Any) -> None:
    """The one begins with the column, and at the instant, at which the other ends."""
    assert (then["first_column"], then["starts_at"]) == (before["end_column"], before["ends_at"])
    assert (then["succeeds"], before["followed_by"]) == (before["id"], then["id"])


@pytest.mark.parametrize(
    ("boundary", "column"), [({}, 3447720), ({"boundary": "burst"}, 3447541), ({"boundary": "strip"}, 3447630)]
)
def test_it_is_the_same_but_for_what_is_named(furnished: Caller, boundary: Any, column: int) -> None:
    first = furnished.get(PATH).json()
    furnished.create("sources", SOURCE | {"id": "other"})
    before, then = followed(furnished, NOON | boundary | {"source": "other", "strips_per_turn": 6, "reason": "spring"})
    joins(before, then)
    assert (before["end_column"], before["ended_because"]) == (column, "spring")
    same = ("machine", "cycle", "cycle_options", "policy", "segments_per_turn", "nozzle_seed", "end_column", "ends_at")
    assert [then[name] for name in same] == [first[name] for name in same]
    assert (then["source"], then["strips_per_turn"]) == ("other", 6)


def test_segments_that_an_earlier_end_withdrew_are_not_counted(furnished: Caller, node: Caller) -> None:
    assert work(node).segments
    assert act(furnished, "end", {"at": "2026-03-22T12:00:00Z", "boundary": "turn"}).status_code == 200
    to_come = Segment.objects.filter(run_id="spring", first_column__gte=3447720)
    standing, every = to_come.exclude(state=Segment.WITHDRAWN).count(), to_come.count()
    assert 0 < standing < every
    said = succeed(furnished, NOON, "?preview=true").json()["in_words"]
    assert any(f" {standing} segments that were planned of run spring are withdrawn." in words for words in said)


def test_both_runs_tell_it(furnished: Caller) -> None:
    followed(furnished, NOON)
    _, ended = furnished.get(f"{PATH}/history").json()["steps"]
    (planned,) = furnished.get("runs/then/history").json()["steps"]
    assert {"field": "followed_by", "before": None, "after": "then"} in ended["fields"]
    assert {"field": "succeeds", "before": None, "after": "spring"} in planned["fields"]
    rebuild()
    assert furnished.get("runs/then").json()["succeeds"] == "spring"


def test_what_was_planned_beyond_is_planned_of_the_other(furnished: Caller) -> None:
    before, then = followed(furnished, NOON)
    assert jobs.extend() > 0
    stand = Segment.objects.exclude(state=Segment.WITHDRAWN).order_by("first_column")
    assert {one.run_id for one in stand} == {"spring", "then"}
    assert all(one.end_column == two.first_column for one, two in pairwise(stand))
    assert furnished.get("machines/wren-1/next?column=3").status_code == 200
    meet = parse_instant(then["starts_at"], "")
    assert sum(abs(one["dtstart"].dt - meet) <= timedelta(seconds=0.5) for one in entries()) == 2
    joins(before, then)


def test_its_board_holds_both_and_says_so(furnished: Caller, node: Caller) -> None:
    before, then = followed(furnished, NOON | {"policy": {"kind": "replay"}})
    assert work(node).following is None  # nothing of it is planned yet
    jobs.extend()
    held = work(node)
    assert held.run is not None and held.following is not None
    assert (held.run.id, held.following.run.id, held.following.policy.kind) == ("spring", "then", "replay")
    assert held.following.segments[0].first_column == before["end_column"]
    assert {one.plate for one in held.following.segments} <= set(held.plates)
    status = {
        "at": "2026-03-20T06:00:00Z",
        "next_column": None,
        "paper_position": 0,
        "clock_error_s": 0.1,
        "knife_armed": False,
        "held_until": before["ends_at"],
        "held_run": "spring",
        "held_revision": 2,
        "following": {"run": "then", "revision": 1, "until": then["ends_at"]},
    }
    tell(node, status=status)
    board = furnished.get("runs/then").json()["board"]
    assert (board["knows"], board["holds_until"]) == (True, then["ends_at"])
    act(furnished, "withdraw", {}, "runs/then", "?accept=true")
    held = work(node)
    assert held.following is None
    assert ("then", then["first_column"]) in [(one.run, one.end_column) for one in held.ended]
    assert furnished.get("runs/then").json()["board"]["knows"] is False


def test_a_preview_says_what_would_follow(furnished: Caller) -> None:
    events = Event.objects.count()
    shown = succeed(furnished, NOON | {"boundary": "strip"}, "?preview=true").json()
    assert Event.objects.count() == events
    fields = {one["field"]: (one["before"], one["after"]) for one in shown["fields"]}
    assert fields["end_column"] == (3448261, 3447630)
    assert fields["followed_by"] == (None, "then")
    assert fields["runs/then/first_column"] == (None, 3447630)
    assert shown["in_words"] == [
        "Wren 1 prints run spring up to column 3447630, and Wren 1 goes on with that column as run then,"
        " from 2026-03-21 17:59 to 2026-03-23 12:00, by the clock of Europe/Lisbon.",
        "It has 631 columns, 0.210 m of paper, 7 cuts. 43 segments that were planned of run spring are withdrawn.",
        "At First night, on 2026-03-21 19:00, Wren 1 is on run then.",
        "Subscribed calendars show the end of the one and the beginning of the other on 2026-03-21 17:59.",
        "Wren 1 was never heard, and holds none of it.",
    ]
    assert [one["kind"] for one in shown["warnings"]] == ["no-board", NO_HOURS]


@pytest.mark.parametrize(
    ("body", "figures"),
    [
        ({}, {"columns": 0, "paper_m": 0.0, "cuts": 0, "ink_ml": 0.0}),
        ({"strips_per_turn": 8}, {"columns": 0, "paper_m": 0.0, "cuts": 6, "ink_ml": 0.0}),
        ({"source": "other"}, {"columns": 0, "paper_m": 0.0, "cuts": 0, "ink_ml": None}),
        ({"ends_at": "2026-03-25T12:00:00Z"}, {"columns": 720, "paper_m": 0.24, "cuts": 8, "ink_ml": 0.0}),
    ],
)
def test_a_preview_tells_by_how_much_more_is_printed(furnished: Caller, body: Any, figures: Any) -> None:
    furnished.create("sources", SOURCE | {"id": "other"})
    told = succeed(furnished, NOON | body, "?preview=true").json()["figures"]
    assert told == figures | {"paper_m": pytest.approx(figures["paper_m"])}


def test_its_ink_is_known_from_the_plates_of_the_first(furnished: Caller) -> None:
    head = {"kind": "carriage", "nozzles": 12, "passes": 2, "drop_pl": 10.0}
    furnished.create("profiles", changed(PROFILE, "profile.head", head) | {"id": "inky"})
    furnished.create("machines", MACHINE | {"id": "inky", "profile": "inky"})
    furnished.create("runs", RUN | {"id": "inky", "machine": "inky"})
    jobs.extend()
    same, longer, away = (
        succeed(furnished, NOON | body, "?preview=true", "runs/inky").json()["figures"]["ink_ml"]
        for body in ({}, {"ends_at": "2026-03-25T12:00:00Z"}, {"ends_at": "2026-03-22T12:00:00Z"})
    )
    assert same == 0.0
    assert (longer, away) == (pytest.approx(-2.0 * away), pytest.approx(-longer / 2.0))
    assert longer > 0.0


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"at": "2026-03-20T05:00:00Z"}, "at"),
        ({"at": "2026-03-20T11:00:00Z"}, "at"),  # before it begins
        ({"at": "2026-04-20T11:00:00Z"}, "at"),  # after it ends
        ({"at": "2026-03-23T11:00:00Z"}, "ends_at"),  # in its last turn, whose end is its own
        ({"ends_at": "2026-03-21T13:00:00Z"}, "ends_at"),
        ({"boundary": "year"}, "boundary"),
        ({"boundary": "laid"}, "boundary"),  # nothing is
        ({"source": "none"}, "source"),
        ({"machine": "none"}, "machine"),
        ({"machine": "wren-b"}, "machine"),  # with other columns
        ({"machine": "wren-2"}, "starts_at"),  # on a run of its own
        ({"strips_per_turn": 400}, "strips_per_turn"),
        ({"segments_per_turn": 400}, "segments_per_turn"),
        ({"policy": {"kind": "shift"}}, "policy.kind"),
        ({"id": "Then"}, "id"),
    ],
)
def test_what_cannot_be_is_refused(furnished: Caller, body: Any, field: str) -> None:
    furnished.create("profiles", changed(PROFILE, "profile.columns_per_turn", 720) | {"id": "fine"})
    furnished.create("machines", MACHINE | {"id": "wren-b", "profile": "fine"})
    furnished.create("machines", TWIN)
    furnished.create("runs", RUN | {"id": "its-own", "machine": "wren-2"})
    events = Event.objects.count()
    assert problem(succeed(furnished, NOON | body), 422)["field"] == field
    assert Event.objects.count() == events


def test_an_id_is_taken_once(furnished: Caller) -> None:
    assert problem(succeed(furnished, NOON | {"id": "spring"}), 409)["type"] == "/api/v1/problems/taken"


def test_what_was_withdrawn_is_not_followed(furnished: Caller) -> None:
    act(furnished, "withdraw", {})
    assert "withdrawn" in problem(succeed(furnished, NOON), 422)["detail"]


def test_the_hours_of_the_sun_are_those_of_one_place(furnished: Caller) -> None:
    furnished.create("venues", FAR_VENUE)
    furnished.create("machines", TWIN | {"venue": "shed"})
    hours = {"cycle": "temporal-hours", "starts_at": "2026-04-20T12:00:00Z", "ends_at": "2026-04-23T12:00:00Z"}
    furnished.create("runs", RUN | hours | {"id": "hours"})
    body = {"id": "there", "at": "2026-04-21T12:00:00Z", "machine": "wren-2"}
    assert problem(succeed(furnished, body, path="runs/hours"), 422)["field"] == "machine"


def test_the_same_order_sent_again_is_carried_out_once(furnished: Caller) -> None:
    match = {"HTTP_IF_MATCH": furnished.get(PATH).headers["ETag"], "HTTP_IDEMPOTENCY_KEY": "abc"}
    for _ in range(2):
        assert furnished.post(f"{PATH}/succeed?accept=true", NOON, **match).status_code == 200
    assert Run.objects.count() == 2


def test_a_run_that_came_in_between_holds_the_machine_or_the_id(furnished: Caller) -> None:
    furnished.create("machines", TWIN)

    def change(**named: Any) -> Any:
        row, at = Run.objects.get(id="spring"), datetime(2026, 3, 21, 12, tzinfo=UTC)
        return succeed_run(row, BEGINS, stream_version("run/spring"), at=at, **named)

    moved, same = change(id="then", machine="wren-2"), change(id="its-own")
    furnished.create("runs", RUN | {"id": "its-own", "machine": "wren-2"})
    with pytest.raises(InputError, match="the machine is on run 'its-own'"):
        make(moved, None, by(), SYSTEM, accepted=True)
    with pytest.raises(IdInUse):
        make(same, None, by(), SYSTEM, accepted=True)
    assert Run.objects.get(id="spring").followed_by is None


def test_to_end_the_first_sooner_leaves_a_gap_and_needs_a_yes(furnished: Caller) -> None:
    followed(furnished, NOON)
    earlier = {"at": "2026-03-21T06:00:00Z"}
    told = problem(act(furnished, "end", earlier), 409)
    assert [one["kind"] for one in told["warnings"]] == ["gap-before-next"]
    act(furnished, "withdraw", {}, "runs/then")
    row = act(furnished, "end", earlier).json()
    assert row["followed_by"] is None


def test_it_may_be_followed_where_it_ends(furnished: Caller) -> None:
    later = {"at": "2026-03-23T11:00:00Z", "ends_at": "2026-03-25T12:00:00Z"}
    before, then = followed(furnished, NOON | later)
    assert (then["first_column"], then["succeeds"]) == (before["end_column"], "spring")
    assert before["end_column"] == 3448261
    assert then["end_column"] > 3448261


def test_the_first_is_not_lengthened_into_what_another_machine_goes_on_with(furnished: Caller) -> None:
    furnished.create("machines", TWIN)
    followed(furnished, NOON | {"machine": "wren-2"})
    act(furnished, "end", {"at": "2026-03-21T06:00:00Z"}, query="?accept=true")
    later = act(furnished, "end", {"at": "2026-03-22T12:00:00Z"}, query="?accept=true")
    assert "'then' goes on from column 3447720" in problem(later, 422)["detail"]
    act(furnished, "withdraw", {}, "runs/then", "?accept=true")
    assert act(furnished, "end", {"at": "2026-03-22T12:00:00Z"}, query="?accept=true").status_code == 200


def broken(studio: Caller, node: Caller, clock: HeldClock) -> Any:
    """Two segments lie on the paper; then the machine prints no more, for hours. What it held."""
    studio.create("machines", TWIN)
    held = work(node)
    clock.at = datetime(2026, 3, 20, 14, 10, tzinfo=UTC)
    tell(node, printed(held, 1), printed(held, 2))
    clock.at = datetime(2026, 3, 20, 20, tzinfo=UTC)
    return held


def test_a_machine_that_broke_goes_home_and_its_twin_prints_on_from_there(
    furnished: Caller, node: Caller, clock: HeldClock
) -> None:
    held = broken(furnished, node, clock)
    body = {"id": "then", "machine": "wren-2"}
    told = problem(succeed(furnished, body, ""), 409)["warnings"]
    assert [one["kind"] for one in told] == ["begins-in-the-past", "no-board", NO_HOURS, "begins-within-a-turn"]
    before, then = followed(furnished, body)
    joins(before, then)
    assert before["end_column"] == held.segments[1].end_column
    assert before["printed"] == before["end_column"] - before["first_column"]
    jobs.extend()
    assert work(node).run is None
    twins = work(Caller(str(enrol(furnished, "wren-2")["token"])))
    assert twins.run is not None
    assert (twins.run.id, twins.run.first_unaccounted, twins.run.nozzle_seed) == (
        "then",
        before["end_column"],
        before["nozzle_seed"],
    )


def test_a_machine_is_relieved_at_an_instant_to_come(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    broken(furnished, node, clock)
    before, then = followed(furnished, NOON | {"machine": "wren-2"})
    joins(before, then)
    assert (then["first_column"], then["machine"]) == (3447720, "wren-2")


def test_where_a_plain_period_has_waited_the_next_one_goes_on_from_there(
    furnished: Caller, node: Caller, clock: HeldClock
) -> None:
    act(furnished, "withdraw", {})
    options = {"cycle": "period", "cycle_options": {"seconds": 86_400, "epoch": "2026-01-01T00:00:00Z"}}
    spans = {"starts_at": "2026-03-20T14:00:00Z", "ends_at": "2026-03-23T12:00:00Z"}
    furnished.create("runs", RUN | options | spans | {"id": "waits", "policy": {"kind": "shift"}})
    jobs.extend()
    waiting = work(node)
    assert waiting.run is not None and waiting.run.id == "waits" and waiting.policy is not None
    clock.at = datetime(2026, 3, 20, 17, tzinfo=UTC)
    since = clock.at - timedelta(hours=2)
    tell(node, settled(waiting, 1, clock.at, waiting.policy, since=since))
    was = Run.objects.get(id="waits")
    assert was.shift_s > 0
    told = succeed(furnished, NOON, "?preview=true", "runs/waits").json()["in_words"]
    assert "The timeline has waited" in told[1]
    before, then = followed(furnished, NOON, "runs/waits")
    joins(before, then)
    rows = was, Run.objects.get(id="then")
    machine = Machine.objects.select_related("venue").get()
    lines = [timeline_on(row, machine_profile(profile="wren"), place_of(machine.venue)) for row in rows]
    columns = [then["first_column"], then["end_column"] - 1]
    due = [run_instants(row, columns, line) for row, line in zip(rows, lines, strict=True)]
    assert due[1] == pytest.approx(due[0], abs=1e-6)
    assert parse_instant(then["ends_at"], "") == was.ends_at


ACTS = st.lists(
    st.tuples(
        st.sampled_from(["end", "succeed", "succeed", "tell"]),
        st.integers(0, 3),
        st.integers(1, 90),
        st.sampled_from(["burst", "strip", "turn"]),
    ),
    max_size=7,
)


class _Undone(Exception):
    """So that nothing is left of an example."""


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(acts=ACTS)
@example(acts=[("succeed", 0, 38, "burst"), ("end", 0, 30, "burst"), ("succeed", 0, 1, "burst")])
def test_whoever_ends_or_follows_each_column_is_in_exactly_one_run(
    furnished: Caller, node: Caller, clock: HeldClock, acts: list[tuple[str, int, int, str]]
) -> None:
    try:
        with transaction.atomic():
            gaps = _change(furnished, node, clock, acts)
            rows = sorted(Run.objects.all(), key=lambda row: row.first_column)
            assert rows[0].first_column == 3447181
            for row, then in pairwise(rows):
                assert then.succeeds is not None
                assert row.end_column == then.first_column or (row.id in gaps and row.end_column < then.first_column)
            for row in rows:
                _holds_together(row)
            rebuild()
            assert sorted(Run.objects.values_list("id", "first_column", "end_column", "succeeds", "followed_by")) == (
                sorted((row.id, row.first_column, row.end_column, row.succeeds, row.followed_by) for row in rows)
            )
            raise _Undone
    except _Undone:
        clock.at = BEGINS


def _change(studio: Caller, node: Caller, clock: HeldClock, acts: list[tuple[str, int, int, str]]) -> set[str]:
    """Which runs were ended before the one that follows them, after it did."""
    held, seq, gaps = work(node), 0, set()
    for number, (name, which, hours, boundary) in enumerate(acts):
        runs = sorted(Run.objects.all(), key=lambda row: row.first_column)
        row = runs[which % len(runs)]
        body: Any = {"at": (BEGINS + timedelta(hours=6 + hours)).isoformat(), "boundary": boundary}
        if name == "tell":
            clock.at = max(clock.at, held.segments[seq].knots[-1])
            seq += 1
            tell(node, printed(held, seq))
        elif name == "end":
            answer = act(studio, "end", body, f"runs/{row.id}", "?accept=true")
            if answer.status_code == 200 and row.followed_by and answer.json()["end_column"] < row.end_column:
                gaps.add(row.id)
        else:
            answer = succeed(studio, body | {"id": f"run-{number}"}, path=f"runs/{row.id}")
            if answer.status_code == 200 and row.id in gaps:  # it goes on to where the one before it was ended
                gaps ^= {row.id, f"run-{number}"}
        jobs.extend()
    return gaps
