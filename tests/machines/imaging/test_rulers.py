"""Rulers: marks at round numbers, in their place."""

from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.imaging.pictures import LandPicture, Sheet
from machines.imaging.rulers import longitude_ruler, mm_ruler, right_ascension_ruler, time_ruler
from machines.model.profile import CarriageHead, Media, Profile

PROFILE = Profile(
    name="bench",
    columns_per_turn=7200,
    mm_per_turn=720.0,
    dots_across=2000,
    print_width_mm=200.0,
    highest_mm_per_hour=100.0,
    head=CarriageHead(nozzles=12, passes=3, drop_pl=10.0),
    media=Media(width_mm=210.0, caliper_mm=0.105, roll_m=50.0),
)


def test_millimetres_count_from_the_first_column() -> None:
    ruler = mm_ruler(PROFILE, 1000, 3000)
    assert ruler.title == "mm"
    assert [mark.text for mark in ruler.marks][:3] == ["0", "20", "40"]
    assert [mark.column for mark in ruler.marks][:3] == pytest.approx([1000, 1200, 1400])
    assert ruler.marks[-1].text == "200"


def test_longitude_over_a_whole_turn_and_into_the_next() -> None:
    marks = {mark.column: mark.text for mark in longitude_ruler(PROFILE, 7200, 14700).marks}
    assert marks[7200] == "180°"
    assert marks[7200 + 1800] == "90° E"
    assert marks[7200 + 3600] == "0°"
    assert marks[7200 + 5400] == "90° W"
    assert marks[14400] == "180°"


@pytest.mark.parametrize(
    ("centre", "texts"),
    [
        (90.0, {0: "90° W", 1800: "180°", 3600: "90° E", 5400: "0°"}),
        (-150.0, {0: "30° E", 600: "0°", 1200: "30° W", 4200: "180°", 4800: "150° E"}),
        (360.0, {0: "180°", 1800: "90° E", 3600: "0°", 5400: "90° W"}),
        # Round longitudes stand off the ends of the turn: 37.5 degrees E is 217.5 at phase 0, which is 142.5 W.
        (37.5, {150: "150° W", 750: "180°", 4350: "0°", 3750: "30° E"}),
    ],
)
def test_longitude_of_a_map_with_another_centre(centre: float, texts: dict[int, str]) -> None:
    marks = {mark.column: mark.text for mark in longitude_ruler(PROFILE, 0, 7200, 16, centre).marks}
    assert {column: marks[column] for column in texts} == texts


@given(centre=st.floats(-360.0, 360.0), first=st.integers(-20_000, 20_000))
def test_longitude_stands_where_the_map_has_it(centre: float, first: int) -> None:
    picture = LandPicture(central_meridian_degrees=centre)
    sheet = Sheet(columns=7200, rows=2000, width_mm=720.0, height_mm=200.0)
    for mark in longitude_ruler(PROFILE, first, first + 7200, 16, centre).marks:
        number, _, side = mark.text.partition("°")
        longitude = float(number) * (-1.0 if side.strip() == "W" else 1.0)
        off = (picture.longitudes(np.array([mark.column]), sheet)[0] - longitude + 180.0) % 360.0 - 180.0
        assert abs(off) < 1e-6


def test_right_ascension_in_hours() -> None:
    marks = {mark.column: mark.text for mark in right_ascension_ruler(PROFILE, 0, 7200).marks}
    assert [marks[hour * 300] for hour in (0, 6, 12, 18)] == ["0h", "6h", "12h", "18h"]


def instants_of_a_day(start: datetime) -> np.ndarray:
    return start.timestamp() + np.arange(7201) * 12.0


@pytest.mark.parametrize("zone", ["UTC", "America/St_Johns", "Pacific/Chatham", "Europe/Lisbon"])
def test_time_stands_at_round_hours_of_the_zone(zone: str) -> None:
    place = ZoneInfo(zone)
    instants = instants_of_a_day(datetime(2026, 9, 22, 3, 17, tzinfo=ZoneInfo("UTC")))
    ruler = time_ruler(instants, 50, place)
    assert ruler.title == zone
    assert len(ruler.marks) == 12
    for mark in ruler.marks:
        local = datetime.fromtimestamp(float(np.interp(mark.column - 50, np.arange(7201), instants)), place)
        local = local.replace(microsecond=0)
        assert (local.minute, local.second, local.hour % 2) == (0, 0, 0)
        assert mark.text == (f"{local:%d %b}" if local.hour == 0 else f"{local:%H:%M}")


def test_over_the_end_of_summer_time_every_even_hour_still_has_its_mark() -> None:
    """Lisbon goes from 2:00 back to 1:00 on 25 October 2026: marks stay at even hours, three hours apart for once."""
    instants = instants_of_a_day(datetime(2026, 10, 24, 21, tzinfo=ZoneInfo("UTC")))
    ruler = time_ruler(instants, 0, ZoneInfo("Europe/Lisbon"))
    assert [mark.text for mark in ruler.marks][:5] == ["22:00", "25 Oct", "02:00", "04:00", "06:00"]
    assert np.diff([mark.column for mark in ruler.marks])[:4] / 300 == pytest.approx([2, 3, 2, 2])


def test_without_a_zone_it_is_utc() -> None:
    ruler = time_ruler(instants_of_a_day(datetime(2026, 1, 1, tzinfo=ZoneInfo("UTC"))), 0)
    assert ruler.title == "UTC"
    assert ruler.marks[0].text == "01 Jan"


@settings(deadline=None, max_examples=30)
@given(first=st.integers(-(10**6), 10**6), columns=st.integers(2, 20_000), seconds=st.floats(1.0, 3e7))
def test_no_ruler_is_crowded_and_every_mark_is_on_it(first: int, columns: int, seconds: float) -> None:
    end = first + columns
    instants = 1.79e9 + np.linspace(0.0, seconds, columns + 1)
    for ruler in (
        mm_ruler(PROFILE, first, end),
        longitude_ruler(PROFILE, first, end),
        right_ascension_ruler(PROFILE, first, end),
        time_ruler(instants, first),
    ):
        assert len(ruler.marks) <= 24
        assert all(first <= mark.column <= end + 1e-6 for mark in ruler.marks)
