"""Visitors ask when a place is printed: by its name, by a touch on the map, on a day, and by their own clock."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from html import unescape
from urllib.parse import urlencode

import ephem
import pytest
from django.http import QueryDict
from django.test import Client

from scheduling.log.models import Run
from server.console.formatting import NO_BREAK
from server.console.touch_map import touched
from tests.server.console.test_visitor_page import another
from tests.server.studio import PROFILE, RUN, Caller, HeldClock, changed

NOWHERE = "is known here. Name a larger one nearby, touch the map, or give degrees."


def page(machine: str = "wren-1", client: Client | None = None, **asked: str) -> str:
    response = (client or Client()).get(f"/machines/{machine}/now?{urlencode(asked)}")
    assert response.status_code == 200, response.content
    return unescape(response.content.decode()).replace(NO_BREAK, " ")


def times(shown: str, heading: str) -> list[str]:
    """What stands in the list under a heading, without its marks."""
    found = re.search(rf'<h3 id="[a-z-]+">{heading}</h3>\s*<ul.*?</ul>', shown, re.DOTALL)
    assert found is not None, heading
    items = re.findall(r"<li>(.*?)</li>", found[0], re.DOTALL)
    return [" ".join(re.sub(r"<[^>]+>", " ", one).split()) for one in items]


def test_a_town_is_printed_when_the_sun_is_over_it(furnished: Caller) -> None:
    """XEphem's astronomy, which has nothing of ours, has the Sun cross the meridian of Lisbon in the time that is told:
    columns are four minutes wide, and the true Sun's day is printed."""
    another(furnished, {"name": "By the true Sun"}, cycle="apparent-solar-day")
    shown = page("wren-2", place="Lisbon")
    found = re.search(
        r"Lisbon, Portugal, 9\.1° W, is printed between (\d\d:\d\d) and (\d\d:\d\d) on Fri 20 Mar 2026", shown
    )
    assert found is not None
    observer = ephem.Observer()
    observer.lon, observer.lat, observer.date = "-9.1498", "38.7", "2026/3/20 06:00"
    transit = observer.next_transit(ephem.Sun()).datetime()
    begins, ends = (datetime.strptime(f"2026-03-20 {one}", "%Y-%m-%d %H:%M") for one in found.groups())  # noqa: DTZ007
    assert ends - begins == timedelta(minutes=4)
    assert begins - timedelta(seconds=30) <= transit <= ends + timedelta(seconds=30)  # which are told to the minute


def test_the_next_times_and_what_becomes_of_the_paper(furnished: Caller) -> None:
    shown = page(place="Lisboa")
    assert "Lisboa (Lisbon), Portugal, 9.1° W, is printed between 12:36 and 12:40 on Fri 20 Mar 2026." in shown
    assert "It comes to the knife between" in shown and "The strip with it is cut off between" in shown
    assert [one[-11:] for one in times(shown, "And after that")] == ["21 Mar 2026", "22 Mar 2026"]
    assert "By your clock" not in shown and "By the clock of Quay House." in shown
    assert "GeoNames (geonames.org), licence CC BY 4.0" in shown and "GeoNames" not in page(place="9.1 W")
    assert '<line class="meridian" x1="474.6"' in shown, "the map shows it: 360 degrees are 1000 units"


def test_of_several_towns_one_is_chosen_by_a_link(furnished: Caller) -> None:
    shown = page(place="Paris", day="2026-03-21")
    assert "Several towns are called so. Which is meant?" in shown and "is printed" not in shown
    (address,) = re.findall(r'<a href="([^"]+)">Paris, Texas, United States, 95\.6° W</a>', shown)
    chosen = Client().get(f"/machines/wren-1/now{address.split('#')[0]}").content.decode().replace(NO_BREAK, " ")
    assert "Paris, Texas, United States, 95.6° W, is printed between 18:2" in chosen
    assert "Sat 21 Mar 2026</h3>" in chosen
    assert "Which is meant?" in page(place="Paris", which="1") and "Which is meant?" in page(place="Paris", which="<b>")
    shown = page(place="Sant")
    assert shown.count("&which=") == 12 and "smaller ones: add a comma and the country." in shown


