"""Runs that are changed before they begin, and ends that are moved at any time: the API, the log, and the board."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest
from django.http import HttpResponse

from machines.chance import SYSTEM
from machines.errors import InputError
from machines.protocol.messages import Work
from scheduling.commands.change_run import as_ordered, change_run
from scheduling.commands.changes import make
from scheduling.log.events.plans import RunMovedAway
from scheduling.log.models import Event, Machine, Notice, PrintedStretch, Run, Segment
from scheduling.log.projections.machines import MOST_MOVED_AWAY
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import Append, append, stream_version
from server import jobs
from server.accounts.principals import Grant
from tests.scheduling.house import by
from tests.server.api.test_bad_input import problem
from tests.server.api.test_ended_runs import act
from tests.server.api.test_successor_runs import NOON, TWIN, followed
from tests.server.api.test_withdrawn_runs import PATH, entries, tell, withdrawn, work
from tests.server.keys import new_key
from tests.server.studio import BEGINS, MACHINE, PROFILE, RUN, Caller, HeldClock, printed

TWO_DAYS_ON = {"starts_at": "2026-03-22T12:00:00Z", "ends_at": "2026-03-24T12:00:00Z"}
HELD = {
    "at": "2026-03-20T06:00:00Z",
    "next_column": None,
    "paper_position": 0,
    "clock_error_s": 0.1,
    "knife_armed": False,
    "held_until": "2026-03-22T12:00:00Z",
    "held_run": "spring",
    "held_revision": 1,
}


def patch(caller: Caller, body: Any, query: str = "", **headers: str) -> HttpResponse:
    match = {"HTTP_IF_MATCH": caller.get(PATH).headers["ETag"]} | headers
    return caller.other("PATCH", PATH + query, data=json.dumps(body), content_type="application/json", **match)


def patched(caller: Caller, body: Any) -> Any:
    answer = patch(caller, body, "?accept=true")
    assert answer.status_code == 200, answer.content
    return answer.json()


def all_equal() -> bool:
    return all(view.equal for view in rebuild(swap=False))


# Before it begins.


def test_a_mistyped_date_is_put_right_and_all_is_planned_anew(furnished: Caller) -> None:
    assert Segment.objects.filter(run_id="spring").exists()
    row = patched(furnished, TWO_DAYS_ON | {"reason": "the wrong week"})
    assert (row["starts_at"], row["revision"]) == ("2026-03-22T12:00:00.000000Z", 2)
    assert not Segment.objects.filter(run_id="spring").exists()
    assert jobs.extend() > 0
    first = Segment.objects.filter(run_id="spring").order_by("first_column")[0]
    assert first.first_column == row["first_column"]
    _, step = furnished.get(f"{PATH}/history").json()["steps"]
    assert (step["kind"], step["reason"]) == ("run-changed", "the wrong week")
    assert [one["field"] for one in step["fields"]] == ["starts_at", "first_column", "end_column", "ends_at"]
    assert all_equal()


def test_it_is_anything_that_can_be_planned(furnished: Caller) -> None:
    furnished.create("machines", MACHINE | {"id": "wren-2", "name": "Wren 2"})
    other = {
        "machine": "wren-2",
        "cycle": "period",
        "cycle_options": {"seconds": 86400.0, "epoch": "2026-01-01T00:00:00Z"},
        "policy": {"kind": "replay"},
        "segments_per_turn": 12,
        "strips_per_turn": 0,
        "nozzle_seed": 7,
    }
    row = patched(furnished, other)
    assert {name: row[name] for name in other if name != "policy"} == {
        name: value for name, value in other.items() if name != "policy"
    }
    assert row["policy"]["kind"] == "replay"
    jobs.extend()
    assert furnished.get("machines/wren-2/next?column=3").json()["run"] == "spring"
    furnished.create("runs", RUN | {"id": "instead"})
    assert all_equal()


def test_what_is_so_already_is_no_change(furnished: Caller) -> None:
    events = Event.objects.count()
    assert patched(furnished, {"nozzle_seed": Run.objects.get().nozzle_seed})["revision"] == 1
    assert Event.objects.count() == events


def test_a_preview_says_what_would_follow_in_words_and_in_figures(furnished: Caller) -> None:
    events = Event.objects.count()
    shown = patch(furnished, TWO_DAYS_ON, "?preview=true").json()
    assert Event.objects.count() == events
    assert shown["in_words"] == [
        "Wren 1 prints run spring from 2026-03-22 12:00 to 2026-03-24 12:00, instead of from 2026-03-20 12:00 to"
        " 2026-03-23 12:00, by the clock of Europe/Lisbon.",
        "That is 360 columns fewer, 0.120 m of paper, 4 cuts.",
        "73 segments that were planned so far are withdrawn, and planned anew.",
        "At First night, on 2026-03-21 19:00, Wren 1 is not on it any more.",
        "Subscribed calendars show its beginning and its end as they are then, once they look again.",
        "Wren 1 was never heard, and holds none of it.",
    ]
    assert shown["figures"] == {"columns": -360, "paper_m": -0.12, "cuts": -4, "ink_ml": 0.0}
    assert shown["warnings"] == []


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"machine": "nobody"}, "machine"),
        ({"source": "nothing"}, "source"),
        ({"cycle": "year-of-the-cat"}, "cycle"),
        ({"strips_per_turn": 100000}, "strips_per_turn"),
        ({"starts_at": "2026-03-01T12:00:00Z"}, "starts_at"),
        ({"starts_at": "2026-03-24T12:00:00Z"}, "ends_at"),
        ({"id": "autumn"}, "id"),
        ({"policy": {"kind": "pray"}}, "policy"),
    ],
)
def test_what_cannot_be_planned_is_refused(furnished: Caller, body: Any, field: str) -> None:
    assert problem(patch(furnished, body), 422)["field"].startswith(field)


def test_it_does_not_come_over_another_run(furnished: Caller) -> None:
    then = {"id": "then", "starts_at": "2026-03-24T12:00:00Z", "ends_at": "2026-03-25T12:00:00Z"}
    furnished.create("runs", RUN | then)
    assert "then" in problem(patch(furnished, TWO_DAYS_ON | {"ends_at": "2026-03-24T18:00:00Z"}), 422)["detail"]


def test_what_is_warned_of_anew_needs_a_yes(furnished: Caller) -> None:
    answer = problem(patch(furnished, {"cycle": "sidereal-day"}), 409)
    assert [one["kind"] for one in answer["warnings"]] == ["off-the-sun", "begins-within-a-turn"]
    assert patched(furnished, {"cycle": "sidereal-day"})["cycle"] == "sidereal-day"


def test_what_was_withdrawn_is_not_changed(furnished: Caller) -> None:
    withdrawn(furnished)
    assert "withdrawn" in problem(patch(furnished, TWO_DAYS_ON), 422)["detail"]


def test_as_it_was_stays_to_be_asked_for(furnished: Caller, clock: HeldClock) -> None:
    before = furnished.get(PATH).json()
    clock.at = datetime(2026, 3, 20, 7, tzinfo=UTC)
    patched(furnished, TWO_DAYS_ON)
    then = furnished.get(f"{PATH}?at=2026-03-20T06:30:00Z").json()
    assert {name: then[name] for name in ("starts_at", "first_column", "revision")} == {
        name: before[name] for name in ("starts_at", "first_column", "revision")
    }
    assert furnished.get(f"{PATH}?at=2026-03-20T07:30:00Z").json()["starts_at"] == "2026-03-22T12:00:00.000000Z"


def test_calendars_show_where_it_is_now(furnished: Caller) -> None:
    before = {str(one["uid"]): one for one in entries()}
    patched(furnished, TWO_DAYS_ON)
    after = {str(one["uid"]): one for one in entries()}
    assert after.keys() == before.keys()
    assert all(after[uid]["sequence"] == before[uid]["sequence"] + 1 for uid in after)


def test_only_the_studio_does(furnished: Caller) -> None:
    curator = Caller(new_key("of the quay", Grant("curator", ("quay",))))
    assert patch(curator, TWO_DAYS_ON).status_code == 403


# Where another run goes on with its columns, or it with another's.


@pytest.fixture
def twins(furnished: Caller) -> Caller:
    """The twin goes on with the run from the next noon on."""
    furnished.create("machines", TWIN)
    followed(furnished, NOON | {"machine": "wren-2"})
    return furnished


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"ends_at": "2026-03-24T12:00:00Z", "segments_per_turn": 12}, "ends_at"),
        (TWO_DAYS_ON, "ends_at"),
        ({"cycle": "sidereal-day"}, "cycle"),
        ({"machine": "coarse"}, "machine"),
    ],
)
def test_no_column_comes_to_be_in_the_next_run_too(twins: Caller, body: Any, field: str) -> None:
    model: Any = PROFILE["profile"]
    twins.create("profiles", {"id": "coarse", "profile": model | {"columns_per_turn": 180}})
    twins.create("machines", MACHINE | {"id": "coarse", "profile": "coarse"})
    events = Event.objects.count()
    refused = problem(patch(twins, body, "?accept=true"), 422)
    assert (refused["field"], "run then first" in refused["remedy"]) == (field, True)
    assert Event.objects.count() == events
    assert act(twins, "withdraw", {}, "runs/then", "?accept=true").status_code == 200
    assert patch(twins, body, "?accept=true").status_code == 200


def test_the_kind_of_its_period_stays_where_another_counts_on(furnished: Caller) -> None:
    options = {"seconds": 86400.0, "epoch": "2026-01-01T00:00:00Z"}
    patched(furnished, {"cycle": "period", "cycle_options": options})
    followed(furnished, NOON)
    body = {"cycle_options": options | {"seconds": 86000.0}}
    assert problem(patch(furnished, body, "?accept=true"), 422)["field"] == "cycle_options"


def test_a_gap_before_the_next_run_needs_a_yes_once(twins: Caller) -> None:
    assert patch(twins, {"nozzle_seed": 7}).status_code == 200
    sooner = {"ends_at": "2026-03-21T06:00:00Z", "segments_per_turn": 12}
    assert [one["kind"] for one in problem(patch(twins, sooner), 409)["warnings"]] == ["gap-before-next"]
    assert patch(twins, sooner, "?accept=gap-before-next").status_code == 200
    assert patch(twins, {"nozzle_seed": 8}).status_code == 200
    assert all_equal()


def test_one_that_is_withdrawn_leaves_a_gap_before_the_next_run(twins: Caller) -> None:
    shown = act(twins, "withdraw", {}, query="?preview=true").json()
    assert [one["kind"] for one in shown["warnings"]] == ["gap-before-next"]


def test_the_next_run_does_not_begin_before_its_turn(twins: Caller) -> None:
    def patch_then(body: Any) -> HttpResponse:
        match = {"HTTP_IF_MATCH": twins.get("runs/then").headers["ETag"]}
        data = json.dumps(body)
        return twins.other("PATCH", "runs/then?accept=true", data=data, content_type="application/json", **match)

    refused = problem(patch_then({"starts_at": "2026-03-21T06:00:00Z"}), 422)
    assert (refused["field"], "run 'spring'" in refused["detail"]) == ("starts_at", True)
    assert patch_then({"nozzle_seed": 7}).status_code == 200
    assert act(twins, "withdraw", {}, query="?accept=true").status_code == 200
    assert patch_then({"starts_at": "2026-03-21T06:00:00Z"}).status_code == 200


def test_that_the_run_before_ends_later_in_between_is_noticed(twins: Caller) -> None:
    act(twins, "end", {"at": "2026-03-21T06:00:00Z"}, query="?accept=true")
    row = Run.objects.get(id="then")
    command = replace(as_ordered(row), starts_at=datetime(2026, 3, 21, 9, tzinfo=UTC))
    change = change_run(row, command, BEGINS, stream_version("run/then"))
    assert act(twins, "end", {"at": "2026-03-21T12:00:00Z"}, query="?accept=true").status_code == 200
    with pytest.raises(InputError, match="run 'spring', which it follows"):
        make(change, None, by(), SYSTEM, accepted=True)


# Once it has begun.


def test_of_one_that_has_begun_only_the_end_is_changed(furnished: Caller, clock: HeldClock) -> None:
    clock.at = datetime(2026, 3, 20, 13, tzinfo=UTC)
    answer = problem(patch(furnished, {"policy": {"kind": "replay"}, "ends_at": "2026-03-25T12:00:00Z"}), 422)
    assert (answer["field"], "succeed" in answer["detail"]) == ("policy", True)


def test_of_one_that_was_told_of_only_the_end_is_changed(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    held, clock.at = work(node), datetime(2026, 3, 20, 16, tzinfo=UTC)
    change = change_run(Run.objects.get(), as_ordered(Run.objects.get()), BEGINS, stream_version("run/spring"))
    assert change.event is None
    tell(node, printed(held, 1))
    clock.at = BEGINS
    assert problem(patch(furnished, TWO_DAYS_ON), 422)["field"] == "starts_at"


def test_what_was_told_in_between_is_noticed(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    held, row = work(node), Run.objects.get()
    command = as_ordered(row)
    change = change_run(row, replace(command, strips_per_turn=2), BEGINS, stream_version("run/spring"))
    clock.at = datetime(2026, 3, 20, 16, tzinfo=UTC)
    tell(node, printed(held, 1))
    with pytest.raises(InputError, match="has begun"):
        make(change, None, by(), SYSTEM, accepted=True)


@pytest.mark.parametrize("way", ["patch", "end"])
def test_it_ends_later_than_was_ever_planned(furnished: Caller, node: Caller, clock: HeldClock, way: str) -> None:
    held = work(node)
    jobs.extend()
    clock.at = datetime(2026, 3, 20, 16, tzinfo=UTC)
    tell(node, printed(held, 1))
    later = "2026-03-26T12:00:00Z"
    if way == "patch":
        row = patched(furnished, {"ends_at": later})
    else:
        match = {"HTTP_IF_MATCH": furnished.get(PATH).headers["ETag"]}
        row = furnished.post(f"{PATH}/end?accept=true", {"at": later}, **match).json()
    assert row["ends_at"].startswith("2026-03-26T12:0")
    assert row["longest_column"] == row["end_column"]
    assert jobs.extend() > 0
    numbers = [one.number for one in Segment.objects.filter(run_id="spring").order_by("number")]
    assert numbers == list(range(numbers[0], numbers[-1] + 1))
    assert Segment.objects.order_by("-number")[0].end_column == row["end_column"]
    assert all_equal()


def test_lengthening_says_which_parts_end_then(furnished: Caller) -> None:
    shown = patch(furnished, {"ends_at": "2027-03-20T12:00:00Z"}, "?preview=true").json()
    assert [one["kind"] for one in shown["warnings"]] == ["no-window", "no-window"]
    assert "the roll ends at 13:00 on 2026-11-25" in shown["warnings"][0]["in_words"]
    added = 362 * 360
    assert shown["figures"]["columns"] == added
    assert shown["figures"]["paper_m"] == pytest.approx(added / 3000.0)


def test_it_is_not_lengthened_into_another_run(furnished: Caller) -> None:
    furnished.create("runs", RUN | {"id": "then", "starts_at": RUN["ends_at"], "ends_at": "2026-03-25T12:00:00Z"})
    answer = problem(patch(furnished, {"ends_at": "2026-03-24T12:00:00Z"}), 422)
    assert (answer["field"], "then" in answer["detail"]) == ("ends_at", True)


# The board.


def test_a_board_is_told_of_the_new_plan_and_that_the_old_is_void(furnished: Caller, node: Caller) -> None:
    before, tag = work(node), node.get("node/work?horizon=P7D").headers["ETag"]
    assert before.run is not None and "formed" not in node.get("node/work?horizon=P7D").json()["run"]
    patched(furnished, {"segments_per_turn": 12})
    jobs.extend()
    answer = node.get("node/work?horizon=P7D", HTTP_IF_NONE_MATCH=tag)
    after = Work.from_json(answer.json())
    assert after.run is not None and (after.run.formed, after.run.revision) == (2, 2)
    assert [(one.run, one.formed) for one in after.ended] == [("spring", 2)]
    assert after.segments[0].number != before.segments[0].number


def test_what_a_board_printed_by_the_plan_before_is_true_and_none_of_the_run(
    furnished: Caller, node: Caller, clock: HeldClock
) -> None:
    held = work(node)
    tell(node, status=HELD)
    row = patched(furnished, TWO_DAYS_ON)
    jobs.extend()
    clock.at = datetime(2026, 3, 20, 16, tzinfo=UTC)
    told = [printed(held, 1), printed(held, 2)]
    tell(node, *told, status=HELD)
    tell(node, *told, status=HELD)  # once more, as its answer was lost
    now = furnished.get(PATH).json()
    assert (now["printed"], now["first_column"]) == (0, row["first_column"])
    assert PrintedStretch.objects.filter(run_id="").count() == 2
    assert Machine.objects.get(id="wren-1").paper_position == sum(
        one.end_column - one.first_column for one in held.segments[:2]
    )
    (notice,) = Notice.objects.filter(kind="printed-by-earlier-plan")
    assert "run spring was changed" in notice.said
    assert all_equal()


def test_once_it_has_heard_what_it_prints_is_of_the_run(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    tell(node, status=HELD)
    patched(furnished, {"segments_per_turn": 12})
    jobs.extend()
    held = work(node)
    clock.at = datetime(2026, 3, 20, 16, tzinfo=UTC)
    tell(node, printed(held, 1), status=HELD | {"held_revision": 2})
    tell(node, printed(held, 2), status=HELD | {"held_run": "another", "held_revision": 1})
    assert furnished.get(PATH).json()["printed"] == sum(one.end_column - one.first_column for one in held.segments[:2])
    assert not Notice.objects.filter(kind="printed-by-earlier-plan").exists()


def test_what_a_board_held_next_as_it_is_now_is_of_the_run_though_it_is_told_after_all_of_it_is_laid(
    furnished: Caller, node: Caller, clock: HeldClock
) -> None:
    patched(furnished, {"segments_per_turn": 12})
    jobs.extend()
    held = work(node)
    then = {"run": "spring", "revision": 2, "until": "2026-03-21T00:00:00Z"}
    tell(node, status=HELD | {"held_run": "before", "held_revision": 1, "following": then})
    clock.at = datetime(2026, 3, 20, 16, tzinfo=UTC)
    tell(node, printed(held, 1), status=HELD | {"held_run": "after", "held_revision": 1})
    first = held.segments[0]
    assert furnished.get(PATH).json()["printed"] == first.end_column - first.first_column
    assert not Notice.objects.filter(kind="printed-by-earlier-plan").exists()


def test_a_board_whose_run_was_moved_lets_go_of_it_and_may_tell_of_it_yet(
    furnished: Caller, node: Caller, clock: HeldClock
) -> None:
    held, tag = work(node), node.get("node/work?horizon=P7D").headers["ETag"]
    assert held.run is not None
    furnished.create("machines", MACHINE | {"id": "wren-2", "name": "Wren 2"})
    patched(furnished, {"machine": "wren-2"})
    jobs.extend()
    after = Work.from_json(node.get("node/work?horizon=P7D", HTTP_IF_NONE_MATCH=tag).json())
    assert after.run is None
    assert [(one.run, one.end_column, one.formed) for one in after.ended] == [("spring", held.run.first_column, 2)]
    clock.at = datetime(2026, 3, 20, 16, tzinfo=UTC)
    cut = {"kind": "strip-cut", "seq": 2, "at": "2026-03-20T15:00:00Z", "run": "spring", "boundary": 3447270}
    tell(node, printed(held, 1), cut | {"paper_position": 0, "made": True}, status=HELD)
    assert furnished.get(PATH).json()["printed"] == 0
    assert Machine.objects.get(id="wren-1").paper_position > 0
    assert Notice.objects.filter(kind="printed-by-earlier-plan").count() == 1
    clock.at = BEGINS
    patched(furnished, {"machine": "wren-1"})
    assert Machine.objects.get(id="wren-1").moved_away == []
    assert all_equal()


def test_however_many_runs_were_moved_since_a_board_may_tell_of_one_that_was(
    furnished: Caller, node: Caller, clock: HeldClock
) -> None:
    held = work(node)
    furnished.create("machines", MACHINE | {"id": "wren-2", "name": "Wren 2"})
    patched(furnished, {"machine": "wren-2"})
    others = [RunMovedAway(run=f"other-{number}", first_column=0, formed=2) for number in range(MOST_MOVED_AWAY)]
    append([Append("machine/wren-1", None, others)], by())
    assert "spring" not in {one for one, *_ in Machine.objects.get(id="wren-1").moved_away}
    clock.at = datetime(2026, 3, 20, 16, tzinfo=UTC)
    tell(node, printed(held, 1), {"kind": "knife-armed", "seq": 2, "at": "2026-03-20T15:00:00Z"}, status=HELD)
    wren = Machine.objects.get(id="wren-1")
    assert (wren.accepted_through, wren.knife_armed) == (2, True), "and what comes after"
    assert Notice.objects.filter(kind="printed-by-earlier-plan").count() == 1
    assert furnished.get(PATH).json()["printed"] == 0
