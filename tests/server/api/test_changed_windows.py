"""Service windows that are given other times, called off by date, and taken back."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import icalendar
import pytest

from scheduling.log.events.visits import ServiceWindowCalledOff
from scheduling.log.store import Append, Attribution, append
from tests.server.api.test_bad_input import problem
from tests.server.api.test_calendar import NO_SKY, fetch
from tests.server.api.test_changed_resources import act, patch, steps
from tests.server.studio import BEGINS, SERVICE_WINDOW, VENUE, Caller, HeldClock, changed

PATH = "service-windows/rounds"
ONCE = {"kind": "once", "anchor": {"civil": "2026-03-24T10:00", "zone": "Europe/Lisbon"}, "minutes": 45}


@pytest.fixture
def quay(studio: Caller) -> Caller:
    studio.create("venues", VENUE)
    studio.create("service-windows", SERVICE_WINDOW)
    return studio


def coming(caller: Caller) -> list[str]:
    told = caller.get("venues/quay/service-windows").json()["windows"]
    return [one["local_starts_at"][:16] for one in told]


def entries() -> list[tuple[str, int]]:
    found = icalendar.Calendar.from_ical(fetch(NO_SKY).content).walk("VEVENT")
    return [(str(one["uid"]), int(one["sequence"])) for one in found]


def test_other_times_between_a_first_and_a_last_date(quay: Caller) -> None:
    comes = {"weekday": "friday", "first_date": "2026-03-28", "last_date": "2026-04-10"}
    shown = patch(quay, PATH, {"comes": comes}, "?preview=true").json()
    assert shown["in_words"] == [
        "Tuesday rounds comes every Friday from 10:00 to 11:30 from 2026-03-28 on until 2026-04-10, instead of every "
        "Tuesday from 10:00 to 11:30 until 2026-12-24, by the clock of Europe/Lisbon.",
        "It comes next between 10:00 and 11:30 on 2026-04-03, by the clock of Europe/Lisbon.",
        "Subscribed calendars show its times as they are then, once they look again.",
    ]
    assert patch(quay, PATH, {"comes": comes}).status_code == 200
    assert coming(quay) == ["2026-04-03T10:00", "2026-04-10T10:00"]


@pytest.mark.parametrize(
    ("comes", "field"),
    [
        ({"first_date": "2026-12-25"}, "comes.last_date"),
        ({"first_date": "soon"}, "comes.first_date"),
        ({"begins": None}, "comes.begins"),
        ({"minutes": 5}, "comes.minutes"),
    ],
)
def test_times_that_cannot_be_are_refused(quay: Caller, comes: Any, field: str) -> None:
    assert problem(patch(quay, PATH, {"comes": comes}), 422)["field"] == field


def test_the_calendar_counts_its_revisions_and_keeps_its_names(quay: Caller) -> None:
    before = entries()
    patch(quay, PATH, {"comes": {"begins": "09:00"}})
    assert entries() == [(uid, 1) for uid, _ in before]
    act(quay, PATH, "call-off")
    assert len(entries()) == 4  # of the four weeks that are over, in which somebody was there
    act(quay, PATH, "take-back")
    assert entries() == [(uid, 3) for uid, _ in before]


def test_a_date_is_called_off_and_taken_back_and_kept_through_other_changes(quay: Caller) -> None:
    act(quay, PATH, "call-off", {"date": "2026-03-31"})
    patch(quay, PATH, {"name": "Rounds"})
    act(quay, PATH, "call-off")
    assert problem(act(quay, PATH, "take-back", {"date": "2026-03-31"}), 422)["field"] == "date"
    assert act(quay, PATH, "take-back").json()["dates_off"] == ["2026-03-31"]
    assert problem(act(quay, PATH, "take-back", {"date": "2026-04-01"}), 422)["field"] == "date"
    assert act(quay, PATH, "take-back", {"date": "2026-04-07"}).status_code == 200  # it stands: nothing is written
    shown = act(quay, PATH, "take-back", {"date": "2026-03-31"}, "?preview=true").json()
    assert shown["in_words"][0] == "That it does not come on 2026-03-31 is said no more."
    assert act(quay, PATH, "take-back", {"date": "2026-03-31"}).json()["dates_off"] == []
    assert len(steps(quay, PATH)) == 6


def test_a_date_is_forgotten_on_which_it_begins_no_more(quay: Caller) -> None:
    act(quay, PATH, "call-off", {"date": "2026-03-31"})
    assert patch(quay, PATH, {"comes": {"weekday": "friday"}}).json()["dates_off"] == []


def test_what_has_been_is_not_rewritten_unasked(quay: Caller, clock: HeldClock) -> None:
    clock.at = datetime(2026, 3, 25, tzinfo=UTC)
    other = {"comes": {"weekday": "friday"}}
    (warned,) = problem(patch(quay, PATH, other), 409)["warnings"]
    assert (warned["kind"], warned["in_words"].partition(",")[0]) == ("has-been", "It has been")
    assert patch(quay, PATH, other, "?accept=true").status_code == 200
    kept = changed(SERVICE_WINDOW, "comes.first_date", "2026-03-25") | {"id": "kept"}
    quay.create("service-windows", kept)
    assert patch(quay, "service-windows/kept", {"comes": {"begins": "09:00"}}).status_code == 200


def test_one_that_would_be_over_is_told(quay: Caller, clock: HeldClock) -> None:
    past = {"comes": {"last_date": "2026-03-01"}}
    assert [one["kind"] for one in problem(patch(quay, PATH, past), 409)["warnings"]] == ["in-the-past"]
    quay.create("service-windows", SERVICE_WINDOW | {"id": "visit", "comes": ONCE})
    shown = patch(quay, "service-windows/visit", {"comes": {"minutes": 60}}, "?preview=true").json()
    assert shown["in_words"][0] == (
        "Tuesday rounds comes once, between 10:00 and 11:00 on 2026-03-24, instead of once, between 10:00 and 10:45 on "
        "2026-03-24, by the clock of Europe/Lisbon."
    )
    clock.at = datetime(2026, 3, 25, tzinfo=UTC)
    earlier = {"comes": {"anchor": {"civil": "2026-03-23T10:00"}}}
    kinds = [one["kind"] for one in problem(patch(quay, "service-windows/visit", earlier), 409)["warnings"]]
    assert kinds == ["has-been", "in-the-past"]


def test_a_weekly_one_becomes_one_that_comes_once(quay: Caller) -> None:
    without = dict.fromkeys(("weekday", "begins", "ends", "first_date", "last_date"))
    answer = patch(quay, PATH, {"comes": without | ONCE}).json()
    assert (answer["comes"], answer["begins_at"]) == (ONCE, "2026-03-24T10:00:00.000000Z")


def test_a_reason_that_stands_in_the_event_itself_is_told(quay: Caller) -> None:
    said = Attribution(actor="studio", request=None, said_at=BEGINS)
    append([Append("service/rounds", 1, [ServiceWindowCalledOff(reason="an old reason")])], said)
    assert (steps(quay, PATH)[-1]["reason"], quay.get(PATH).json()["called_off_because"]) == ("an old reason",) * 2


def test_called_off_as_before_there_were_conditions(quay: Caller) -> None:
    assert quay.post(f"{PATH}/call-off", {}).status_code == 200
    assert problem(quay.post(f"{PATH}/call-off", {}, HTTP_IF_MATCH='"old"'), 412)
