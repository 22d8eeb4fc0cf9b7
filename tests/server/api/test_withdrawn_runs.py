"""Runs that are withdrawn before anything of them lies on paper: at the API, in the calendar, and at the board."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import icalendar
import pytest
from django.http import HttpResponse

from machines.chance import SYSTEM
from machines.errors import InputError
from machines.protocol.messages import Work
from scheduling.commands.changes import make
from scheduling.commands.run_changes import withdraw_run
from scheduling.log.models import Event, Notice, Run
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import stream_version
from server import jobs
from tests.scheduling.house import by
from tests.server.api.test_bad_input import problem
from tests.server.api.test_calendar import NO_SKY, fetch
from tests.server.api.test_changed_resources import patch
from tests.server.studio import IN_ORDER, PROFILE, RUN, Caller, HeldClock, changed, printed

PATH = "runs/spring"
THAT = "?accept=true"


@pytest.fixture
def quay(studio: Caller) -> Caller:
    for name, body in IN_ORDER:
        studio.create(name, body)
    return studio


def withdraw(caller: Caller, query: str = "", **headers: str) -> HttpResponse:
    match = {"HTTP_IF_MATCH": caller.get(PATH).headers["ETag"]} | headers
    return caller.post(f"{PATH}/withdraw{query}", {"reason": "the wrong year"}, **match)


def withdrawn(caller: Caller) -> Any:
    answer = withdraw(caller)
    assert answer.status_code == 200, answer.content
    return answer.json()


def work(board: Caller) -> Work:
    return Work.from_json(board.get("node/work?horizon=P7D").json())


def entries() -> list[Any]:
    return [
        one
        for one in icalendar.Calendar.from_ical(fetch(NO_SKY).content).walk("VEVENT")
        if one["categories"].cats[0] == "run"
    ]


def test_it_stays_in_the_list_marked_with_its_reason(quay: Caller) -> None:
    row = withdrawn(quay)
    assert (row["withdrawn_at"], row["withdrawn_because"]) == ("2026-03-20T06:00:00.000000Z", "the wrong year")
    assert [one["withdrawn_at"] for one in quay.get("runs").json()["results"]] == [row["withdrawn_at"]]
    _, step = quay.get(f"{PATH}/history").json()["steps"]
    assert (step["kind"], step["reason"]) == ("run-withdrawn", "the wrong year")
    assert [one["field"] for one in step["fields"]] == ["withdrawn_at"]


def test_withdrawn_twice_is_withdrawn_once(quay: Caller) -> None:
    withdrawn(quay)
    events = Event.objects.count()
    assert withdraw(quay).status_code == 200
    assert Event.objects.count() == events


def test_another_is_planned_in_its_place(quay: Caller) -> None:
    assert problem(quay.post("runs", RUN | {"id": "again"}), 422)["field"] == "starts_at"
    withdrawn(quay)
    quay.create("runs", RUN | {"id": "again"})
    assert quay.get("machines/wren-1/next?column=3").json()["run"] == "again"


def test_calendars_learn_that_it_is_cancelled(quay: Caller) -> None:
    before = {str(one["uid"]): one["sequence"] for one in entries()}
    withdrawn(quay)
    after = entries()
    assert {str(one["uid"]) for one in after} == set(before)
    assert {str(one["status"]) for one in after} == {"CANCELLED"}
    assert all(one["sequence"] == before[str(one["uid"])] + 1 for one in after)


def test_a_preview_says_what_would_follow_and_does_nothing(quay: Caller) -> None:
    events = Event.objects.count()
    shown = withdraw(quay, "?preview=true").json()
    assert Event.objects.count() == events
    assert [one["field"] for one in shown["fields"]] == ["withdrawn_at"]
    assert shown["in_words"] == [
        "Wren 1 does not print run spring from 2026-03-20 12:00 to 2026-03-23 12:00, by the clock of Europe/Lisbon.",
        "1080 columns are withdrawn, 0.360 m of paper, 12 cuts; 0 segments of them were planned so far.",
        "At First night, on 2026-03-21 19:00, Wren 1 is not on it.",
        "Subscribed calendars show its beginning and its end as cancelled, once they look again.",
        "Wren 1 was never heard, and holds none of it.",
    ]


def test_of_many_who_come_the_first_are_named_and_the_others_counted(quay: Caller) -> None:
    anchor = {"civil": "2026-03-21T20:00", "zone": "Europe/Lisbon"}
    for number in range(6):
        quay.create("openings", {"id": f"talk-{number}", "venue": "quay", "name": f"Talk {number}", "anchor": anchor})
    said = [one for one in withdraw(quay, "?preview=true").json()["in_words"] if one.startswith(("At ", "So "))]
    assert said[1:] == [
        *(f"At Talk {number}, on 2026-03-21 20:00, Wren 1 is not on it." for number in range(4)),
        "So it is for 2 openings and service windows more.",
    ]


def test_one_that_was_to_begin_already_needs_a_yes(quay: Caller, clock: HeldClock) -> None:
    clock.at = datetime(2026, 3, 20, 13, tzinfo=UTC)
    assert [one["kind"] for one in problem(withdraw(quay), 409)["warnings"]] == ["has-begun"]
    assert withdraw(quay, THAT).status_code == 200


def test_its_tag_stays_good_while_its_machine_tells_and_the_planner_plans(quay: Caller) -> None:
    tag = quay.get(PATH).headers["ETag"]
    assert jobs.extend() > 0
    now = quay.get(PATH).headers["ETag"]
    assert now != tag
    assert now.split(".")[0] == tag.split(".")[0]
    assert withdraw(quay, HTTP_IF_MATCH=tag).status_code == 200
    since = problem(withdraw(quay, HTTP_IF_MATCH=tag), 412)
    assert [one["kind"] for one in since["changes"]] == ["run-withdrawn"]
    assert problem(quay.post(f"{PATH}/withdraw", {}), 428)


def test_a_board_is_told_to_let_go_of_it(furnished: Caller, node: Caller) -> None:
    before, tag = work(node), node.get("node/work?horizon=P7D").headers["ETag"]
    assert before.run is not None
    withdrawn(furnished)
    answer = node.get("node/work?horizon=P7D", HTTP_IF_NONE_MATCH=tag)
    assert answer.status_code == 200
    after = Work.from_json(answer.json())
    assert (after.run, after.segments) == (None, ())
    assert [(one.run, one.end_column) for one in after.ended] == [("spring", before.run.first_column)]


def tell(node: Caller, *entries: dict[str, Any], status: dict[str, Any] | None = None) -> None:
    body = {"epoch": 1, "entries": list(entries), "status": status}
    answer = node.post("node/reports", body)
    assert answer.status_code == 200, answer.content


def test_what_a_board_printed_that_had_not_heard_is_true_and_told(
    furnished: Caller, node: Caller, clock: HeldClock
) -> None:
    held = work(node)
    withdrawn(furnished)
    clock.at = datetime(2026, 3, 20, 16, tzinfo=UTC)
    tell(node, printed(held, 1), printed(held, 2))
    tell(node, printed(held, 3))
    row = furnished.get(PATH).json()
    assert row["printed"] == sum(one.end_column - one.first_column for one in held.segments[:3])
    assert row["withdrawn_at"] is not None
    (notice,) = Notice.objects.filter(kind="printed-though-withdrawn")
    assert "14 columns were told first" in notice.said
    assert work(node).run is None
    live = Run.objects.values().get(id="spring")
    rebuild()
    assert Run.objects.values().get(id="spring") == live


def test_what_was_told_of_is_not_withdrawn(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    held = work(node)
    clock.at = datetime(2026, 3, 20, 16, tzinfo=UTC)
    tell(node, printed(held, 1))
    assert "already" in problem(withdraw(furnished), 422)["detail"]


def test_what_was_told_of_in_between_is_not_withdrawn(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    held = work(node)
    clock.at = datetime(2026, 3, 20, 16, tzinfo=UTC)
    change = withdraw_run(Run.objects.get(), clock.at, stream_version("run/spring"))
    tell(node, printed(held, 1))
    with pytest.raises(InputError, match="already"):
        make(change, None, by(), SYSTEM, accepted=True)
    assert Run.objects.get().withdrawn_at is None


HOLDS = {
    "at": "2026-03-20T06:00:00Z",
    "next_column": None,
    "paper_position": 0,
    "clock_error_s": 0.1,
    "knife_armed": False,
    "held_until": "2026-03-21T12:00:00Z",
    "held_run": "spring",
}


@pytest.mark.parametrize(
    ("path", "body"),
    [("machines/wren-1", {"profile": "wide"}), ("profiles/wren", {"profile": {"columns_per_turn": 720}})],
)
def test_what_a_board_measures_by_stays_while_it_holds_of_it(
    furnished: Caller, node: Caller, path: str, body: Any
) -> None:
    furnished.create("profiles", changed(PROFILE, "profile.columns_per_turn", 720) | {"id": "wide"})
    tell(node, status=HOLDS)
    assert withdraw(furnished).status_code == 200
    refused = problem(patch(furnished, path, body), 422)
    assert (refused["field"], refused["problem"]) == (
        "profile",
        "run spring was withdrawn, and its board may print of it. Wren 1 was last heard on 2026-03-20 06:00; it holds"
        " work until 2026-03-21 12:00",
    )
    tell(node, status=HOLDS | {"held_until": None, "held_run": None})
    assert patch(furnished, path, body).status_code == 200


def test_a_board_that_may_begin_before_it_hears_needs_a_yes(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    tell(node, status=HOLDS)
    assert withdraw(furnished, "?preview=true").json()["in_words"][-1] == (
        "Wren 1 was last heard on 2026-03-20 06:00; it holds work until 2026-03-21 12:00."
    )
    assert withdraw(furnished, "?preview=true").json()["warnings"] == []
    clock.at = datetime(2026, 3, 20, 11, 58, tzinfo=UTC)
    assert [one["kind"] for one in problem(withdraw(furnished), 409)["warnings"]] == ["board-may-print"]
