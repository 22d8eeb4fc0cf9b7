"""An outage of a run under each policy: on its page, over the API and at the terminal."""

from __future__ import annotations

import io
import json
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from tests.server.api.test_bad_input import problem
from tests.server.desk.pages import shown, signed_in
from tests.server.studio import RUN, Caller

PATH = "/runs/spring/policies"
# Six hours over the first night, on 21 March at 19:00: 360 columns a day are 15 an hour.
SPAN = "from=2026-03-21T15:00:00Z&until=2026-03-21T21:00:00Z"
ASKED = {"starts": "2026-03-21T15:00", "hours": "6", "cause": "power", "within": "2", "unit": "hours"}


@pytest.fixture
def person(furnished: Caller) -> Client:
    return signed_in()


def page(person: Client, **asked: str) -> str:
    query = "&".join(f"{name}={value}" for name, value in (ASKED | {"half_printed": "as-the-rest"} | asked).items())
    return shown(person, f"{PATH}?{query}")


def test_the_page_compares_them_side_by_side(person: Client) -> None:
    assert f'href="{PATH}"' in shown(person, "/runs/spring")
    assert "columns missing" not in shown(person, PATH), "nothing is said before an outage is"
    told = page(person)
    for said in (
        "to 21:00 on Sat 21 Mar 2026",
        "after a power cut: 90 columns missing",
        "For hours on end the machine prints 6 times as fast as the sky turns.",
        "The run&#x27;s own policy: leave out",
        "First night, ",
        "nothing is laid, 4 h",
        "Print all of it late",
        "after 1 h 12 min",  # 6 hours at 6 times the pace: 6 / (6 - 1)
        "What this leaves out of account",
    ):
        assert said in told, said


def test_a_span_that_cannot_be_read_is_said_beside_its_field(person: Client) -> None:
    for asked, said in (
        ({"starts": "noon"}, "id_starts_error"),
        ({"starts": "2026-05-01T10:00"}, "nothing of run spring is due then"),
        ({"starts": "2026-03-29T01:30"}, "id_starts_error"),  # the clock of Lisbon never shows it
        ({"hours": ""}, "Say when, or choose one that was."),
        ({"hours": "-1"}, "id_hours_error"),
        ({"cause": "ghosts"}, "id_cause_error"),
    ):
        query = "&".join(f"{name}={value}" for name, value in (ASKED | {"half_printed": "as-the-rest"} | asked).items())
        answer = person.get(f"{PATH}?{query}")
        assert answer.status_code == 422 and said in answer.content.decode(), asked


def test_the_api_settles_as_the_machine_would(furnished: Caller) -> None:
    found = furnished.get(f"runs/spring/policies?{SPAN}&cause=jam&within=0.5&unit=turns").json()
    assert (found["gap"]["end"] - found["gap"]["first"], found["gap"]["cause"]) == (90, "jam")
    assert [one["id"] for one in found["openings"]] == ["first-night"]
    kinds = {one["rule"] and one["rule"]["kind"]: one for one in found["policies"]}
    assert list(kinds) == [None, "skip", "blank", "replay", "replay-within"]
    assert kinds["replay"]["decision"]["hours_until_true"] == pytest.approx(6 / 5)
    assert kinds["replay-within"]["rule"]["within"] == {"value": 0.5, "unit": "turns"}
    assert found["not_reckoned"]


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("", "from"),
        ("from=2026-03-21T15:00:00Z", "until"),
        ("from=2026-03-21T15:00:00Z&until=2026-03-21T14:00:00Z", "until"),
        (f"{SPAN}&outage=none", "outage"),
        ("outage=none", "outage"),
        ("outage=%00", "outage"),
        (f"{SPAN}&cause=ghosts", "cause"),
        (f"{SPAN}&within=0", "within"),
        (f"{SPAN}&within=soon", "within"),
        (f"{SPAN}&unit=miles", "unit"),
        (f"{SPAN}&half_printed=eaten", "half_printed"),
        (f"{SPAN}&only_while_closed=perhaps", "only_while_closed"),
        ("from=2027-03-21T15:00:00Z&until=2027-03-21T21:00:00Z", "starts_at"),
    ],
)
def test_the_api_refuses_by_name(furnished: Caller, query: str, field: str) -> None:
    answer = furnished.get(f"runs/spring/policies?{query}")
    assert problem(answer, 422)["field"] == field


