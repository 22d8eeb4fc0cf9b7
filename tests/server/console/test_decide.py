"""The page on which a person decides on an open outage."""

from __future__ import annotations

import re
from datetime import timedelta
from html.parser import HTMLParser
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from machines.recovery import Policy, Rule, settle
from machines.serialization import structure
from scheduling.log.models import Event, Machine, Override, Venue
from scheduling.log.remarks import text_of
from scheduling.outages.open_outage import gap_now, open_outage
from scheduling.outages.options import RULE_KINDS, Choice, Choices, RunsInto
from scheduling.queries.machine_context import machine_context
from server import jobs, wiring
from server.console.choices import outage_page as words_of
from server.console.formatting import NO_BREAK
from tests.server.api.test_node_calls import work_of
from tests.server.api.test_override import report, settled
from tests.server.studio import Caller, HeldClock, printed

AS_USUAL: dict[str, Any] = {"half_printed": "as-the-rest", "within": "6", "unit": "hours"}


class Table(HTMLParser):
    """The words in each row of a page's table, by the words of its head."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: dict[str, list[str]] = {}
        self._cells: list[str] | None = None

    def handle_starttag(self, tag: str, attributes: Any) -> None:
        if tag == "tr":
            self._cells = []
        elif tag in ("th", "td") and self._cells is not None:
            self._cells.append("")

    def handle_endtag(self, tag: str) -> None:
        if tag == "tr" and self._cells:
            self.rows[self._cells[0]] = self._cells[1:]
            self._cells = None

    def handle_data(self, data: str) -> None:
        if self._cells:
            self._cells[-1] = f"{self._cells[-1]} {data.strip()}".strip()


def table(page: str) -> dict[str, list[str]]:
    parser = Table()
    parser.feed(page)
    return parser.rows


@pytest.fixture
def person(db: None) -> Client:
    client = Client()
    client.force_login(User.objects.create_superuser("keeper"))
    return client


@pytest.fixture
def silent(node: Caller, furnished: Caller, clock: HeldClock) -> Caller:
    """The first segment was printed, then the node was not heard any more; three hours of the run have passed."""
    report(node, printed(work_of(node), 1))
    clock.at += timedelta(hours=9) - timedelta(seconds=1)
    jobs.watch()
    return furnished


def shown(person: Client, query: str = "") -> str:
    response = person.get(f"/runs/spring/decide{query}")
    assert response.status_code == 200
    return response.content.decode().replace(NO_BREAK, " ")


def test_the_venue_is_not_read_anew_for_every_choice(person: Client, silent: Caller) -> None:
    with CaptureQueriesContext(connection) as asked:
        shown(person)
    reads = sum(f'FROM "{Venue._meta.db_table}"' in one["sql"] for one in asked.captured_queries)
    assert reads < len(RULE_KINDS)


def test_nobody_decides_without_signing_in(silent: Caller) -> None:
    assert Client().get("/runs/spring/decide").status_code == 302
    assert Client().post("/runs/spring/decide", AS_USUAL | {"kind": "skip"}).status_code == 302
    assert not Event.objects.filter(kind="outage-overridden").exists()


def test_a_form_from_elsewhere_is_refused(silent: Caller) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(User.objects.create_superuser("keeper"))
    assert client.post("/runs/spring/decide", AS_USUAL | {"kind": "skip"}).status_code == 403
    assert not Event.objects.filter(kind="outage-overridden").exists()


def test_a_run_that_does_not_exist(person: Client) -> None:
    assert person.get("/runs/nothing/decide").status_code == 404


def test_without_an_outage_there_is_nothing_to_decide(person: Client, node: Caller, clock: HeldClock) -> None:
    report(node, printed(work_of(node), 1))
    assert "Nothing is open on this run" in shown(person)
    response = person.post("/runs/spring/decide", AS_USUAL | {"kind": "skip"})
    assert response.status_code == 422
    assert "nothing is open on machine" in response.content.decode()
    assert "Decide what becomes" not in Client().get("/").content.decode()


def test_the_page_says_what_each_choice_would_mean(person: Client, silent: Caller) -> None:
    """Three hours of 15 columns are due, of which the first segment's 15 were printed; a column is a third of a
    millimetre, and the machine prints six times as fast as the sky turns."""
    page = shown(person)
    rows = table(page)
    assert list(rows)[1:] == [
        "Say nothing: the run's policy the policy is to stay true to the sky and leave out what was missed",
        "Leave out",
        "Leave out, and feed blank paper",
        "Print all of it late",
        "Print the newest of it late",
    ]
    assert rows["Leave out"][:3] == ["30 columns", "none", "0.0 mm"]
    assert rows["Leave out"][4] == "at once"
    assert rows["Leave out"][5].startswith("Seam where printing stopped: the mean Sun over 14.0° W meets the mean Sun")
    assert rows["Leave out, and feed blank paper"][:3] == ["30 columns", "none", "10.0 mm"]
    assert rows["Print all of it late"][:3] == ["none", "30 columns", "10.0 mm"]
    assert rows["Print all of it late"][4] == "24 min; Fri 20 Mar 2026 15:23"  # 30 columns at 90 - 15 an hour
    assert rows["Print all of it late"][5].endswith("No seam")
    assert re.fullmatch(r"0\.0\d+ ml|0 ml", rows["Print all of it late"][3])
    assert "6 times as fast as the sky turns" in page
    assert "30 columns, 10.0 mm, 2 h of the sky" in page
    assert "No word from its node" in page


def test_a_choice_that_makes_the_next_run_late_says_so(silent: Caller, clock: HeldClock) -> None:
    found = open_outage(machine_context(Machine.objects.get(id="wren-1"), clock.at))
    assert found is not None
    gap, its_pace = gap_now(found, clock.at, wiring.plates()), found.pace
    waits = settle(Policy(kind="shift"), gap, its_pace)
    into = RunsInto("summer", clock.at + timedelta(days=1), timedelta(hours=2))
    (option,) = words_of(found, Choices(gap, its_pace, (Choice(None, waits, runs_into=into),)), clock.at).options
    said = option.until_true.replace(NO_BREAK, " ")
    assert "This run would end 2 h after the machine's next one, summer, is to begin (Sat 21 Mar 2026 " in said
    assert said.endswith("that one would begin late")


def test_the_cautions_stand_beside_the_choice(person: Client, silent: Caller) -> None:
    page = shown(person)
    for words in ("safety officer and local codes", "stop control in reach", "the knife stays disarmed", "unattended"):
        assert words in page


def test_what_goes_with_the_choices_changes_what_they_mean(person: Client, silent: Caller) -> None:
    rows = table(shown(person, "?half_printed=as-the-rest&within=1&unit=hours"))
    assert rows["Print the newest of it late"][:2] == ["15 columns", "15 columns"]
    rows = table(shown(person, "?half_printed=as-the-rest&within=6&unit=hours&only_while_closed=on"))
    assert "nobody knows when Quay House is closed" in rows["Print all of it late"][0]
    assert rows["Leave out"][0] == "30 columns"


def test_what_cannot_be_read_is_said_beside_its_field(person: Client, silent: Caller) -> None:
    page = shown(person, "?half_printed=as-the-rest&within=never&unit=hours")
    assert 'id="wrong-within"' in page
    assert table(page)["Leave out"][0] == "30 columns"


def test_a_choice_is_kept_with_what_goes_with_it(person: Client, silent: Caller, node: Caller) -> None:
    said = {"kind": "replay-within", "half_printed": "finish", "within": "0.5", "unit": "turns", "reason": "a guest"}
    response = person.post("/runs/spring/decide", said)
    assert (response.status_code, response["Location"]) == (302, "/")
    word = Override.objects.get()
    rule = structure(word.rule, Rule)
    assert (rule.kind, rule.half_printed, text_of(word.remark)) == ("replay-within", "finish", "a guest")
    assert rule.within is not None and (rule.within.value, rule.within.unit) == (0.5, "turns")
    assert word.given_by.startswith("user:")
    given = work_of(node).override
    assert given is not None and given.rule == rule
    assert "It is decided" in person.get("/").content.decode()
    assert "its node has not said yet that it follows" in shown(person)


def test_the_console_says_that_a_decision_was_passed_over(
    person: Client, silent: Caller, node: Caller, clock: HeldClock
) -> None:
    assert "Decided" not in shown(person)
    person.post("/runs/spring/decide", AS_USUAL | {"kind": "replay"})
    work, given = work_of(node), clock.at
    clock.at += timedelta(minutes=4)
    report(node, settled(work, 2, clock.at, Rule(kind="skip")))
    page = Client().get("/").content.decode().replace(NO_BREAK, " ")
    assert "; a person had decided otherwise, and was passed over" in page
    assert (
        f"the decision of {given:%Y-%m-%d %H:%M:%S} UTC on run spring was passed over: the outage was settled" in page
    )


def test_a_decision_that_may_still_be_followed_is_not_said_to_be_passed_over(
    person: Client, silent: Caller, node: Caller, clock: HeldClock
) -> None:
    report(node, settled(work_of(node), 2, clock.at, Rule(kind="replay")))
    assert person.post("/runs/spring/decide", AS_USUAL | {"kind": "skip"}).status_code == 302
    page = Client().get("/").content.decode().replace(NO_BREAK, " ")
    assert "30 columns printed late" in page
    assert "passed over" not in page


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({}, "Choose one."),
        ({"kind": "hope"}, "hope is not one of the available choices"),
        ({"kind": "replay-within", "within": "0"}, "greater than or equal to 0.01"),
        ({"kind": "shift"}, "mean-solar-day is tied to the sky"),
        ({"kind": "replay", "only_while_closed": "on"}, "nobody knows when Quay House is closed"),
        ({"kind": "skip", "reason": "x" * 501}, "at most 500 characters"),
    ],
)
def test_what_cannot_be_decided_is_said_and_nothing_is_kept(
    person: Client, silent: Caller, changes: dict[str, str], problem: str
) -> None:
    response = person.post("/runs/spring/decide", AS_USUAL | changes)
    assert response.status_code == 422
    assert problem in response.content.decode()
    assert not Override.objects.exists()


def test_the_console_leads_to_the_page_while_something_is_open(
    person: Client, silent: Caller, node: Caller, clock: HeldClock
) -> None:
    assert 'href="/runs/spring/decide"' in Client().get("/").content.decode()
    work_of(node)
    jobs.watch()
    assert 'href="/runs/spring/decide"' not in Client().get("/").content.decode()
    report(node, settled(work_of(node), 2, clock.at, Rule(kind="replay")))
    page = Client().get("/").content.decode().replace(NO_BREAK, " ")
    assert 'href="/runs/spring/decide"' in page
    assert "30 columns printed late after a power cut; 10 mm of paper" in page
    assert "It is printing late what was missed." in shown(person)


def test_the_console_says_what_holds_a_machine(node: Caller, clock: HeldClock) -> None:
    work = work_of(node)
    clock.at = work.segments[1].knots[0]
    acted = {"kind": "operator-acted", "seq": 1, "at": clock.at.isoformat(), "action": "park"}
    report(node, acted)
    page = Client().get("/").content.decode()
    assert "parked for service" in page
    assert "a person parked it for service; it waits to be resumed there" in page
    report(node, acted | {"seq": 2, "action": "resume"})
    assert "parked for service" not in Client().get("/").content.decode()
