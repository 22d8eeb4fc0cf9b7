"""The pages on which openings are listed, moved, named otherwise, called off and taken back."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client

from scheduling.log.integrity.archive import close_streams
from scheduling.log.models import Event, Opening
from server.accounts.at_terminal import at_the_terminal
from tests.server.api.test_bad_input import problem
from tests.server.api.test_changed_resources import act
from tests.server.console.test_first_page import page
from tests.server.studio import FAR_VENUE, OPENING, VENUE, Caller, HeldClock

CHANGE, OFF, BACK = (f"/openings/first-night/{what}" for what in ("change", "call-off", "take-back"))
LATER: dict[str, Any] = {"name": "First night", "by": "clock", "civil": "2026-03-21T20:30", "version": "1"}


@pytest.fixture
def quay(studio: Caller) -> Caller:
    for venue in (VENUE, FAR_VENUE):
        studio.create("venues", venue)
    studio.create("openings", OPENING)
    return studio


@pytest.fixture
def person(quay: Caller) -> Client:
    client = Client()
    client.force_login(User.objects.create_superuser("robin"))
    return client


def kept(client: Client, body: dict[str, Any]) -> str:
    """What is answered to a person who says it, looks at what it means, and keeps it."""
    return shown(client, CHANGE, body | {"keep": seen_in(shown(client, CHANGE, body))})


def done(client: Client, path: str, body: dict[str, Any]) -> str:
    """What is answered to a person who looks at what an act means, and does it."""
    found = re.search('name="seen" value="([0-9a-f]{64})"', shown(client, path))
    return shown(client, path, body | ({"seen": found[1]} if found else {}))


def seen_in(shown: str) -> str:
    """What the button that keeps it says of what was looked at."""
    found = re.search('name="keep" value="([0-9a-f]{64})"', shown)
    assert found is not None, shown
    return found[1]


def shown(client: Client, path: str, body: dict[str, Any] | None = None) -> str:
    answer = client.get(path) if body is None else client.post(path, body, follow=True)
    assert answer.status_code == 200
    return answer.content.decode()


def test_everybody_reads_which_there_are(quay: Caller, clock: HeldClock) -> None:
    assert "First night" in page("/openings") and "19:00 on Sat 21 Mar 2026, Europe/Lisbon" in page("/openings")
    clock.at = datetime(2026, 3, 22, tzinfo=UTC)
    assert "has been" in page("/openings") and "None is to come." in page("/openings")
    assert 'href="/openings"' in page("/")


def test_those_of_a_series_stand_together_and_one_may_be_on_its_own(quay: Caller) -> None:
    anchor = {"civil": "2026-03-22T19:00", "zone": "Europe/Lisbon"}
    series = {"name": "Sunday evening", "venues": ["quay"], "anchor": anchor, "rule": "FREQ=WEEKLY;COUNT=2"}
    quay.create("opening-series", {"id": "sundays"} | series)
    listed = page("/openings")
    assert listed.count("Sunday evening</a></h2>") == 1 and listed.count("<article") == 2
    body = {"name": "Palm Sunday"}
    said: Any = {"data": json.dumps(body), "content_type": "application/json", "HTTP_IF_MATCH": "*"}
    quay.other("PATCH", "openings/sundays-2026-03-29", **said)
    listed = page("/openings")
    assert listed.count(": Palm Sunday, on its own") == 1 and listed.count("<article") == 2


def test_what_a_move_means_is_seen_before_it_is_kept(person: Client) -> None:
    seen = shown(person, CHANGE, LATER)
    assert "First night moves to 2026-03-21 20:30, instead of 2026-03-21 19:00" in seen
    assert "The Boat Shed" in seen  # by every venue's clock
    assert Event.objects.filter(stream="opening/first-night").count() == 1
    assert "First night is as you said." in kept(person, LATER | {"reason": "the ferry"})
    assert Opening.objects.get().opens_at == datetime(2026, 3, 21, 20, 30, tzinfo=UTC)
    history = shown(person, CHANGE)
    assert "Changed how its time is named and when it opens" in history
    assert "by robin: the ferry" in history


def test_it_is_named_otherwise_at_the_time_that_it_has(person: Client) -> None:
    kept(person, {"name": "Late night", "by": "as-it-is", "version": "1"})
    assert (Opening.objects.get().name, Opening.objects.get().anchor) == ("Late night", OPENING["anchor"])


def test_a_time_with_two_readings_is_asked_about(person: Client) -> None:
    twice = LATER | {"civil": "2026-10-25T01:30"}
    assert "Which is meant?" in shown(person, CHANGE, twice)
    kept(person, twice | {"which": "later"})
    assert Opening.objects.get().opens_at == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)


def test_what_should_be_meant_is_asked_with_the_preview(person: Client) -> None:
    seen = shown(person, CHANGE, LATER | {"civil": "2016-03-21T20:30"})
    assert "2016-03-21 20:30 is over. Is that meant?" in seen and "Yes, keep it so" in seen


def test_what_was_not_looked_at_is_shown_and_not_kept(person: Client) -> None:
    seen = seen_in(shown(person, CHANGE, LATER))
    past = LATER | {"civil": "2016-03-21T20:30"}
    for keep in (seen, "yes", ""):
        assert "2016-03-21 20:30 is over. Is that meant?" in shown(person, CHANGE, past | {"keep": keep})
    assert Event.objects.filter(stream="opening/first-night").count() == 1
    assert "is as you said" in kept(person, past)


def test_what_changed_meanwhile_is_shown_and_nothing_is_kept(person: Client) -> None:
    seen = seen_in(shown(person, CHANGE, LATER))
    kept(person, {"name": "Late night", "by": "as-it-is", "version": "1"})
    late = shown(person, CHANGE, LATER | {"keep": seen})
    assert "Somebody else changed it meanwhile" in late and 'name="version" value="2"' in late
    assert Opening.objects.get().name == "Late night"
    assert "Somebody else changed it meanwhile" in done(person, OFF, {"version": "1"})
    assert Opening.objects.get().called_off_at is None


def test_it_is_called_off_and_taken_back(person: Client) -> None:
    assert "as cancelled" in shown(person, OFF)
    assert "First night is called off." in done(person, OFF, {"version": "1", "reason": "the roof"})
    assert "Let it stand again" in shown(person, "/openings")
    assert "It is so already" in shown(person, OFF) and "the roof" in shown(person, OFF)
    assert "It is called off." in shown(person, CHANGE)
    assert "First night takes place after all." in done(person, BACK, {"version": "2"})
    assert Opening.objects.get().called_off_at is None


def test_an_act_that_would_mean_something_else_by_now_is_looked_at_again(person: Client, clock: HeldClock) -> None:
    found = re.search('name="seen" value="([0-9a-f]{64})"', shown(person, OFF))
    assert found is not None
    clock.at = datetime(2026, 3, 21, 20, tzinfo=UTC)  # meanwhile it has opened
    person.logout()
    person.force_login(User.objects.get())
    again = shown(person, OFF, {"version": "1", "seen": found[1]})
    assert "By now something else would follow" in again and "It has been" in again
    assert Opening.objects.get().called_off_at is None
    assert "First night is called off." in done(person, OFF, {"version": "1"})


def test_it_is_not_taken_back_at_a_venue_that_was_retired(person: Client, quay: Caller) -> None:
    done(person, OFF, {"version": "1"})
    act(quay, "venues/quay", "retire")
    assert "Quay House was retired" in shown(person, BACK)
    assert "Quay House was retired" in shown(person, BACK, {"version": "2"})
    assert Opening.objects.get().called_off_at is not None


def test_what_was_left_behind_by_a_venue_in_an_archive_is_not_shown(
    person: Client, quay: Caller, tmp_path: Path
) -> None:
    quay.create("openings", OPENING | {"id": "other", "venue": "shed", "name": "Another night"})
    close_streams(["venue/quay"], tmp_path / "old.jsonl", at_the_terminal(), key=None)
    seen = page("/openings")
    assert "Another night" in seen and "First night" not in seen
    assert [person.get(path).status_code for path in (CHANGE, OFF, BACK)] == [404] * 3
    assert problem(act(quay, "openings/first-night", "call-off"), 422)["field"] == "venue"


@pytest.mark.parametrize("path", [CHANGE, OFF, BACK])
def test_nobody_changes_one_without_signing_in_or_one_that_is_not(person: Client, path: str) -> None:
    assert Client().get(path).status_code == 302
    assert person.get(path.replace("first-night", "none")).status_code == 404
