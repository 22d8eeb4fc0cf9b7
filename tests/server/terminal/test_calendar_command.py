"""`dayroll calendar`: where a calendar is, another address, and what a person's own reminds of."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from scheduling.log.models import Event
from server.accounts.models import CalendarAddress, PersonCalendar
from server.accounts.people import make_person
from server.accounts.principals import Grant
from tests.server.studio import OPENING, VENUE, Caller

WISHES = {"venues": [], "alarms": [{"kind": "opening", "before_min": 90}]}


def said(*arguments: str, **options: Any) -> str:
    out = io.StringIO()
    call_command("calendar", *arguments, stdout=out, stderr=io.StringIO(), **options)
    return out.getvalue().strip()


@pytest.fixture
def kim(studio: Caller) -> Caller:
    studio.create("venues", VENUE)
    studio.create("openings", OPENING)
    make_person("kim", "lanterns over the weir", Grant("reader"))
    return studio


@pytest.mark.parametrize("whose", [(), ("--person", "kim"), ("--venue", "quay")])
def test_an_address_is_made_shown_and_made_another(kim: Caller, whose: tuple[str, ...], settings: Any) -> None:
    settings.OPEN_PAGES, settings.ADDRESS = False, "https://print.example"
    if "--venue" not in whose:
        assert "no address yet" in said("address", *whose)
        said("renew", *whose, "--yes")
    first = said("address", *whose)
    assert first.startswith("https://print.example/api/v1/") and "?secret=" in first
    feed = first.removeprefix("https://print.example/api/v1/")
    assert Caller().get(feed).status_code == 200
    looked = said("renew", *whose, "--preview")
    assert "another address" in looked and "nothing is any more" in looked
    with pytest.raises(CommandError, match="there are warnings: At the address until now"):
        said("renew", *whose, "--yes")
    assert said("address", *whose) == first
    assert "It has another address" in said("renew", *whose, "--yes", "--accept-warnings", "--reason", "a lost bag")
    assert said("address", *whose) != first
    assert Caller().get(feed).status_code == 404
    assert Event.objects.filter(kind="calendar-address-changed", actor="terminal").exists()


def test_what_a_persons_reminds_of_is_looked_at_and_then_set(kim: Caller, tmp_path: Path) -> None:
    file = tmp_path / "wishes.json"
    assert json.loads(said("wishes", "kim")) == {"venues": [], "alarms": []}
    file.write_text(json.dumps(WISHES))
    assert "Some programs keep no alarms" in said("set", "kim", str(file), "--preview")
    assert not PersonCalendar.objects.exists()
    assert "The calendar of kim: set." in said("set", "kim", str(file), "--yes", "--reason", "they asked")
    assert json.loads(said("wishes", "kim")) == WISHES
    assert "It is so already" in said("set", "kim", str(file), "--yes")
    file.write_text(json.dumps({"alarms": [{"kind": "opening", "before_min": -5}]}))
    with pytest.raises(CommandError, match="-5 is out of range"):
        said("set", "kim", str(file), "--yes")


def test_what_there_is_not_is_named(kim: Caller) -> None:
    with pytest.raises(CommandError, match="'nobody' has no account"):
        said("address", "--person", "nobody")
    with pytest.raises(CommandError, match="'nowhere' is not among the venues"):
        said("renew", "--venue", "nowhere", "--yes")
    assert not CalendarAddress.objects.exists()
