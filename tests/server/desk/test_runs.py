"""Runs on the pages: planned after a check, changed, held, ended and followed."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from scheduling.log.models import Run
from server.accounts.models import PersonRole
from server.heavy import TURNS
from tests.server.api.test_bad_input import problem
from tests.server.api.test_changed_resources import patch
from tests.server.desk.pages import kept, looked, shown
from tests.server.studio import IN_ORDER, MACHINE, PROFILE, RUN, Caller, HeldClock, changed

NEW: dict[str, Any] = {
    "machine": "wren-1",
    "source": "land",
    "cycle": "mean-solar-day",
    "starts_by": "clock",
    "starts_civil": "2026-03-24T12:00",
    "ends_by": "clock",
    "ends_civil": "2026-03-27T12:00",
    "epoch_by": "start",
    "segments": "24",
    "strips": "4",
    "rule": "skip",
    "half_printed": "as-the-rest",
}

RUN_OF_NEW = RUN | {"id": "as-new", "starts_at": "2026-03-24T12:00:00Z", "ends_at": "2026-03-27T12:00:00Z"}
PLAIN: dict[str, Any] = {"within": None, "half_printed": "as-the-rest", "only_while_closed": False}


@pytest.fixture
def person(studio: Caller) -> Client:
    for resource, body in IN_ORDER[:5]:
        studio.create(resource, body)
    client = Client()
    client.force_login(User.objects.create_superuser("robin"))
    return client


def at(name: str, civil: str) -> dict[str, str]:
    return {f"{name}_by": "clock", f"{name}_civil": civil}


def test_whoever_is_not_signed_in_is_asked_to(person: Client) -> None:
    for path in ("/runs", "/runs/new", "/runs/spring", "/runs/spring/change", "/runs/spring/proof.png"):
        assert Client().get(path).headers["Location"] == f"/sign-in?next={path}"


def test_runs_are_listed_the_newest_first_with_how_they_stand(person: Client, clock: HeldClock) -> None:
    kept(person, "/runs/new", NEW)
    page = shown(person, "/runs")
    assert page.index("/runs/land-wren-1") < page.index("/runs/spring")
    assert "Land on Wren 1" in page and "spring · Fri 20 Mar 2026 to Mon 23 Mar 2026 · begins in 6 h" in page
    clock.sleep(7 * 3600.0)
    assert "under way, 2 d 23 h to go" in shown(person, "/runs")


def test_what_a_new_run_comes_to_is_told_with_each_warning_beside_its_field(person: Client) -> None:
    page, body = looked(person, "/runs/new", NEW)
    assert "Wren 1 prints Land from 12:00 on Tue 24 Mar 2026 to 12:00 on Fri 27 Mar 2026" in page
    assert "That is 3 turns, 1080 columns." in page and "0.36 m of paper" in page and "11 cuts" in page
    assert "of ink" not in page, "a line head has none"
    beside = page[page.index('id="id_machine"') - 900 : page.index('id="id_machine"')]
    assert 'class="mind"' in beside and "No board is enrolled at Wren 1" in beside
    assert "Yes, all of that is meant" in page and Run.objects.count() == 1
    assert "Land on Wren 1 is added." in shown(person, "/runs/new", body)
    row = Run.objects.get(pk="land-wren-1")
    assert (row.starts_at.isoformat(), row.segments_per_turn) == ("2026-03-24T12:00:00+00:00", 24)


def test_what_is_refused_stands_beside_its_field(person: Client) -> None:
    page = shown(person, "/runs/new", NEW | at("starts", "2026-03-21T12:00"))
    assert "the machine is on run" in page and 'value="2026-03-21T12:00"' in page
    page = shown(person, "/runs/new", NEW | {"rule": "replay-within"})
    assert "Say how much of it is printed late." in page
    page = shown(person, "/runs/new", NEW | {"cycle": "period"})
    assert "Say how long a turn of a plain period is." in page
    page = shown(person, "/runs/new", NEW | {"starts_civil": ""})
    assert "Say when." in page


def test_where_a_machine_is_to_move_by_itself_the_cautions_stand(person: Client) -> None:
    for path in ("/runs/new", "/runs/spring/change", "/runs/spring/succeed"):
        page = shown(person, path)
        assert "This program is not a safety function." in page and "Local codes and the venue&#x27;s safety" in page
    kept(person, "/runs/spring/hold", {"at_by": "now", "until_by": "open", "boundary": "burst"})
    assert "Look first: guards closed" in shown(person, "/runs/spring/continue")


def test_a_local_time_that_never_comes_or_comes_twice_is_asked_about(person: Client) -> None:
    page = shown(person, "/runs/new", NEW | at("starts", "2026-03-29T01:30") | at("ends", "2026-04-02T12:00"))
    assert "does not exist in Europe/Lisbon" in page and "Which is meant?" in page
    said = NEW | at("starts", "2026-10-25T01:30") | at("ends", "2026-10-27T12:00")
    assert "is shown twice in Europe/Lisbon" in shown(person, "/runs/new", said)
    kept(person, "/runs/new", said | {"starts_which": "later"})
    assert Run.objects.get(pk="land-wren-1").starts_at.isoformat() == "2026-10-25T01:30:00+00:00"


def test_it_begins_and_ends_by_the_sky_of_its_venue(person: Client) -> None:
    by_sky = {"starts_by": "sky", "starts_event": "sunset", "starts_date": "2026-03-24", "starts_minutes": "30"}
    page, _ = looked(person, "/runs/new", NEW | by_sky | {"starts_side": "before"})
    assert "from 18:22 on Tue 24 Mar 2026" in page


def test_a_plain_period_begins_with_the_run(person: Client) -> None:
    kept(person, "/runs/new", NEW | {"cycle": "period", "seconds": "86400"})
    assert Run.objects.get(pk="land-wren-1").cycle_options == {
        "seconds": 86400.0,
        "epoch": "2026-03-24T12:00:00.000000Z",
    }


def changing(person: Client, path: str, **said: str) -> dict[str, Any]:
    """What a browser sends of the form as it stands, and what is said otherwise."""
    page = shown(person, path)
    body = dict(re.findall(r'<input(?![^>]*"checkbox")[^>]* name="([^"]+)"[^>]* value="([^"]*)"', page))
    body |= dict(re.findall(r'type="radio" name="([^"]+)" value="([^"]*)" checked', page))
    for name, options in re.findall(r'<select name="([^"]+)".*?>(.*?)</select>', page, re.DOTALL):
        chosen = re.search(r'value="([^"]*)" selected', options) or re.search(r'value="([^"]*)"', options)
        body[name] = chosen[1] if chosen else ""
    return {name: text.replace("&quot;", '"') for name, text in body.items() if name != "csrfmiddlewaretoken"} | said


def test_all_of_it_can_be_another_before_it_begins(person: Client) -> None:
    body = changing(person, "/runs/spring/change", strips="6", reason="longer strips tear")
    page, body = looked(person, "/runs/spring/change", body)
    assert "<td>4</td><td>6</td>" in page and page.count('<tr><th scope="row"') == 1
    assert "longer strips tear" in shown(person, "/runs/spring/change", body)
    row = Run.objects.get(pk="spring")
    assert (row.strips_per_turn, row.policy["kind"]) == (6, "skip")


def test_what_is_missed_after_some_causes_is_treated_otherwise(person: Client) -> None:
    body = changing(person, "/runs/spring/change")
    assert body["after_held"] == "" and "After a recess" in shown(person, "/runs/spring/change")
    body |= {"after_held": "replay", "after_service": "replay", "after_power": "blank"}
    page = kept(person, "/runs/spring/change", body)
    assert (
        "after a power cut: leave it out, with blank paper in its place; after a service or a recess: print it late"
        in page
    )
    assert "Exceptions: - → after a power cut: leave" in page
    assert Run.objects.get(pk="spring").policy["by_cause"] == [
        {"causes": ["power"], "rule": PLAIN | {"kind": "blank"}},
        {"causes": ["service", "held"], "rule": PLAIN | {"kind": "replay"}},
    ]
    body = changing(person, "/runs/spring/change")
    assert (body["after_held"], body["after_power"], body["after_jam"]) == ("replay", "blank", "")
    assert "It is so already" in shown(person, "/runs/spring/change", body)
    kept(person, "/runs/spring/change", body | {"after_held": "", "after_service": "", "after_power": ""})
    assert Run.objects.get(pk="spring").policy["by_cause"] == []


def test_an_exception_has_a_limit_beside_the_rule_of_its_own(person: Client) -> None:
    body = changing(person, "/runs/spring/change", after_power="replay-within")
    page = shown(person, "/runs/spring/change", body)
    assert 'id="id_other_within_error"' in page and "Say how much of it is printed late." in page
    page = shown(person, "/runs/spring/change", body | {"other_within": "-1"})
    assert 'id="id_other_within_error"' in page and "give a number above 0" in page
    page = shown(person, "/runs/spring/change", body | {"after_power": "shift"})
    assert 'id="id_after_power_error"' in page
    page = kept(person, "/runs/spring/change", body | {"other_within": "2", "other_unit": "turns"})
    assert "after a power cut: print late the newest 2 turns of it" in page
    body = changing(person, "/runs/spring/change")
    assert (body["after_power"], body["other_within"], body["other_unit"]) == ("replay-within", "2", "turns")


def test_exceptions_that_say_more_than_the_form_stay_as_they_are(person: Client, studio: Caller) -> None:
    finish = {"causes": ["jam"], "rule": {"kind": "skip", "half_printed": "finish"}}
    assert patch(studio, "runs/spring", {"policy": {"by_cause": [finish]}}).status_code == 200
    body = changing(person, "/runs/spring/change", strips="6")
    assert "after_jam" not in body
    kept(person, "/runs/spring/change", body)
    row = Run.objects.get(pk="spring")
    assert (row.strips_per_turn, row.policy["by_cause"][0]["rule"]["half_printed"]) == (6, "finish")


def test_what_stands_as_it_is_is_no_change(person: Client) -> None:
    assert "It is so already" in shown(person, "/runs/spring/change", changing(person, "/runs/spring/change"))


def test_it_is_withdrawn_and_stays_in_the_list(person: Client) -> None:
    kept(person, "/runs/spring/withdraw", {"reason": "the paper is late"})
    page = shown(person, "/runs")
    assert "to Mon 23 Mar 2026 · withdrawn</span>" in page and "put away" not in page
    page = shown(person, "/runs/spring")
    assert "the paper is late" in page and "/runs/spring/hold" not in page and "/runs/spring/change" not in page


def test_what_cannot_be_meant_is_not_offered(person: Client, clock: HeldClock) -> None:
    page = shown(person, "/runs/spring")
    assert "/runs/spring/change" in page and "/runs/spring/end" not in page and "/runs/spring/continue" not in page
    clock.sleep(8 * 3600.0)
    page = shown(person, "/runs/spring")
    assert "/runs/spring/change" not in page and "/runs/spring/end" in page


@pytest.mark.parametrize(
    ("path", "after_h", "why"),
    [
        ("end", 0, "It has not begun. Change it as a whole, or withdraw it."),
        ("continue", 0, "Nobody holds it, now or later."),
        ("change", 8, "It has begun. Give it another end, or let another follow."),
        ("hold", 90, "All of it was due by 12:00 on Mon 23 Mar 2026. A later end lengthens it"),
        ("succeed", 90, "All of it was due by 12:00 on Mon 23 Mar 2026."),
        ("withdraw", 90, "All of it was due by 12:00 on Mon 23 Mar 2026."),
    ],
)
def test_what_cannot_be_meant_says_why_and_what_can_be(
    person: Client, clock: HeldClock, path: str, after_h: int, why: str
) -> None:
    clock.sleep(after_h * 3600.0)
    page = shown(person, f"/runs/spring/{path}")
    assert why in page and "What can be done now" in page and "<form method" not in page.partition("<main")[2]
    offered = "end" if after_h else "withdraw"
    assert f'href="/runs/spring/{offered}"' in page and f'href="/runs/spring/{path}"' not in page
    answer = person.post(f"/runs/spring/{path}", {"reason": "late"})
    assert answer.status_code == 409 and Run.objects.get().revision == 1


def test_what_was_withdrawn_is_left_as_it_is(person: Client) -> None:
    kept(person, "/runs/spring/withdraw", {})
    for path in ("change", "hold", "end", "succeed", "withdraw"):
        page = shown(person, f"/runs/spring/{path}")
        assert "It was withdrawn. Another can be planned in its place." in page and "What can be done now" not in page


def test_one_that_is_over_is_only_lengthened(person: Client, clock: HeldClock) -> None:
    clock.sleep(90 * 3600.0)
    page = shown(person, "/runs/spring/end")
    assert "A later end lengthens it" in page and 'value="now"' not in page and 'value="clock" checked' in page
    assert "is not one of the available choices" in shown(person, "/runs/spring/end", {"at_by": "now"})
    page = kept(person, "/runs/spring/end", at("at", "2026-03-25T12:00") | {"boundary": "burst"})
    assert re.search(r"<dt>When</dt><dd>12:00 on Fri 20 Mar 2026 to 12:0\d on Wed 25 Mar 2026", page)


def test_it_ends_at_a_boundary_that_is_named_in_words(person: Client, clock: HeldClock) -> None:
    clock.sleep(8 * 3600.0)
    assert "where the strip ends that it is on" in shown(person, "/runs/spring/end")
    page = kept(person, "/runs/spring/end", at("at", "2026-03-21T13:00") | {"boundary": "strip"})
    assert "ends as you said" in page and "to 17:59 on Sat 21 Mar 2026 (Europe/Lisbon)" in page


def test_it_is_held_with_a_caution_and_what_becomes_of_the_time_between(person: Client) -> None:
    page = shown(person, "/runs/spring/hold")
    assert "Held is not safe to reach in" in page and "What the sky passes meanwhile is left out." in page
    said = at("at", "2026-03-21T18:00") | at("until", "2026-03-21T20:00") | {"boundary": "burst"}
    page = kept(person, "/runs/spring/hold", said)
    assert "from 18:00 on Sat 21 Mar 2026 until 20:00 on Sat 21 Mar 2026" in page
    assert "is taken back" in looked(person, "/runs/spring/continue", {"at_by": "now"})[0]


def test_an_instant_of_a_deed_that_is_past_stands_beside_it(person: Client) -> None:
    said = at("at", "2026-03-19T18:00") | {"until_by": "open", "boundary": "burst"}
    assert "is in the past" in shown(person, "/runs/spring/hold", said)


def furnish_inked(studio: Caller, cartridge_ml: float = 40.0) -> None:
    head = {"kind": "carriage", "nozzles": 12, "passes": 2, "drop_pl": 10000.0, "cartridge_ml": cartridge_ml}
    head["idle_firing"] = {"drops": 10, "every_s": 3600.0}
    inked = changed(changed(PROFILE, "id", "inked"), "profile.head", head)
    studio.create(
        "profiles", changed(changed(inked, "profile.columns_per_turn", 1080), "profile.columns_per_burst", 12)
    )
    studio.create("machines", MACHINE | {"id": "inked-1", "name": "Inked 1", "profile": "inked"})


def test_the_ink_of_a_run_is_told_before_it_is_planned_with_the_scale_of_its_drawing(
    person: Client, studio: Caller
) -> None:
    furnish_inked(studio)
    page, _ = looked(person, "/runs/new", NEW | {"machine": "inked-1"})
    told = studio.post("run-checks", RUN_OF_NEW | {"machine": "inked-1"}).json()["ink"]
    ml = told["picture_ml"] + told["idle_ml"]
    assert told["cartridges"] == pytest.approx(ml / 40.0) and 100.0 > ml > 1.0
    assert re.search(rf"about {ml:.3g}\sml of ink, {told['idle_ml']:.3g}\sml of it to keep nozzles open: ", page)
    assert "0.045 of a cartridge" in page
    assert "The ink is an estimate, by the picture drawn with 960 columns for 1,080 of a turn; once" in page
    studio.create("sources", {"id": "moon", "name": "Moon", "picture": {"kind": "moon", "diameter_mm": 20.0}})
    page, _ = looked(person, "/runs/new", NEW | {"machine": "inked-1", "source": "moon"})
    assert re.search("with 480 columns for 1,080 of a turn, of [34] turns spread over the run; once", page)


@pytest.mark.parametrize(
    ("cartridge_ml", "words"),
    [(0.15, "about 12 cartridges"), (1.75, "about one cartridge"), (1.2, "about 1.5 cartridges")],
)
def test_ink_of_more_than_a_cartridge_is_told_in_cartridges(
    person: Client, studio: Caller, cartridge_ml: float, words: str
) -> None:
    furnish_inked(studio, cartridge_ml)
    page, _ = looked(person, "/runs/new", NEW | {"machine": "inked-1"})
    assert f"to keep nozzles open: {words}<" in page and "of a cartridge" not in page


def test_while_too_much_is_drawn_a_run_is_looked_at_without_its_ink(
    person: Client, studio: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    furnish_inked(studio)
    with monkeypatch.context() as busy:
        busy.setattr(TURNS.room, "most", 0)
        body = RUN_OF_NEW | {"machine": "inked-1"}
        answer = studio.post("run-checks", body)
        assert problem(answer, 429)["type"] == "/api/v1/problems/busy" and answer["Retry-After"] == "10"
        assert studio.post("run-checks?without_ink=true", body).json()["ink"] is None
        page, _ = looked(person, "/runs/new", NEW | {"machine": "inked-1"})
        assert "How much ink it takes is not told: too many pictures are being drawn" in page
        assert " of ink" not in page and "1.08 m of paper" not in page and "0.36 m of paper" in page
        page, _ = looked(person, "/runs/new", NEW)
        assert "ink it takes" not in page, "a line head has none"
    page, _ = looked(person, "/runs/new", NEW | {"machine": "inked-1"})
    assert " of ink" in page and "is not told" not in page
    monkeypatch.setattr(TURNS.room, "most", 0)
    assert studio.post("run-checks", body).status_code == 200, "what was drawn before is not drawn again"


def test_another_follows_it(person: Client, studio: Caller, clock: HeldClock) -> None:
    clock.sleep(8 * 3600.0)
    body = {"source": "land", "machine": "wren-1", **at("at", "2026-03-21T13:00"), "boundary": "turn", "strips": "2"}
    page = kept(person, "/runs/spring/succeed", body | {"ends_by": "as-it-is"})
    assert "is followed as you said" in page and '/runs/spring-2"' in page
    assert Run.objects.get(pk="spring-2").strips_per_turn == 2


def test_its_page_says_what_it_prints_and_what_it_uses(person: Client) -> None:
    page = shown(person, "/runs/spring")
    for said in (
        "Land, version 1",
        "<dt>Built to</dt><dd>Wren, version 1</dd>",
        "Wren 1, Quay House",
        "the mean Sun, as clocks count it",
        "0.36 m of paper",
        "3 turns",
    ):
        assert said in page
    picture = person.get("/runs/spring/proof.png")
    assert picture.headers["Content-Type"] == "image/png" and picture.content.startswith(b"\x89PNG")
    again = person.get("/runs/spring/proof.png", headers={"If-None-Match": picture.headers["ETag"]})
    assert again.status_code == 304
    assert person.get("/runs/spring/proof.png?view=no").status_code == 422


def test_a_curator_is_offered_what_their_venues_runs_allow(person: Client) -> None:
    curator = User.objects.create_user("cora")
    PersonRole.objects.create(person=curator, role="curator", venues=["quay"])
    client = Client()
    client.force_login(curator)
    page = shown(client, "/runs/spring")
    assert "/runs/spring/hold" in page and "/runs/spring/change" not in page and "/runs/spring/succeed" not in page
    PersonRole.objects.filter(person=curator).update(venues=["elsewhere"])
    assert "/runs/spring/hold" not in shown(client, "/runs/spring")


def test_the_list_asks_as_often_for_many_as_for_one(person: Client, studio: Caller) -> None:
    def asked() -> int:
        with CaptureQueriesContext(connection) as queries:
            shown(person, "/runs")
        return len(queries)

    asked()
    of_one = asked()
    for number in range(1, 4):
        begins, ends = f"2026-04-{number:02}T12:00:00.000000Z", f"2026-04-{number + 1:02}T12:00:00.000000Z"
        studio.create("runs", RUN | {"id": f"day-{number}", "starts_at": begins, "ends_at": ends})
    assert asked() == of_one


@pytest.mark.parametrize("name", ["starts", "ends", "epoch"])
def test_an_address_says_no_instant(person: Client, name: str) -> None:
    assert 'name="starts_civil"' in shown(person, f"/runs/new?{name}=noon")


@pytest.mark.parametrize("name", ["method", "caller", "address", "tag", "body"])
def test_a_query_that_a_picture_does_not_know_is_refused_in_words(person: Client, name: str) -> None:
    answer = person.get(f"/runs/spring/proof.png?{name}=POST")
    assert answer.status_code == 422 and f"{name}: no such parameter here" in answer.content.decode()


def test_whoever_may_not_order_it_is_shown_no_form(person: Client) -> None:
    ada = User.objects.create_user("ada")
    row = PersonRole.objects.create(person=ada, role="curator", venues=["shed"])
    client = Client()
    client.force_login(ada)
    for path in ("/runs/new", "/runs/spring/change", "/runs/spring/succeed", "/runs/spring/hold"):
        assert client.get(path).status_code == 403, path
    row.venues = ["quay"]
    row.save()
    assert "From then on it stops" in shown(client, "/runs/spring/hold")
