"""The season: what is planned over months, drawn and in words."""

from __future__ import annotations

import io
import re
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from django.contrib.auth.models import User
from django.test import Client
from PIL import Image

from machines.errors import InputError
from scheduling.log.models import Run
from scheduling.sky import almanac
from scheduling.sky.places import Place
from scheduling.sky.zones import zone
from server import jobs, wiring
from server.accounts.principals import STUDIO
from server.console.season import season
from server.console.season_moves import Moves
from server.console.season_span import season_span
from server.console.sun_ribbon import DAY_H, HEIGHT, WIDTH, ribbon
from tests.server.console.test_first_page import page
from tests.server.studio import BEGINS, OPENING, RUN, SERVICE_WINDOW, Caller, HeldClock

LISBON = Place(38.71, -9.14, 12.0)


def test_months_are_those_of_the_address_or_from_this_one_on() -> None:
    assert season_span("", "", BEGINS).title == "March to August 2026"
    span = season_span("2026-10", "6", BEGINS)
    assert (span.title, span.earlier, span.later) == ("October 2026 to March 2027", "2026-04", "2027-04")
    assert [one.name for one in span.marks] == ["Oct 2026", "Nov", "Dec", "Jan 2027", "Feb", "Mar"]
    assert span.x(datetime(2026, 10, 1, tzinfo=UTC)) == 0 and span.x(datetime(2027, 4, 1, tzinfo=UTC)) == 100
    assert span.now_x is None


@pytest.mark.parametrize(
    ("first", "months", "field"),
    [
        ("October", "6", "from"),
        ("2026-13", "6", "from"),
        ("1850-01", "6", "from"),
        ("", "0", "months"),
        ("", "x", "months"),
    ],
)
def test_what_is_no_month_is_said_to_be_none(first: str, months: str, field: str) -> None:
    with pytest.raises(InputError) as refused:
        season_span(first, months, BEGINS)
    assert refused.value.field == field


def test_what_is_wrong_stands_beside_its_field_and_stays_in_it(furnished: Caller) -> None:
    shown = page("/season?from=October")
    assert "&#x27;October&#x27; is no month" in shown and 'value="October"' in shown and 'aria-invalid="true"' in shown


def test_a_season_that_no_almanac_reaches_is_shown_without_its_daylight(furnished: Caller) -> None:
    shown = page("/season?from=2060-01&months=3")
    assert "January to March 2060" in shown and "its daylight is not known" in shown and 'class="light"' not in shown


@pytest.mark.parametrize(
    "address",
    [
        "/season?from=9999-99&months=abc",
        "/season?from=2099-12&months=24",
        "/season?from=%00&months=24",
        "/?show=x&venue=%3Cscript%3Ehm",
        "/overview?show=need&venue=%00",
        "/machines/wren-1/paper?from=%3Cscript%3Ehm&days=y",
        "/machines/wren-1/paper?from=2099-12-31&days=28",
    ],
)
def test_an_odd_address_is_answered_with_a_page(furnished: Caller, address: str) -> None:
    assert "<script>hm" not in page(address)


def test_the_months_that_an_address_names_are_chosen_in_the_form(furnished: Caller) -> None:
    assert '<option value="2" selected>2 months</option>' in page("/season?months=2")


def test_runs_openings_and_windows_stand_where_they_are(furnished: Caller, clock: HeldClock) -> None:
    furnished.create("service-windows", SERVICE_WINDOW)
    clock.at += timedelta(days=1)
    found = season(season_span("", "1", clock.at), Moves(clock.at, STUDIO))
    (quay,) = found.venues
    (machine,) = quay.machines
    (run,) = machine.runs
    # From 20 March 12:00 on, in a month of 31 days.
    assert run.x == pytest.approx(100 * 19.5 / 31, abs=0.01) and run.width == pytest.approx(100 * 3 / 31, abs=0.01)
    assert not run.is_later and run.tile == found.tiles[0].id
    (opening,) = quay.openings
    assert opening.x == pytest.approx(100 * (20 + 19 / 24) / 31, abs=0.01) and not opening.is_wrong
    assert len(quay.windows) == 5  # Tuesdays of March
    assert found.said == "1 venue, 1 run, 1 opening"


