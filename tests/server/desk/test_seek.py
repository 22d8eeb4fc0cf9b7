"""A run sought on its page: wishes come and go with all that was typed, answers say how near they come, and one of them
fills in the form of a run."""

from __future__ import annotations

import html
import re
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode

import pytest
from django.test import Client

from scheduling.log.models import Event, Opening, Run
from server.console.formatting import NO_BREAK
from server.heavy import TURNS
from tests.server.desk.pages import shown, signed_in
from tests.server.studio import Caller

PATH = "/seek"
# The run of the studio is over by 23 March at noon; there a turn is a mean solar day of 360 columns, in four strips.
ASKED = {
    "source": "land",
    "machine": "wren-1",
    "earliest_by": "clock",
    "earliest_civil": "2026-03-23T12:00",
    "latest_by": "clock",
    "latest_civil": "2026-03-27T12:00",
    "ends_by": "clock",
    "ends_civil": "2026-04-20T00:00",
    "cycle": "mean-solar-day",
    "strips": "4",
}
HEAD = {"kind": "place-at-head", "place": "9.14 W", "at_by": "clock", "at_civil": "2026-03-30T13:37", "weight": "1"}
FALLS = {"kind": "strip-falls", "at_by": "clock", "at_civil": "2026-03-30T18:00", "within": "", "weight": "10"}
DAYS = {"kind": "changes-within", "weekdays": ["2"], "opens": "09:00", "closes": "10:00", "weight": "1"}
SPAN = {
    "kind": "no-change-between",
    "begins_by": "clock",
    "begins_civil": "2026-03-28T00:00",
    "ends_by": "clock",
    "ends_civil": "2026-03-29T00:00",
    "weight": "0.1",
}


@pytest.fixture
def person(furnished: Caller) -> Client:
    return signed_in()


def address(*wishes: dict[str, Any], button: str = "seek", **more: Any) -> str:
    query: dict[str, Any] = ASKED | {"wish": [one["kind"] for one in wishes]}
    for number, one in enumerate(wishes):
        query |= {f"w{number}-{name}": value for name, value in one.items() if name != "kind"}
    return f"{PATH}?{urlencode(query | ({button: 'yes'} if button else {}) | more, doseq=True)}"


def page(person: Client, *wishes: dict[str, Any], **more: Any) -> str:
    return html.unescape(shown(person, address(*wishes, **more)))


def test_answers_stand_side_by_side_with_how_near_each_comes(person: Client) -> None:
    """Lisbon's meridian is under the mean Sun at 12:37 UTC, 13:37 by its summer clock; strips fall every six hours."""
    events = Event.objects.count()
    told = page(person, HEAD, FALLS)
    assert told.count("<article") == 5 and "Begins 12:00 on Mon 23 Mar 2026" in told
    assert "11:00" not in told.partition("</h3>")[0] and "12:00 on Mon 23 Mar 2026 UTC · 4 strips a turn" in told
    assert told.count("Kept:</strong> A place is under the head then: from 2026-03-30 13:3") == 5
    assert told.count("Missed:</strong> A strip falls then: from 2026-03-30 16:5") == 5
    assert told.count("With 4 strips a turn one falls every 6 h, at places that the turn fixes.") == 5
    assert told.count("At 13:37 on Mon 30 Mar 2026 there lies under the head: longitude ") == 5
    assert "10 h from what is wished, by weight." in told, "an hour and a burst's hair, ten times"
    assert told.count('class="strip at-an-instant"') == 5 and "/sources/land/thumbnail.png?profile=wren" in told
    assert Event.objects.count() == events and Run.objects.count() == 1


def test_another_count_of_strips_comes_nearer(person: Client) -> None:
    told = page(person, FALLS, others="24; 60")
    first = told.partition("<article")[2].partition("</article>")[0]
    assert "24 strips a turn" in first and ", 0.1 s before the wish. With 24 strips a turn one falls every 1 h" in first
    assert " · 4 strips a turn" not in told, "the nearest of each day stand first"


def test_changes_and_service_are_wished_by_the_week_and_in_a_span(person: Client) -> None:
    told = page(person, DAYS, SPAN)
    assert told.count("Kept:</strong> Rolls and blades are changed on some days: nothing is changed.") == 5
    assert told.count("Kept:</strong> No roll or blade is changed in a span: nothing is changed.") == 5


def test_the_readers_clock_is_told_too(person: Client) -> None:
    assert "13:00 on Mon 23 Mar 2026 by your clock" in page(person, HEAD, zone="Europe/Berlin")
    assert "“Nowhere” is no time zone." in page(person, HEAD, zone="Nowhere")