@pytest.mark.parametrize("place", ["Zzyzxville", "<b>Lisbon</b>", "%", "…", "\u202e", "'; --"])
def test_an_unknown_name_is_said_beside_the_field(furnished: Caller, place: str) -> None:
    shown = Client().get(f"/machines/wren-1/now?{urlencode({'place': place})}").content.decode()
    assert NOWHERE in shown and 'aria-invalid="true"' in shown
    assert "is printed" not in shown and "<b>" not in shown


@pytest.mark.parametrize("place", ["x" * 79 + "y" * 5000, "9" * 500, "Lisbon 400", "181 E", "90 N"])
def test_what_is_too_long_or_no_longitude_is_not_understood(furnished: Caller, place: str) -> None:
    shown = page(place=place)
    assert "is not understood" in shown and "is printed" not in shown


def test_a_day_that_is_asked_for(furnished: Caller) -> None:
    (told,) = times(page(place="Lisbon", day="2026-03-22"), "Sun 22 Mar 2026")
    assert told.startswith("between 12:36 and 12:40 on Sun 22 Mar 2026 cut off between")
    (told,) = times(page(day="2026-03-22"), "Sun 22 Mar 2026")  # the venue's own place
    assert told.startswith("between 12:36 and 12:40")


def test_a_day_on_which_a_place_does_not_come_or_nothing_is_planned(furnished: Caller) -> None:
    assert "It does not come under the head on that day." in page(place="15 W", day="2026-03-23")
    for day in ("2026-03-19", "2026-03-24", "1900-01-01", "2099-12-31"):
        shown = page(place="15 W", day=day)
        assert "what is planned reaches from Fri 20 Mar 2026 to Mon 23 Mar 2026." in shown
        assert "15.0° W is printed between" in shown, "what was asked besides is answered"


@pytest.mark.parametrize(
    "day", ["tomorrow", "2026-02-30", "21.03.2026", "2026-03", "0001-01-01", "9999-12-31", "9" * 400]
)
def test_what_is_no_day_is_said_beside_the_field(furnished: Caller, day: str) -> None:
    shown = page(place="15 W", day=day)
    assert f"“{day[:20]}” is no day. Write it like 2026-03-21, between the years 1900 and 2099." in shown
    assert "15.0° W is printed between" in shown


def test_a_day_that_is_over_is_told_as_it_was_planned(printing: Caller, clock: HeldClock) -> None:
    clock.at = datetime(2026, 3, 22, 9, tzinfo=UTC)
    shown = page(place="15 W", day="2026-03-21")
    assert "That day is over: so it was planned. What became of it is not told here." in shown
    assert len(times(shown, "Sat 21 Mar 2026")) == 1


def test_a_quick_picture_says_that_there_are_more_times(furnished: Caller) -> None:
    """A turn takes half an hour."""
    furnished.create("profiles", changed(PROFILE, "profile.mm_per_turn", 12.0) | {"id": "quick"})
    furnished.create("machines", {"id": "wren-4", "name": "Wren 4", "venue": "quay", "profile": "quick"})
    cycle = {"cycle": "period", "cycle_options": {"seconds": 1800.0, "epoch": "2026-03-20T12:00:00Z"}}
    furnished.create("runs", RUN | cycle | {"id": "quick", "machine": "wren-4", "strips_per_turn": 0})
    shown = page("wren-4", place="Lisbon", day="2026-03-21")
    assert len(times(shown, "Sat 21 Mar 2026")) == 12
    assert "Shown are the first 12 times; there are more." in shown
    assert len(times(shown, "And after that")) == 4


