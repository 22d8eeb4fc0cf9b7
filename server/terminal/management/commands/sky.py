"""`dayroll sky`: what the sky does at a place or venue, as a table, as JSON, or as a picture of a year."""

from __future__ import annotations

import json
from argparse import ArgumentParser, ArgumentTypeError
from datetime import date
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import CommandError

from scheduling.log.models import Venue
from scheduling.sky.anchors import FIRST_YEAR, LAST_YEAR
from scheduling.sky.places import Place
from scheduling.sky.zones import zone
from server.sky_report.table import as_json, as_table, listing
from server.sky_report.year_chart import year_png, year_svg
from server.sky_report.year_of_light import light_year
from server.terminal_command import TerminalCommand

_PAINTERS = {".svg": year_svg, ".png": year_png}


class Command(TerminalCommand):
    help = "List the events of the sky and the turns of its cycles at a place or venue, or draw a year of its light."
    example = "sky --venue quay --from 2027-03-20 --to 2027-03-22"

    def add_arguments(self, parser: ArgumentParser) -> None:
        where = parser.add_mutually_exclusive_group(required=True)
        where.add_argument("--venue", metavar="ID", help="a venue of the studio")
        where.add_argument(
            "--place",
            type=_coordinates,
            metavar="LAT,LON[,M]",
            help="degrees, north and east positive, and metres: --place=-43.95,-176.55",
        )
        parser.add_argument("--zone", help="time zone of the place, such as Europe/Lisbon (a venue has its own)")
        parser.add_argument("--from", dest="first", type=_date, metavar="DATE", help="first local date to list")
        parser.add_argument("--to", dest="last", type=_date, metavar="DATE", help="last one (default: the first)")
        parser.add_argument("--json", action="store_true", help="print JSON")
        parser.add_argument("--picture", type=Path, metavar="FILE", help="draw a year instead: .svg or .png")
        parser.add_argument("--year", type=int, help="the year to draw")

    def handle(self, *args: Any, **options: Any) -> None:
        name, place, there = _where(options)
        if options["picture"]:
            self._draw(name, place, there, options["year"], options["picture"])
        else:
            self._list(place, there, options)

    def _list(self, place: Place, there: ZoneInfo, options: dict[str, Any]) -> None:
        if options["first"] is None:
            raise CommandError("say from which date: --from 2026-10-24")
        listed = listing(place, there, options["first"], options["last"] or options["first"])
        self.stdout.write(json.dumps(as_json(listed), indent=2) if options["json"] else as_table(listed))

    def _draw(self, name: str, place: Place, there: ZoneInfo, year: int | None, path: Path) -> None:
        painter = _PAINTERS.get(path.suffix.lower())
        if painter is None:
            raise CommandError(f"{path.name} is neither .svg nor .png")
        if year is None or not FIRST_YEAR <= year <= LAST_YEAR:
            raise CommandError(f"say which year, from {FIRST_YEAR} to {LAST_YEAR}: --year 2026")
        path.write_bytes(painter(light_year(place, there, year), name))
        self.stdout.write(f"{path}")


def _where(options: dict[str, Any]) -> tuple[str, Place, ZoneInfo]:
    """The name, place and zone meant."""
    if options["venue"] is None:
        if options["zone"] is None:
            raise CommandError("say in whose time: --zone Europe/Lisbon")
        place = Place(*options["place"])
        return str(place), place, zone(options["zone"])
    if options["zone"] is not None:
        raise CommandError("a venue has its own zone: leave out --zone")
    venue = Venue.objects.filter(id=options["venue"]).first()
    if venue is None:
        known = ", ".join(Venue.objects.order_by("id").values_list("id", flat=True)) or "none yet"
        raise CommandError(f"there is no venue {options['venue']!r}; there are: {known}")
    place = Place(venue.latitude_degrees, venue.longitude_degrees, venue.elevation_m)
    return venue.name, place, zone(venue.zone)


def _coordinates(text: str) -> tuple[float, ...]:
    try:
        numbers = tuple(float(part) for part in text.split(","))
    except ValueError:
        numbers = ()
    if len(numbers) not in (2, 3):
        raise ArgumentTypeError(f"{text!r} is no place: give latitude,longitude or latitude,longitude,metres")
    return numbers


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ArgumentTypeError(f"{text!r} is no date: give one like 2026-10-24") from None
