"""`dayroll when`: when a place is laid, at the knife and cut off, in words or as JSON, or what is wrong with it."""

from __future__ import annotations

import io
import json

import pytest
from django.core.management import CommandError, call_command

from tests.server.studio import Caller

pytestmark = pytest.mark.usefixtures("furnished")


def when(*arguments: object) -> str:
    out = io.StringIO()
    call_command("when", *map(str, arguments), stdout=out)
    return out.getvalue()


def test_it_is_told_by_the_venues_clock_and_by_others() -> None:
    """What `machines/{id}/passages` tells; Greenwich time there in March, and Tokyo nine hours ahead."""
    told = when("wren-1", "--longitude=-9.1", "--days", 2, "--zone", "Asia/Tokyo").splitlines()
    assert told[0] == "wren-1, longitude -9.1 on the map"
    assert told[1].startswith("Europe/Lisbon: laid between 12:36 and 12:40 on 2026-03-20; at the knife between ")
    assert told[2].startswith("Asia/Tokyo: laid between 21:36 and 21:40 on 2026-03-20; at the knife between ")
    assert told[3].startswith("Europe/Lisbon: laid between 12:36 and 12:40 on 2026-03-21")
    assert told[-1].startswith("This is the plan")


def test_a_town_is_where_its_longitude_is(furnished: Caller) -> None:
    told = json.loads(when("wren-1", "--town", "Hobart, Australia", "--days", 1, "--json"))
    (one,) = told["passages"]
    # Hobart lies at 147.3 degrees east (GeoNames), 9 h 49 min before Greenwich.
    assert one["passage"]["longitude"] == pytest.approx(147.3, abs=0.1)
    same = furnished.get(f"machines/wren-1/passages?longitude={one['passage']['longitude']}&until=2026-03-21T06:00:00Z")
    assert same.json() == told


def test_before_the_first_and_after_the_last_nothing_is_laid() -> None:
    assert when("wren-1", "--phase", 0.5, "--from", "2027-03-20T12:00:00Z") == "No run that is planned lays it then.\n"


def test_what_lies_there_at_an_instant_is_told_by_each_clock(furnished: Caller) -> None:
    """Ten hours after the run began: four minutes a column, and Greenwich at noon under the mean Sun."""
    at = "2026-03-20T22:01:00Z"
    lines = when("wren-1", "--at", at, "--zone", "Asia/Tokyo").splitlines()
    assert lines[0] == "wren-1 at 2026-03-20 22:01, Europe/Lisbon"
    assert lines[1] == (
        "  Under the head: longitude 150.0° W to 151.0° W on the map, due between 22:00 and 22:04 on 2026-03-20."
    )
    other = lines.index("wren-1 at 2026-03-21 07:01, Asia/Tokyo")
    assert lines[other + 1].endswith("due between 07:00 and 07:04 on 2026-03-21.")
    assert lines[-1].startswith("This is the plan")
    told = json.loads(when("wren-1", "--at", at, "--json"))
    assert told == furnished.get(f"machines/wren-1/at?time={at}").json()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("nobody", "--phase", 0.5), "there is no machine 'nobody'"),
        (("wren-1", "--phase", 2), "phase: 2"),
        (("wren-1", "--longitude", 400), "400 degrees"),
        (("wren-1", "--phase", 0.5, "--days", 0), "--days 0: give 1 to 400"),
        (("wren-1", "--phase", 0.5, "--zone", "Mars/Olympus"), "no time zone"),
        (("wren-1", "--phase", 0.5, "--from", "noon"), "from: "),
        (("wren-1", "--phase", 0.5, "--from", "9999-12-31T00:00:00Z"), "the calendar ends before that"),
        (("wren-1", "--at", "noon"), "at: "),
        (("wren-1", "--at", "2999-01-01T00:00:00Z"), "at: more than a century from now"),
        (("wren-1", "--at", "2026-03-20T22:01:00Z", "--days", 7), "leave --from and --days out"),
        (("wren-1", "--at", "2026-03-20T22:01:00Z", "--from", "2026-03-20T22:01:00Z"), "leave --from and --days out"),
        (("wren-1", "--town", "San Jose"), "several towns may be meant: "),
        (("wren-1", "--town", "Nowhereville"), "give its --longitude"),
    ],
)
def test_what_is_wrong_is_said(arguments: tuple[object, ...], said: str) -> None:
    with pytest.raises(CommandError, match=said.replace("(", r"\(")):
        when(*arguments)