def test_while_people_hold_the_run_a_place_is_due_and_not_printed(furnished: Caller) -> None:
    """A hold over Friday and Saturday noon; on Sunday the machine prints again."""
    view = {"at": "2026-03-20T12:10:00Z", "until": "2026-03-21T18:00:00Z"}
    assert furnished.post("runs/spring/hold", view, HTTP_IF_MATCH="*").status_code == 200
    shown = page(place="9.1 W", day="2026-03-21", zone="America/St_Johns")
    due = "9.1° W is due between 12:36 and 12:40 on Fri 20 Mar 2026, and is not printed then: the machine rests."
    assert due in shown and "By your clock between 10:06 and 10:10 on Fri 20 Mar 2026." in shown
    assert "It is printed next between 12:36 and 12:40 on Sun 22 Mar 2026." in shown
    (told,) = times(shown, "Sat 21 Mar 2026")
    assert told.startswith("due between 12:36 and 12:40 on Sat 21 Mar 2026, and not printed: the machine rests")
    assert "cut off between" not in told and "is printed between" not in shown
    assert "left out" not in shown, "after Sunday nothing is"
    shown = page(client=Client(headers={"Accept-Language": "pt"}), place="9.1 W")
    assert "e nessa altura não é impresso: a máquina está em descanso." in shown and "A seguir, é impresso" in shown


def test_while_its_venue_is_closed_a_place_is_not_printed(furnished: Caller) -> None:
    """Closed on Saturday until the evening, and from Monday on."""
    week = {day: [{"opens": "09:00", "closes": "18:00"}] for day in ("friday", "sunday")}
    week["saturday"] = [{"opens": "18:00", "closes": "23:00"}]
    assert furnished.put("venues/quay/hours", {"week": week, "dates": []}).status_code == 200
    Run.objects.update(only_while_open=True)
    shown = page(place="9.1 W")
    assert "9.1° W is printed between 12:36 and 12:40 on Fri 20 Mar 2026." in shown
    assert times(shown, "And after that") == ["between 12:36 and 12:40 on Sun 22 Mar 2026"]
    assert "Times at which the machine rests are left out." in shown


def test_where_it_is_held_until_people_say_so_no_time_is_promised(furnished: Caller, clock: HeldClock) -> None:
    clock.at = datetime(2026, 3, 20, 12, 10, tzinfo=UTC)
    assert furnished.post("runs/spring/hold", {}, HTTP_IF_MATCH="*").status_code == 200
    shown = page(place="9.1 W")
    assert "9.1° W is due between 12:36 and 12:40 on Fri 20 Mar 2026, and is not printed then" in shown
    assert "It is not known yet when it is printed after that." in shown
    assert "cut off between" not in shown and "And after that" not in shown


def test_by_the_readers_own_clock_too_and_it_is_kept(furnished: Caller) -> None:
    """St. John's is three hours and a half behind of UTC, and two and a half from 8 March 2026 on."""
    client = Client()
    shown = page(client=client, place="Lisbon", day="2026-03-21", zone="America/St_Johns")
    assert "By your clock between 10:06 and 10:10 on Fri 20 Mar 2026." in shown
    assert "By your clock between 10:06 and 10:10 on Sat 21 Mar 2026." in " ".join(times(shown, "Sat 21 Mar 2026"))
    assert "Yours is that of America/St_Johns." in shown
    assert '<option value="America/St_Johns" selected>St Johns</option>' in shown
    assert 'fragment?place=Lisbon&day=2026-03-21&zone=America%2FSt_Johns"' in shown
    cookie = client.cookies["zone"]
    assert (cookie.value, cookie["httponly"], cookie["samesite"]) == ("America/St_Johns", True, "Lax")
    assert "By your clock between 10:06" in page(client=client, place="Lisbon")
    assert "zone=America%2FSt_Johns" in page(client=client, place="Paris"), "a link says it to whoever is sent it"
    assert "By your clock" not in page(client=client, place="Lisbon", zone="")
    assert "By your clock" not in page(client=client, place="Lisbon")