def test_what_is_planned_is_what_was_found(person: Client) -> None:
    """The form of a run has all that the answer stands for, and what is planned so does as it says."""
    period = {"cycle": "period", "seconds": "86400", "epoch_by": "start"}
    evening = HEAD | {"at_civil": "2026-03-29T20:11"}
    found = re.search(r'href="(/runs/new\?[^"]+)"', shown(person, address(evening, **period)))
    assert found is not None
    form = shown(person, html.unescape(found[1]))
    for said in ('value="2026-03-23T12:00"', 'value="86400"', '<option value="land" selected>', 'value="4"'):
        assert said in form, said
    (epoch,) = re.findall(r'name="epoch_civil" type="datetime-local" step="any" value="([^"]+)"', form)
    again = page(person, evening, **period | {"epoch_by": "clock", "epoch_civil": epoch})
    assert "All is as wished." in again.partition("<article")[2].partition("</article>")[0]


def test_a_beginning_in_the_hour_that_comes_twice_is_told_with_which_it_is(person: Client) -> None:
    """Lisbon's clock goes back at 01:00 UTC on 25 October 2026 (IANA)."""
    twice = {"earliest_civil": "2026-10-25T01:30", "earliest_which": "later", "latest_civil": "2026-10-25T01:45",
             "latest_which": "later", "ends_civil": "2026-11-20T00:00"}  # fmt: skip
    told = shown(person, address(HEAD | {"at_civil": "2026-10-30T12:37"}, **twice))
    assert "starts=2026-10-25T01%3A30+later" in html.unescape(told)
    form = shown(person, "/runs/new?machine=wren-1&starts=2026-10-25T01:30+later")
    assert '<input type="hidden" name="starts_which" value="later">' in form


def test_a_wish_more_or_less_leaves_what_was_typed(person: Client) -> None:
    answer = person.get(address(HEAD, FALLS, DAYS, button="add", kind="place-in-sight"))
    assert answer.status_code == 302 and answer["Location"].endswith("#wish-3")
    told = shown(person, answer["Location"])
    assert 'value="9.14 W"' in told and "4. A place hangs in sight then" in told and "error" not in told
    answer = person.get(address(HEAD, FALLS, DAYS, button="", without="0"))
    told = shown(person, answer["Location"])
    assert "9.14 W" not in told and "1. A strip falls then" in told and 'value="2026-03-30T18:00"' in told
    assert 'name="w1-weekdays" value="2" id="id_w1-weekdays_1" checked' in told.replace("  ", " ")
    only = person.get(address(HEAD, button="", without="0"))["Location"]
    assert "Nothing yet." in shown(person, only)
    assert "Add a wish first." in person.get(f"{address()}&wish=").content.decode()


def test_no_more_than_eight_are_added(person: Client) -> None:
    told = page(person, *[FALLS] * 8, button="")
    assert 'name="add"' not in told and told.count("Take this wish out") == 8
    answer = person.get(address(*[FALLS] * 8, button="add", kind="strip-falls"))
    assert "8. A strip falls then" in shown(person, answer["Location"])


def test_of_more_than_eight_it_is_said_that_they_are_too_many(person: Client) -> None:
    answer = person.get(address(*[FALLS] * 30))
    told = answer.content.decode()
    assert answer.status_code == 422 and "Add a wish first." not in told
    assert "More than 8 wishes are not weighed against each other: take one out." in told
    assert told.count("Take this wish out") == 9
    fewer = shown(person, person.get(address(*[FALLS] * 9, button="", without="8"))["Location"])
    assert fewer.count("Take this wish out") == 8


@pytest.mark.parametrize("number", ["9" * 5000, "\N{ARABIC-INDIC DIGIT ONE}", "\N{SUPERSCRIPT TWO}", "-1"])
def test_a_number_that_no_wish_has_takes_none_out(person: Client, number: str) -> None:
    told = shown(person, person.get(address(HEAD, FALLS, button="", without=number))["Location"])
    assert told.count("Take this wish out") == 2 and 'value="9.14 W"' in told
    strange = {f"w{number}-place": "9.14 W"}
    assert told_out(person, strange).count("Take this wish out") == 1


def told_out(person: Client, more: dict[str, str]) -> str:
    """The page once the first of two wishes is taken out."""
    return shown(person, person.get(address(HEAD, FALLS, button="", without="0", **more))["Location"])


