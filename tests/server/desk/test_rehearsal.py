"""A run's rehearsal on its page and over the API: assumptions first, then the odds in words and drawn."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.test import Client

from server.heavy import TURNS, Busy
from tests.server.api.test_bad_input import problem
from tests.server.desk.pages import shown, signed_in
from tests.server.studio import RUN, Caller, HeldClock

PATH = "/runs/spring/rehearsal"
NAMES = ("power", "network", "jam", "part", "nozzle")


@pytest.fixture
def person(furnished: Caller) -> Client:
    return signed_in()


def query(page: str, **changed: str) -> str:
    """The form as it stands, with some fields otherwise."""
    fields = dict(re.findall(r'<input type="number" name="(\w+)" value="([^"]*)"', page))
    return "&".join(
        f"{name}={value}" for name, value in ({"seasons": "500", "compare": "on"} | fields | changed).items()
    )


def test_what_is_assumed_is_there_to_be_changed_before_it_is_played(person: Client) -> None:
    assert f'href="{PATH}"' in shown(person, "/runs/spring")
    page = shown(person, PATH)
    for said in ("A power cut every so many days", 'value="60.0"', "common practice, without a source", "Play it<"):
        assert said in page, said
    assert "The odds" not in page


def test_the_odds_are_told_in_words_and_drawn(person: Client) -> None:
    page = shown(person, f"{PATH}?{query(shown(person, PATH), power_every_days='2')}")
    for said in (
        "The odds",
        "First night, 19:00 on Sat 21 Mar 2026: all is right in ",
        "Off the sky for ",
        "Enough with 95 %",
        "What moves the odds most: no power cuts",
        "Staff come on Tuesdays, 09:00 to 11:00",
        "Print all of it late",
        "As planned",
        'a power cut every 2 days of printing, of 3 hours on average <span class="quiet">(as was said)',
        "a jam every 60 days of printing",
        "What is not modelled",
        'class="spread high"',
        "Play it again",
    ):
        assert said in page, said


def test_what_cannot_be_assumed_is_said_beside_its_field(person: Client) -> None:
    page = shown(person, PATH)
    for changed, field in (
        ({"power_every_days": "0.5"}, "power_every_days"),
        ({"late_share": "3"}, "late_share"),
        ({"confidence": "1"}, "confidence"),
        ({"jam_hours": "often"}, "jam_hours"),
        ({"seasons": "7"}, "seasons"),
    ):
        answer = person.get(f"{PATH}?{query(page, **changed)}")
        assert answer.status_code == 422 and f"id_{field}_error" in answer.content.decode(), changed


def test_the_api_plays_it_and_the_same_seed_is_the_same(furnished: Caller) -> None:
    first = furnished.get("runs/spring/rehearsal?seasons=300&seed=5").json()
    assert first == furnished.get("runs/spring/rehearsal?seasons=300&seed=5").json()
    assert first["seasons"] == 300 and [one["id"] for one in first["openings"]] == ["first-night"]
    assert {one["kind"] for one in first["compared"]} == {"policy", "service", "without"}
    never = "&".join(f"{name}_every_days=0" for name in NAMES)
    still = furnished.get(f"runs/spring/rehearsal?alone=true&seasons=10000&{never}").json()
    assert still["openings"][0]["odds"]["right"] == 1.0 and still["compared"] == []
    assert still["off_hours"] == {"mean": 0.0, "low": 0.0, "middle": 0.0, "high": 0.0}


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ("seasons=2001", "seasons"),
        ("seasons=10001&alone=true", "seasons"),
        ("seasons=10", "seasons"),
        ("seasons=many", "seasons"),
        ("seed=-1", "seed"),
        ("confidence=0.1", "confidence"),
        ("power_every_days=0.1", "power_every_days"),
        ("power_hours=nan", "power_hours"),
        ("ghosts=1", "ghosts"),
        ("alone=perhaps", "alone"),
    ],
)
def test_the_api_refuses_by_name(furnished: Caller, asked: str, field: str) -> None:
    assert problem(furnished.get(f"runs/spring/rehearsal?{asked}"), 422)["field"] == field


def test_a_long_run_is_played_alone_or_at_the_terminal(furnished: Caller, person: Client) -> None:
    years = {"id": "years", "starts_at": "2026-05-01T12:00:00Z", "ends_at": "2029-05-01T12:00:00Z"}
    furnished.create("runs", RUN | years)
    told = problem(furnished.get("runs/years/rehearsal?seasons=100"), 422)
    assert told["field"] == "alone" and "1096 days are too many to compare here" in told["detail"]
    assert problem(furnished.get("runs/years/rehearsal?seasons=10000&alone=true"), 422)["field"] == "seasons"
    assert furnished.get("runs/years/rehearsal?seasons=100&alone=true").json()["compared"] == []
    path = PATH.replace("spring", "years")
    page, said = shown(person, path), "1096 days are too many to compare here"
    assert said in person.get(f"{path}?{query(page)}").content.decode()
    alone = shown(person, f"{path}?{query(page).replace('&compare=on', '')}")
    assert "The odds" in alone and "What moves the odds" not in alone


def test_a_run_that_is_over_is_not_played(furnished: Caller, person: Client, clock: HeldClock) -> None:
    clock.at += timedelta(days=30)
    assert problem(furnished.get("runs/spring/rehearsal?seasons=100"), 422)["field"] == "run"
    answer = person.get(f"{PATH}?{query(shown(person, PATH))}")
    assert answer.status_code == 422 and "nothing of run spring is to come" in answer.content.decode()


def test_whoever_comes_when_too_much_is_made_is_told_so(furnished: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    def busy() -> None:
        raise Busy

    monkeypatch.setattr(TURNS, "turn", busy)
    assert furnished.get("runs/spring/rehearsal?seasons=100").status_code == 429
