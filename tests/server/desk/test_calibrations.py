"""What was measured of a machine on its page: each pattern explained, what follows seen, then kept."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from scheduling.log.models import Event, Machine
from tests.server.api.test_bad_input import problem
from tests.server.desk.pages import kept, looked, shown, signed_in
from tests.server.studio import IN_ORDER, MACHINE, PROFILE, VENUE, Caller, changed

PATH = "/machines/wren-1/calibration"
HEAD = {"kind": "carriage", "nozzles": 12, "passes": 3, "drop_pl": 10.0}
READ = {"printed": "200", "measured": "199", "dead": "7, 3", "cut_at": "-0.5"}


@pytest.fixture
def person(studio: Caller) -> Client:
    profile = changed(PROFILE, "profile.head", HEAD)
    for resource, body in (("venues", VENUE), ("profiles", profile), ("machines", MACHINE)):
        studio.create(resource, body)
    return signed_in()


def measured() -> Any:
    return Machine.objects.get().calibration


def test_each_pattern_is_explained_with_its_cautions(person: Client) -> None:
    assert f'href="{PATH}"' in shown(person, "/machines/wren-1")
    page = shown(person, PATH)
    for said in (
        "Measure from the first full stroke to the last hundred, 200 mm as printed.",
        "a missing step is a dead nozzle",
        "plus on the side whose strokes hang from the upper edge",
        "Never reach into the knife.",
        "The venue&#x27;s rules and local codes come first",
        "Known so far: feed, measured over ordered, 1.0000.",
        "Known so far: head to knife, as the model says.",
    ):
        assert said in page, said


def test_what_follows_is_seen_before_it_is_kept(person: Client) -> None:
    page, body = looked(person, PATH, READ)
    for said in (
        "The paper comes out at 0.99500 of what is ordered; the node orders that much more.",
        "A metre that is laid from then on comes out 5.03 mm longer than one before.",  # 1000 / 0.995 - 1000
        "Left out from now on: 3, 7; 10 of 12 print.",
        "The knife stands 20.50 mm from the head",
        "Strips are cut 0.50 mm of feed later than before",
        "Its board takes it up with its next work; what lies on the paper stays as it is.",
        "<td>1.0000</td><td>0.9950</td>",
        "<td>none</td><td>3, 7</td>",
        "<td>as the model says</td><td>20.5 mm</td>",
    ):
        assert said in page, said
    assert measured() is None
    page = shown(person, PATH, body)
    assert "What was measured of Wren 1 is kept." in page and "<dd>0.9950</dd>" in page
    assert measured() == {"feed_factor": 0.995, "dead_nozzles": [3, 7], "head_to_knife_mm": 20.5}


def test_what_is_left_empty_stays_and_each_goes_back_by_itself(person: Client) -> None:
    kept(person, PATH, READ)
    kept(person, PATH, {"printed": "200", "dead": "3", "cut_at": ""})
    assert measured() == {"feed_factor": 0.995, "dead_nozzles": [3], "head_to_knife_mm": 20.5}
    kept(person, PATH, {"printed": "100", "measured": "100.5", "dead": "3"})  # printed with 0.995
    assert measured()["feed_factor"] == 0.999975
    page = kept(person, PATH, {"dead": "3", "feed_as_model": "on", "knife_as_model": "on"})
    assert measured() == {"feed_factor": 1.0, "dead_nozzles": [3], "head_to_knife_mm": None}
    assert "Head to knife" not in page
    assert "It is so already" in shown(person, PATH, {"dead": "3"})
    assert Event.objects.filter(kind="machine-calibrated").count() == 4


@pytest.mark.parametrize(
    ("said", "place", "told"),
    [
        ({"measured": "180"}, "measured", "more than 5% is a slack roller"),
        ({"measured": "199", "printed": ""}, "printed", "Say how long it is by its own strokes."),
        ({"dead": "three"}, "dead", "are no numbers of nozzles; give them like 3, 7"),
        ({"dead": "12"}, "dead", "the nozzles are 0 to 11"),
        ({"cut_at": "2000"}, "cut_at", "read the scale again"),
    ],
)
def test_what_cannot_have_been_read_stands_beside_its_field(
    person: Client, said: dict[str, str], place: str, told: str
) -> None:
    page = shown(person, PATH, {"printed": "200"} | said)
    assert f'id="id_{place}_error"' in page and told in page and measured() is None
    assert all(f'value="{text}"' in page for text in said.values() if text)


def test_what_somebody_else_measured_meanwhile_is_asked_about(person: Client, studio: Caller) -> None:
    _, body = looked(person, PATH, READ)
    studio.put("machines/wren-1/calibration", {"feed_factor": 1.01})
    page = shown(person, PATH, body)
    assert "more follows by now" in page or "Somebody else changed it meanwhile" in page
    assert measured() == {"feed_factor": 1.01, "dead_nozzles": [], "head_to_knife_mm": None}


def test_a_line_head_has_no_nozzles_to_choose_from(studio: Caller) -> None:
    for resource, body in IN_ORDER[:3]:
        studio.create(resource, changed(body, "profile.knife", None) if resource == "profiles" else body)
    page = shown(signed_in(), PATH)
    assert "The feed ruler" in page and "The nozzle check" not in page and "The knife scale" not in page
    assert "Never reach into the knife." not in page and "away from rollers" in page


def test_only_the_studio_measures_and_nothing_that_was_put_away(person: Client, studio: Caller) -> None:
    assert signed_in("curator").get(PATH).status_code == 403
    kept(person, "/machines/wren-1/retire", {})
    assert "It is put away. Take it back first." in shown(person, PATH)
    assert PATH not in shown(person, "/machines/wren-1")


def test_the_api_tells_what_would_follow_and_writes_nothing(person: Client, studio: Caller) -> None:
    told = studio.put("machines/wren-1/calibration?preview=true", {"dead_nozzles": [3]}).json()
    assert told["fields"] == [{"field": "dead_nozzles", "before": [], "after": [3]}]
    assert told["in_words"][0].startswith("Left out from now on: 3;") and measured() is None
    refused = problem(studio.put("machines/wren-1/calibration?preview=true", {"dead_nozzles": [12]}), 422)
    assert refused["field"] == "dead_nozzles"
