"""A run's rehearsal on its page and over the API: assumptions first, then the odds in words and drawn."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.test import Client

from machines.serialization import structure
from scheduling.log.models import Outage
from scheduling.rehearsal.tallies import Spread
from scheduling.rehearsal.told import Rehearsed
from server.desk.rehearsal_words import moves_in_words, percent, spread_in_words
from server.heavy import TURNS, Busy
from tests.server.api.test_bad_input import problem
from tests.server.desk.pages import shown, signed_in
from tests.server.studio import BEGINS, RUN, Caller, HeldClock

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
    for said in ("A power cut every so many days", 'value="60"', "common practice, without a source", "Play it<"):
        assert said in page, said
    assert "The odds" not in page


def test_the_odds_are_told_in_words_and_drawn(person: Client) -> None:
    page = shown(person, f"{PATH}?{query(shown(person, PATH), power_every_days='2')}")
    for said in (
        "The odds",
        "First night, 19:00 on Sat 21 Mar 2026: all is right in ",
        "Off the sky for ",
        "Spares that are enough in 95 % of the seasons",
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


def test_a_season_in_which_too_much_happens_is_played_at_the_terminal(furnished: Caller, person: Client) -> None:
    """Ten years in which everything comes every day take half a minute, however few the seasons are."""
    years = {"id": "years", "starts_at": "2026-05-01T12:00:00Z", "ends_at": "2036-05-01T12:00:00Z"}
    furnished.create("runs", RUN | years)
    daily = {f"{name}_every_days": "1" for name in NAMES}
    asked = "&".join(f"{name}={value}" for name, value in daily.items())
    told = problem(furnished.get(f"runs/years/rehearsal?alone=true&seasons=300&{asked}"), 422)
    assert told["field"] == "seasons" and "so much happens in 300 seasons" in told["detail"]
    assert "`dayroll rehearse` plays more" in told["detail"]
    path = PATH.replace("spring", "years")
    query_said = query(shown(person, path), **daily).replace("&compare=on", "")
    answer = person.get(f"{path}?{query_said}")
    assert answer.status_code == 422 and "so much happens in 500 seasons" in answer.content.decode()
    assert furnished.get("runs/years/rehearsal?alone=true&seasons=300").status_code == 200


def test_a_log_that_cannot_be_read_is_said_on_the_page(person: Client) -> None:
    noticed, of = BEGINS - timedelta(days=1), {"version": 1, "seq": 1, "policy": {}, "decision": {}, "differs": False}
    Outage.objects.create(id="o", machine_id="wren-1", run_id="spring", cause="power", noticed_at=noticed, gap={}, **of)
    assert "This machine&#x27;s log cannot be read: " in shown(person, PATH)


def test_numbers_are_said_with_the_digits_that_count() -> None:
    said = {0.0: "0", 0.0312: "0.031", 5.84: "5.8", 27.13: "27", 480.4: "480", 14_400.0: "14,400", 3.0: "3"}
    for value, words in said.items():
        one = Spread(mean=value, low=value, middle=value, high=value)
        assert spread_in_words(one, "m") == f"{words} m"
    shares = {0.0: "0 %", 0.0009: "below 0.1 %", 0.001: "0.1 %", 0.987: "98.7 %", 0.9991: "above 99.9 %", 1.0: "100 %"}
    assert {share: percent(share) for share in shares} == shares


def test_without_openings_nothing_is_said_of_chance(furnished: Caller) -> None:
    """What moves is measured in hours then, and by a share of them."""
    years = {"id": "summer", "starts_at": "2026-05-01T12:00:00Z", "ends_at": "2026-05-04T12:00:00Z"}
    furnished.create("runs", RUN | years)
    never = "&".join(f"{name}_every_days=0" for name in NAMES)
    found = structure(furnished.get(f"runs/summer/rehearsal?seasons=100&{never}").json(), Rehearsed)
    assert not found.openings
    assert moves_in_words(found) == "Nothing that was tried makes the hours off the sky fewer by more than 1 %."


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