@pytest.mark.parametrize(
    ("wish", "more", "place", "said"),
    [
        (HEAD | {"place": ""}, {}, "w0-place", "This field is required."),
        (HEAD | {"place": "somewhere beyond"}, {}, "w0-place", "No town called “somewhere beyond” is known here."),
        (HEAD | {"place": "Paris"}, {}, "w0-place", "Several are called so: Paris, France, 2.3° E; "),
        (HEAD | {"at_civil": ""}, {}, "w0-at", "Say when."),
        (HEAD | {"at_civil": "2026-03-29T01:30"}, {}, "w0-at", "does not exist in Europe/Lisbon"),
        (FALLS | {"within": "-1"}, {}, "w0-within", "greater than or equal to 0"),
        (FALLS | {"weight": "5"}, {}, "w0-weight", "Select a valid choice"),
        (DAYS | {"weekdays": []}, {}, "w0-weekdays", "This field is required."),
        (DAYS | {"opens": "9 am"}, {}, "w0-opens", "'9 am' is no time of day"),
        (DAYS | {"closes": "08:00"}, {}, "w0-closes", "08:00 is not after 09:00"),
        (SPAN | {"ends_civil": "2026-03-27T00:00"}, {}, "w0-ends", "not after begins_at"),
        (HEAD, {"latest_civil": "2026-03-22T12:00"}, "latest", "before earliest"),
        (HEAD, {"latest_civil": "2027-01-22T12:00"}, "latest", "more than 198 days after earliest"),
        (HEAD, {"ends_civil": "2026-03-25T12:00"}, "latest", "not before the run ends"),
        (HEAD, {"others": "many"}, "others", "Give numbers with commas"),
        (HEAD, {"others": "1 2 3 5 6"}, "others", "5 counts"),
        (HEAD, {"machine": ""}, "machine", "This field is required."),
        (HEAD, {"cycle": "period"}, "seconds", "Say how long a turn of a plain period is."),
        (HEAD, {"strips": "-3"}, "strips", "greater than or equal to 0"),
    ],
)
def test_what_is_wrong_stands_beside_its_field_and_all_else_stays(
    person: Client, wish: dict[str, Any], more: dict[str, str], place: str, said: str
) -> None:
    answer = person.get(address(wish, FALLS, **more))
    told = html.unescape(answer.content.decode()).replace(NO_BREAK, " ")
    assert answer.status_code == 422
    assert f'id="id_{place}_error"' in told and said in told
    assert "2. A strip falls then" in told and "<article" not in told


def test_a_span_in_which_none_can_be_planned_is_said_so(person: Client) -> None:
    told = page(person, HEAD, earliest_civil="2026-03-22T12:00", latest_civil="2026-03-22T14:00")
    assert "None can be planned" in told and "of the first: the machine is on run 'spring' until" in told


def test_while_too_much_is_made_none_is_sought(
    person: Client, furnished: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(TURNS.room, "most", 0)
    answer = person.get(address(HEAD))
    assert (answer.status_code, answer["Retry-After"]) == (429, "10")
    assert person.get(address(HEAD, button="")).status_code == 200, "the form is not costly"


def test_it_is_led_to_from_a_machine_an_opening_and_the_list_of_runs(person: Client) -> None:
    assert f'href="{PATH}?machine=wren-1"' in shown(person, "/machines/wren-1")
    assert f'href="{PATH}"' in shown(person, "/runs")
    first = shown(person, f"{PATH}?machine=wren-1")
    assert '<option value="wren-1" selected>' in first and '<option value="land" selected>' in first
    assert "1. A place is under the head then" in first and "error" not in first
    opening = Opening.objects.get(id="first-night")
    href = f"{PATH}?machine=wren-1&opening=first-night"
    assert href.replace("&", "&amp;") in shown(person, "/openings/first-night")
    told = shown(person, href)
    assert "1. A place hangs in sight then" in told and 'name="opening" value="first-night"' in told
    assert told.count(f'value="{opening.opens_at:%Y-%m-%d}T') >= 2, "the wish, and until when it may begin"


def test_only_the_studio_seeks(person: Client) -> None:
    curator, reader = signed_in("curator"), signed_in("reader")
    for other in (curator, reader):
        assert other.get(PATH).status_code == 403
        assert "/seek" not in shown(other, "/machines/wren-1") + shown(other, "/openings/first-night")
    assert Client().get(PATH).status_code == 302


def test_an_answer_is_shown_as_it_hangs_at_the_opening(person: Client) -> None:
    opens = datetime(2026, 3, 29, 6, tzinfo=UTC)
    Opening.objects.filter(id="first-night").update(opens_at=opens)
    told = page(person, FALLS, opening="first-night")
    assert told.count("<p>At 07:00 on Sun 29 Mar 2026 there lies under the head: longitude ") == 5
    assert page(person, FALLS).count("<p>At 18:00 on Mon 30 Mar 2026 there lies under the head: longitude ") == 5
