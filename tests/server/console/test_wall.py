"""The wall: what needs a person first, the world, each machine's paper to scale, and lines where they are many."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from django.test import Client
from PIL import Image, ImageDraw

from machines.model.profile import Profile
from scheduling.log.models import Machine, Strip
from scheduling.paper.strip_now import StripNow, strips_now
from scheduling.queries.machine_context import machine_contexts
from scheduling.rendering.sky_parameters import subsolar_degrees
from scheduling.sky.zones import zone
from server import jobs, wiring
from server.console.needs import as_counted
from server.console.overview import overview
from server.console.strip import drawn_strip
from server.console.strip_scale import BEHIND, TALLEST, WIDTH, scale_of
from server.console.time_marks import time_marks
from server.console.world_map import HEIGHT, NORTH, SOUTH, land_path, world_map
from tests.server.console.test_first_page import page
from tests.server.studio import MACHINE, PROFILE, RUN, Caller, HeldClock, changed

WREN = Profile.from_json(PROFILE["profile"])


def strip_of_wren() -> StripNow:
    contexts = machine_contexts(Machine.objects.all(), wiring.now())
    scale = scale_of(WREN)
    return strips_now(contexts, {one.machine.id: (scale.behind, scale.ahead) for one in contexts})["wren-1"]


def add_machines(studio: Caller, number: int) -> None:
    for one in range(2, number + 1):
        studio.create("machines", MACHINE | {"id": f"wren-{one}", "name": f"Wren {one}"})


def test_a_strip_holds_what_was_reported_what_is_missing_and_where_the_head_is(printing: Caller) -> None:
    strip = strip_of_wren()
    # Five segments, one left out with its paper, and all of the seventh but a column.
    sixth = strip.laid[-1]
    assert len(strip.laid) == 6 and strip.laid[0].place == 0
    assert strip.known == strip.head == sixth.end_place
    assert strip.blank == ((strip.laid[4].end_place, sixth.place),) and strip.blank[0][1] - strip.blank[0][0] == 15
    assert strip.next_column == sixth.end
    assert strip.place_of(strip.next_column + 7) == strip.head + 7
    # Four strips a turn: there is a boundary every 90 columns.
    (boundary,) = [place for place, _ in strip.cuts if place <= strip.head]
    assert (boundary + strip.laid[0].first) % 90 == 0


def test_hours_along_the_paper_are_those_of_the_cycle(printing: Caller, clock: HeldClock) -> None:
    strip = strip_of_wren()
    hour = np.interp(clock.at.timestamp(), strip.instants, strip.places)
    assert hour == pytest.approx(strip.head, abs=2)
    assert np.all(np.diff(strip.places) >= 0) and np.all(np.diff(strip.instants) >= 0)


def test_what_was_cut_off_is_known_by_the_cuts_that_were_made(printing: Caller) -> None:
    place, first = strip_of_wren().cuts[0][0], strip_of_wren().laid[0].first
    strip = Strip.objects.create(
        run_id="spring", boundary=first + place, paper_position=place, made=False, at=wiring.now()
    )
    assert strip_of_wren().cut_off == 0 and dict(strip_of_wren().cuts)[place] is False
    strip.made = True
    strip.save()
    assert strip_of_wren().cut_off == place and dict(strip_of_wren().cuts)[place] is True


def test_a_strip_is_drawn_to_scale_and_an_opening_where_it_falls(printing: Caller, clock: HeldClock) -> None:
    scale = scale_of(WREN)
    assert scale.height == TALLEST
    # A millimetre along is a millimetre across: the roll is 50 mm wide, a column a third of a millimetre.
    assert scale.per_column == pytest.approx(TALLEST / 50 / 3)
    (context,) = machine_contexts(Machine.objects.all(), wiring.now())
    strip = strip_of_wren()
    drawn = drawn_strip("wren-1", strip, scale, context.at_venue, None)
    # This paper moves right: the head stands at the left, the knife 20 mm to its right, what is to come beyond.
    assert drawn.head == WIDTH - BEHIND
    assert drawn.knife == pytest.approx(drawn.head + 20 * TALLEST / 50, abs=0.2)
    assert drawn.to_come.x + drawn.to_come.width == pytest.approx(drawn.head)
    assert [one.text for one in drawn.above] == ["First night, Sat 19:00", "missing"]
    hours = (datetime(2026, 3, 21, 19, 0, tzinfo=UTC) - clock.at).total_seconds() / 3600
    (opening,) = drawn.openings
    assert opening == pytest.approx(drawn.head - hours * 15 * scale.per_column, abs=2 * scale.per_column)


def test_a_long_way_to_the_knife_makes_the_strip_lower_and_no_longer() -> None:
    far = Profile.from_json(changed(PROFILE, "profile.knife.head_to_knife_mm", 400.0)["profile"])
    scale = scale_of(far)
    assert scale.height < TALLEST
    assert 400.0 * scale.height / far.media.width_mm < BEHIND


def test_what_needs_a_person_is_first_in_words_and_by_names(printing: Caller, clock: HeldClock) -> None:
    assert "its knife is disarmed: strips are left hanging on to each other" in page()
    at = clock.at.isoformat()
    printing.post("node/reports", {"epoch": 1, "entries": [{"kind": "knife-armed", "seq": 7, "at": at}]})
    assert "No machine needs a person" in page()
    printing.post("node/reports", {"epoch": 1, "entries": [{"kind": "node-stopped", "seq": 8, "at": at}]})
    shown = page()
    assert "One machine needs a person" in shown
    needs = shown[shown.index('class="needs"') : shown.index('class="world"')]
    assert "<strong>Wren 1</strong> its board was ended in order" in needs
    assert "/venues/quay/today" in needs and "wren-1</strong>" not in needs


def test_a_machine_that_was_never_heard_is_named_in_the_words_of_its_notice(
    furnished: Caller, clock: HeldClock
) -> None:
    clock.at += timedelta(hours=12)
    jobs.watch()
    (need,) = overview(wiring.now()).wall.needs
    assert need.is_open and need.said[0].what.startswith("a run is due on it since")


def test_from_five_machines_on_each_is_a_line_and_they_can_be_chosen(printing: Caller, furnished: Caller) -> None:
    add_machines(furnished, 4)
    assert 'class="strip"' in page() and 'class="line' not in page()
    furnished.create("machines", MACHINE | {"id": "wren-5", "name": "Wren 5"})
    shown = page()
    assert shown.count('<li class="line') == 5 and 'class="strip"' not in shown
    assert page("/?show=printing").count('<li class="line') == 1
    assert page("/overview?show=standing").count('<li class="line') == 4
    assert page("/?show=need&venue=quay").count('<li class="line') == 1
    assert 'data-address="/overview?show=printing"' in page("/?show=printing")
    assert page("/?show=nonsense&venue=nowhere").count('<li class="line') == 5


def test_names_are_put_in_order_as_people_count() -> None:
    names = ["Wren 10", "wren 9", "Owl", "Wren 9b", "Owl 2 of 3"]
    assert sorted(names, key=as_counted) == ["Owl", "Owl 2 of 3", "wren 9", "Wren 9b", "Wren 10"]


def test_a_hundred_machines_are_less_than_three_hundred_kilobytes(printing: Caller, furnished: Caller) -> None:
    add_machines(furnished, 6)
    of_six = len(page().encode())
    for one in range(7, 13):
        furnished.create("machines", MACHINE | {"id": f"wren-{one}", "name": f"Wren {one}"})
        furnished.create("runs", RUN | {"id": f"spring-{one}", "machine": f"wren-{one}", "begins_in_the_past": True})
    while jobs.extend():
        pass
    each = (len(page().encode()) - of_six) / 6
    assert of_six + 94 * each < 300_000


def test_a_strips_picture_is_asked_for_once_and_the_next_report_s_is_another(printing: Caller) -> None:
    (address,) = re.findall(r'href="(/machines/wren-1/strip.png\?v=\d+)"', page())
    response = Client().get(address)
    assert response["Content-Type"] == "image/png" and "max-age" in response["Cache-Control"]
    assert Client().get(address, HTTP_IF_NONE_MATCH=response["ETag"]).status_code == 304
    assert "no-cache" in Client().get("/machines/wren-1/strip.png?v=1")["Cache-Control"]
    assert Client().get("/machines/nobody/slip.png").status_code == 404


@pytest.mark.parametrize(
    "at",
    [
        datetime(2026, 3, 20, 14, 46, tzinfo=UTC),  # an equinox: the edge runs along meridians
        datetime(2026, 6, 21, 3, 0, tzinfo=UTC),
        datetime(2026, 10, 4, 21, 0, tzinfo=UTC),
        datetime(2026, 12, 21, 12, 0, tzinfo=UTC),
    ],
)
def test_it_is_night_on_the_map_where_the_sun_is_down(at: datetime) -> None:
    latitude, longitude = subsolar_degrees(at)
    drawn = Image.new("L", (1001, HEIGHT + 1))
    for outline in world_map(at, [], []).shades[0].split("M")[1:]:
        points = [tuple(map(float, point.split())) for point in outline.rstrip("z").split("L")]
        ImageDraw.Draw(drawn).polygon(points, fill=1)  # type: ignore[arg-type]  # pairs of numbers
    x, y = np.meshgrid(np.arange(5, 1000, 10), np.arange(5, HEIGHT, 10))
    there, east = np.radians(NORTH - y / HEIGHT * (NORTH - SOUTH)), np.radians(x * 0.36 - 180 - longitude)
    sun = np.radians(latitude)
    altitude = np.degrees(np.arcsin(np.sin(there) * np.sin(sun) + np.cos(there) * np.cos(sun) * np.cos(east)))
    is_sure = np.abs(altitude + 50 / 60) > 1.5
    assert np.array_equal(np.asarray(drawn)[y, x][is_sure] == 1, (altitude < -50 / 60)[is_sure])


def test_the_land_is_a_path_of_some_kilobytes() -> None:
    assert re.fullmatch(r"[Ml z\d-]+", land_path())
    assert 10_000 < len(land_path()) < 30_000


def test_land_over_the_date_line_is_at_both_edges_and_no_band_between_them() -> None:
    outlines = re.findall(r"M(-?\d+) -?\d+l([^z]+)z", land_path())
    assert len(outlines) > 100
    steps = [int(number) for _, outline in outlines for number in re.findall(r"-?\d+", outline)[::2]]
    assert max(map(abs, steps)) < 200, "of 2000 from edge to edge"
    reached = [
        np.cumsum([int(first), *map(int, re.findall(r"-?\d+", outline)[::2])]).tolist() for first, outline in outlines
    ]
    # Chukotka and Wrangel Island are east and west of it.
    assert any(max(x) > 2000 for x in reached) and any(min(x) < 0 for x in reached)


def test_the_map_names_venues_clocks_and_what_is_under_a_head(printing: Caller) -> None:
    world = overview(wiring.now()).world
    assert [(one.name, bool(one.anchor)) for one in world.places] == [("Quay House", True), ("The Boat Shed", True)]
    (meridian,) = world.meridians
    assert meridian.text.startswith("Wren 1: the mean Sun over")


def test_marks_of_time_are_those_of_the_clock_on_the_wall() -> None:
    lisbon = zone("Europe/Lisbon")
    begins = datetime(2026, 10, 24, 18, 0, tzinfo=UTC)
    marks = time_marks(begins, begins + timedelta(hours=24), lisbon, 10)
    # Clocks go back in that night: between 00:00 and 03:00 are four hours.
    assert [one.text for one in marks] == ["21:00", "Sun 25", "03:00", "06:00", "09:00", "12:00", "15:00"]
    assert marks[2].at - marks[1].at == timedelta(hours=4)
    year = time_marks(begins, begins + timedelta(days=360), lisbon, 13)
    assert [one.text for one in year][:4] == ["Nov", "Dec", "Jan 2027", "Feb"]
