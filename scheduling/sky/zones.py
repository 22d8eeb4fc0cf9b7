"""The zone database in use: the tzdata package, whatever the system has.

A system's database may be years old while laws on clocks change every year; two machines would then disagree
about when a gallery opens. So the package is read directly, and its version can be asked for and shown.
"""

from __future__ import annotations

from functools import cache
from importlib import resources
from zoneinfo import ZoneInfo

import tzdata

from machines.errors import InputError


class ZoneError(InputError):
    """A name that is no time zone in the IANA database; ``field`` is "zone"."""


def zone_version() -> str:
    """The release of the IANA time zone database in use, such as 2026a."""
    return str(tzdata.IANA_VERSION)


@cache
def zone_names() -> frozenset[str]:
    """Every zone name that the database knows."""
    return frozenset(resources.files("tzdata").joinpath("zones").read_text(encoding="utf-8").split())


@cache
def zones_of_countries() -> tuple[str, ...]:
    """The zones by which some country's clocks go today, in order of their names; those that a clock may be by are
    more."""
    rows = (line.split("\t") for line in zone_table().splitlines() if not line.startswith("#"))
    return tuple(sorted({row[2] for row in rows}))


def zone_table() -> str:
    """The database's own table of countries, places and zones."""
    return resources.files("tzdata").joinpath("zoneinfo", "zone.tab").read_text(encoding="utf-8")


@cache
def zone(name: str) -> ZoneInfo:
    """The time zone of an IANA name such as Europe/Lisbon; raises :class:`ZoneError` for any other."""
    if name not in zone_names():
        raise ZoneError(
            "zone", f"{name!r} is no time zone of the IANA database {zone_version()}", "give one like Europe/Lisbon"
        )
    with resources.files("tzdata").joinpath("zoneinfo", *name.split("/")).open("rb") as file:
        return ZoneInfo.from_file(file, key=name)