def test_a_time_that_comes_twice_by_the_readers_clock_says_which(furnished: Caller) -> None:
    """In Lisbon half past one came twice on 25 October 2026, WEST and WET; on the Chatham Islands it was a quarter past
    two in the afternoon, and then a quarter past three."""
    run = {"id": "autumn", "starts_at": "2026-10-24T12:00:00Z", "ends_at": "2026-10-27T12:00:00Z"}
    furnished.create(
        "venues",
        {
            "id": "isle",
            "name": "Isle",
            "latitude_degrees": -44.0,
            "longitude_degrees": -176.5,
            "zone": "Pacific/Chatham",
        },
    )
    furnished.create("machines", {"id": "wren-5", "name": "Wren 5", "venue": "isle", "profile": "wren"})
    furnished.create("runs", RUN | run | {"machine": "wren-5"})
    first, second = (page("wren-5", place=place, zone="Europe/Lisbon") for place in ("172.5 E", "157.5 E"))
    assert "is printed between 14:13 and 14:17 on Sun 25 Oct 2026." in first
    assert "By your clock between 01:28 WEST and 01:32 WEST on Sun 25 Oct 2026." in first
    assert "is printed between 15:13 and 15:17 on Sun 25 Oct 2026." in second
    assert "By your clock between 01:28 WET and 01:32 WET on Sun 25 Oct 2026." in second


@pytest.mark.parametrize("zone", ["Europe/Nowhere", "<b>", "../../etc/passwd", "x" * 5000])
def test_what_is_no_zone_is_said_and_not_kept(furnished: Caller, zone: str) -> None:
    client = Client()
    answer = client.get("/machines/wren-1/now", {"zone": zone})
    assert "is no time zone. Choose one from the list." in answer.content.decode() and "zone" not in answer.cookies
    client.cookies["zone"] = "nonsense"
    assert "By your clock" not in page(client=client)


def test_a_touch_on_the_map_becomes_a_longitude(furnished: Caller) -> None:
    """The corner of the picture is what a press by the keyboard says."""
    answer = Client().get("/machines/wren-1/now?place=old&which=7&day=2026-03-21&touch320.x=159&touch320.y=50")
    assert answer.status_code == 302
    assert answer["Location"] == "/machines/wren-1/now?day=2026-03-21&place=-0.6#answer"
    assert 'name="touch320"' in page() and 'name="touch720"' in page()
    assert "0.6° W is printed between" in page(place="-0.6")


@pytest.mark.parametrize(
    ("touch", "place"),
    [
        ("touch320.x=0&touch320.y=9", "-179.4"),
        ("touch320.x=319&touch320.y=9", "179.4"),
        ("touch720.x=360&touch720.y=0", "0.2"),
        ("touch720.x=341&touch720.y=100", "-9.2"),
        ("touch320.x=0&touch320.y=0", None),
        ("touch320.x=320&touch320.y=9", None),
        ("touch720.x=720&touch720.y=9", None),
        ("touch320.x=-5&touch320.y=1", None),
        ("touch320.x=1e2&touch320.y=1", None),
        ("touch320.x=99999999&touch320.y=1", None),
    ],
)
def test_where_the_map_was_touched(touch: str, place: str | None) -> None:
    asked = touched(QueryDict(f"{touch}&zone=UTC"))
    assert asked is not None and (asked.get("place"), asked["zone"]) == (place, "UTC")
    assert touched(QueryDict("place=5")) is None


def test_pictures_that_show_no_places_say_nothing_of_them(furnished: Caller) -> None:
    moon = {"kind": "moon", "diameter_mm": 30.0}
    another(furnished, {"name": "The Moon", "picture": moon}, cycle="lunar-day", strips_per_turn=0)
    shown = page("wren-2")
    for word in ("A town", "towns", "such as Lisbon", "touch", "GeoNames"):
        assert word not in shown.split("<main")[1]
    assert 'type="image"' not in shown
    assert "“Lisbon” is not understood" in page("wren-2", place="Lisbon")
    assert "is printed between" in page("wren-2", place="100 W", zone="Asia/Tokyo")