def test_an_opening_at_which_nothing_is_printed_is_said_to_be_wrong(furnished: Caller, clock: HeldClock) -> None:
    late = {"civil": "2026-04-04T19:00", "zone": "Europe/Lisbon"}
    furnished.create("openings", OPENING | {"id": "late", "name": "Late night", "anchor": late})
    shown = page("/season?from=2026-03&months=2")
    assert "Nothing is printed there at Late night, 19:00 on Sat 4 Apr 2026." in shown
    clock.at += timedelta(days=30)
    assert "Nothing is printed there at" not in page("/season?from=2026-03&months=2"), "what is past is past"
    assert "Nothing is printed there at First night" not in shown


def test_what_speaks_against_an_opening_is_a_mark_on_its_line_and_words_that_lead_to_its_page(
    furnished: Caller, clock: HeldClock
) -> None:
    assert "Speaks against" not in page("/season?from=2026-03&months=2")
    late = {"civil": "2026-04-04T19:00", "zone": "Europe/Lisbon"}
    furnished.create("openings", OPENING | {"id": "late", "name": "Late night", "anchor": late})
    assert jobs.doubt() > 0
    (quay,) = season(season_span("2026-03", "2", clock.at), Moves(clock.at, STUDIO)).venues
    opening, (doubt,) = next(one for one in quay.openings if one.id == "late"), quay.machines[0].doubts
    assert (doubt.opening, doubt.name, doubt.x) == ("late", "Late night", opening.x)
    shown = page("/season?from=2026-03&months=2")
    said = "Late night, 2026-04-04 19:00 there: Wren 1 is on no run then."
    assert shown.count(said) == 3, "on the mark, beside the machine, and in the table"
    assert shown.count('href="/openings/late"') == 5
    assert 'aria-label="Something speaks against Late night at Wren 1"' in shown
    assert "Speaks against" not in page("/season?from=2026-05&months=1"), "it is not of these months"


def test_a_roll_that_ends_where_nobody_is_there_is_said_to_be_wrong(furnished: Caller, clock: HeldClock) -> None:
    # 30 m at 120 mm a day last 250 days; the next window comes after that.
    furnished.create(
        "runs", RUN | {"id": "long", "starts_at": "2026-03-24T12:00:00Z", "ends_at": "2027-03-01T12:00:00Z"}
    )
    clock.at = datetime(2026, 3, 24, 13, 0, tzinfo=UTC)
    Run.objects.filter(id="spring").update(printed=1080)
    (machine,) = season(season_span("", "12", clock.at), Moves(clock.at, STUDIO)).venues[0].machines
    roll, blade = [one for one in machine.ends if one.is_wrong]
    assert roll.said.startswith("No service window before the roll ends at")
    assert blade.said.startswith("No service window before the blade ends at")
    shown = page("/season?months=12")
    assert roll.said in shown and 'class="wedge wrong-end"' in shown
    furnished.create("service-windows", SERVICE_WINDOW)
    (machine,) = season(season_span("", "12", clock.at), Moves(clock.at, STUDIO)).venues[0].machines
    assert [one.said for one in machine.ends if one.is_wrong] == [] and "change it in Tuesday rounds" in machine.ends[
        0
    ].said


def test_all_of_it_is_in_a_table_too(furnished: Caller) -> None:
    shown = page("/season?from=2026-03")
    table = shown[shown.index('<table class="planned"') :]
    assert "Opening: First night" in table and "19:00 on Sat 21 Mar 2026" in table
    assert "Quay House, Wren 1" in table and "from 12:00 on Fri 20 Mar 2026 to 12:00 on Mon 23 Mar 2026" in table
    assert "First night" not in page("/season?from=2027-03")


