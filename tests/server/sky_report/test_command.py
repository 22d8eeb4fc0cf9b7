"""`dayroll sky`."""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from scheduling.log.models import Venue

LISBON = ("--place", "38.72,-9.14,20", "--zone", "Europe/Lisbon")


def run(*arguments: str) -> str:
    out = StringIO()
    call_command("sky", *arguments, stdout=out)
    return out.getvalue()


def test_a_table_of_days() -> None:
    table = run(*LISBON, "--from", "2026-10-24", "--to", "2026-10-26")
    assert "38.7200°N 9.1400°W, elevation 20 m; Europe/Lisbon" in table
    assert [line.split()[1].rstrip(",") for line in table.splitlines() if "day 2026" in line] == [
        "2026-10-24",
        "2026-10-25",
        "2026-10-26",
    ]


def test_one_day_unless_told_until_when() -> None:
    assert len(json.loads(run(*LISBON, "--from", "2026-10-24", "--json"))["days"]) == 1


def test_a_place_in_the_south_west() -> None:
    data = json.loads(run("--place=-43.95,-176.55", "--zone", "Pacific/Chatham", "--from", "2026-10-24", "--json"))
    assert data["place"] == {"latitude": -43.95, "longitude": -176.55, "elevation_m": 0.0}


@pytest.mark.parametrize(("name", "start"), [("year.svg", b"<svg"), ("year.PNG", b"\x89PNG")])
def test_a_picture_of_a_year(tmp_path: Path, name: str, start: bytes) -> None:
    path = tmp_path / name
    assert run(*LISBON, "--picture", str(path), "--year", "2026").strip() == str(path)
    assert path.read_bytes().startswith(start)


@pytest.mark.django_db
def test_a_venue(tmp_path: Path) -> None:
    Venue.objects.create(
        id="harbour-hall",
        name="Harbour Hall",
        latitude_degrees=47.57,
        longitude_degrees=-52.71,
        elevation_m=12.0,
        zone="America/St_Johns",
    )
    data = json.loads(run("--venue", "harbour-hall", "--from", "2026-10-24", "--json"))
    assert data["zone"] == "America/St_Johns"
    assert data["place"] == {"latitude": 47.57, "longitude": -52.71, "elevation_m": 12.0}
    path = tmp_path / "year.svg"
    run("--venue", "harbour-hall", "--picture", str(path), "--year", "2026")
    assert "Harbour Hall, 2026" in path.read_text(encoding="utf-8")
    with pytest.raises(CommandError, match="there are: harbour-hall"):
        run("--venue", "town-hall", "--from", "2026-10-24")
    with pytest.raises(CommandError, match="its own zone"):
        run("--venue", "harbour-hall", "--zone", "Europe/Lisbon", "--from", "2026-10-24")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--place", "38.72,-9.14", "--from", "2026-10-24"), "--zone"),
        (LISBON, "--from 2026-10-24"),
        ((*LISBON, "--from", "2026-10-24", "--to", "2026-10-23"), "give 1 to"),
        ((*LISBON, "--from", "2060-10-24"), "1899-07-31 to 2053-10-05"),
        ((*LISBON, "--picture", "year.gif", "--year", "2026"), "neither .svg nor .png"),
        ((*LISBON, "--picture", "year.svg"), "--year 2026"),
        (("--place", "91,0", "--zone", "Europe/Lisbon", "--from", "2026-10-24"), "latitude"),
        (("--place", "1,2", "--zone", "Lisbon", "--from", "2026-10-24"), "Europe/Lisbon"),
        (("--place", "here", "--zone", "Europe/Lisbon", "--from", "2026-10-24"), "is no place"),
        ((*LISBON, "--from", "24 October"), "is no date"),
        (("--from", "2026-10-24"), "--venue"),
    ],
)
def test_what_it_cannot_do_it_says_in_one_line(arguments: tuple[str, ...], says: str) -> None:
    with pytest.raises(CommandError, match=says):
        run(*arguments)