def test_of_a_timeline_that_waits_it_is_said_that_the_old_times_are_gone(furnished: Caller) -> None:
    plain = {
        "id": "plain",
        "cycle": "period",
        "cycle_options": {"seconds": 86_400, "epoch": "2026-01-01T00:00:00Z"},
        "starts_at": "2026-05-01T12:00:00Z",
        "ends_at": "2026-05-04T12:00:00Z",
    }
    furnished.create("runs", RUN | plain)
    lines = told("plain", "--from", "2026-05-02T12:00:00Z", "--hours", 6).splitlines()
    said = "  True to the sky: never again by the old times: all that follows is 6 h "
    assert [line for line in lines if line.startswith(said) and line.endswith(" later.")], lines


def test_a_run_that_is_not_planned_is_told_of_likewise(furnished: Caller) -> None:
    later = {"id": "summer", "starts_at": "2026-05-01T12:00:00Z", "ends_at": "2026-05-04T12:00:00Z"}
    outage = {"starts_at": "2026-05-02T15:00:00Z", "ends_at": "2026-05-02T21:00:00Z", "cause": "jam"}
    events = furnished.get("events?limit=1000").json()["results"]
    found = furnished.post("policy-checks", {"run": RUN | later, "outage": outage})
    assert found.status_code == 200 and found.json()["run"] == "summer"
    by_kind: dict[Any, Any] = {one["rule"] and one["rule"]["kind"]: one for one in found.json()["policies"]}
    assert by_kind["replay"]["decision"]["hours_until_true"] == pytest.approx(6 / 5)
    assert furnished.get("events?limit=1000").json()["results"] == events, "nothing is written"
    early = furnished.post(
        "policy-checks",
        {
            "run": RUN | later,
            "outage": outage | {"starts_at": "2026-04-01T00:00:00Z", "ends_at": "2026-04-02T00:00:00Z"},
        },
    )
    assert problem(early, 422)["field"] == "outage.starts_at"


def told(*arguments: object) -> str:
    out = io.StringIO()
    call_command("policies", *map(str, arguments), stdout=out)
    return out.getvalue()


def test_the_terminal_tells_the_same(furnished: Caller) -> None:
    same = furnished.get(f"runs/spring/policies?{SPAN}").json()
    assert json.loads(told("spring", "--from", "2026-03-21T15:00:00Z", "--hours", 6, "--json")) == same
    lines = told("spring", "--from", "2026-03-21T15:00:00Z", "--hours", 6).splitlines()
    assert lines[0].endswith("by the clock of Europe/Lisbon, after a power cut: 90 columns missing.")
    assert "  True to the sky: after 1 h 12 min, 22:12 on Sat 21 Mar 2026." in lines
    assert any("; paper " in line and "; ink " in line for line in lines)
    assert lines[-1].startswith("Not reckoned: ")
    half = ("spring", "--from", "2026-03-21T15:30:00Z", "--hours", 6, "--half-printed", "finish", "--json")
    finished = {
        len(one["decision"]["finished"]) if one["decision"] else 0 for one in json.loads(told(*half))["policies"]
    }
    assert max(finished) > 0, finished


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("nobody", "--outage", "x"), "there is no run 'nobody'"),
        (("spring", "--outage", "x"), "there is no outage 'x'"),
        (("spring", "--from", "noon"), "from: "),
        (("spring", "--from", "2026-03-21T15:00:00Z", "--hours", 1e9), "the calendar ends before that"),
    ],
)
def test_what_is_wrong_is_said(furnished: Caller, arguments: tuple[object, ...], said: str) -> None:
    with pytest.raises(CommandError, match=said):
        told(*arguments)