def test_an_empty_season_says_so(db: None, clock: HeldClock) -> None:
    assert "There is no venue yet" in page("/season")


def test_who_is_signed_in_comes_to_a_machine_from_there(furnished: Caller) -> None:
    browser = Client()
    browser.force_login(User.objects.create_superuser("ada", password=None))
    assert 'href="/machines/wren-1"' in page("/season", browser)
    assert 'href="/machines/wren-1/now"' in page("/season")


def test_a_ribbon_is_daylight_by_the_clock_of_the_zone() -> None:
    begins, ends = datetime(2026, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC)
    band = ribbon(LISBON, zone("Europe/Lisbon"), begins, ends)
    (outline,) = band.outlines
    points = np.array([tuple(map(float, one.split())) for one in outline.strip("Mz").split("L")])
    rises, sets = points[: len(points) // 2], points[len(points) // 2 :][::-1]
    for at in (datetime(2026, 6, 21, tzinfo=UTC), datetime(2026, 11, 30, tzinfo=UTC)):
        x = WIDTH * ((at - begins) / (ends - begins))
        for kind, line in (("sunrise", rises), ("sunset", sets)):
            (event,) = almanac.find(kind, at, at + timedelta(days=1), LISBON)
            local = event.at.astimezone(zone("Europe/Lisbon"))
            drawn_h = float(np.interp(x, line[:, 0], line[:, 1])) * DAY_H / HEIGHT
            assert drawn_h == pytest.approx(local.hour + local.minute / 60, abs=0.1)
    assert band.longest_h == pytest.approx(14.87, abs=0.1) and band.shortest_h == pytest.approx(9.45, abs=0.1)


def test_where_the_sun_stays_up_or_down_the_ribbon_is_whole_or_empty() -> None:
    north = Place(69.65, 18.96, 0.0)
    june = ribbon(north, zone("Europe/Oslo"), datetime(2026, 6, 10, tzinfo=UTC), datetime(2026, 6, 20, tzinfo=UTC))
    assert june.shortest_h == DAY_H
    december = ribbon(
        north, zone("Europe/Oslo"), datetime(2026, 12, 10, tzinfo=UTC), datetime(2026, 12, 20, tzinfo=UTC)
    )
    assert december.outlines == () and december.longest_h == 0.0


def test_a_picture_that_many_machines_print_is_asked_for_once(furnished: Caller, clock: HeldClock) -> None:
    for one in (2, 3):
        furnished.create("machines", {"id": f"wren-{one}", "name": f"Wren {one}", "venue": "quay", "profile": "wren"})
        furnished.create("runs", RUN | {"id": f"spring-{one}", "machine": f"wren-{one}"})
    while jobs.extend():
        pass
    found = season(season_span("", "1", wiring.now()), Moves(wiring.now(), STUDIO))
    assert len(found.tiles) == 1 and all(run.tile for one in found.venues[0].machines for run in one.runs)
    assert len(re.findall(r'<image href="/machines/[^"]*/plates/', page("/season"))) == 1


def test_a_run_of_which_nothing_is_drawn_yet_shows_its_own_picture_too(furnished: Caller, clock: HeldClock) -> None:
    later = {"starts_at": "2026-05-01T12:00:00Z", "ends_at": "2026-05-04T12:00:00Z"}
    furnished.create("runs", RUN | {"id": "summer"} | later)
    assert "/runs/summer/tile.png?v=1" in page("/season?from=2026-05")
    response = Client().get("/runs/summer/tile.png?v=1")
    assert response["Content-Type"] == "image/png"
    assert Client().get("/runs/summer/tile.png?v=1", HTTP_IF_NONE_MATCH=response["ETag"]).status_code == 304
    grey = np.asarray(Image.open(io.BytesIO(response.content)))
    # West is left, as on its paper: more of the land lies in the right half.
    half = grey.shape[1] // 2
    assert (grey[:, half:] < 128).mean() > 1.2 * (grey[:, :half] < 128).mean()
    assert Client().get("/runs/nothing/tile.png").status_code == 404
