"""Reading the tables of the US Naval Observatory; see data/README.md for where they come from."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

DATA = Path(__file__).parent / "data"
EST = timezone(timedelta(hours=-5))  # what the tables are printed in, all year
ALASKA_DAYLIGHT = timezone(timedelta(hours=-8))
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def lines(name: str) -> list[str]:
    """The lines of a table."""
    return (DATA / "usno" / name).read_text(encoding="utf-8").splitlines()


def month(name: str) -> int:
    """The number of a month from its name, long or short."""
    return _MONTHS.index(name[:3]) + 1


@dataclass(frozen=True)
class Position:
    """A line of a table of positions: angles in degrees, distance in the table's unit, equation of time in seconds."""

    at_ut1: datetime
    right_ascension: float
    declination: float
    distance: float
    equation_of_time_s: float | None


def positions(name: str) -> list[Position]:
    """A table of apparent positions."""
    return [_position(line) for line in lines(name) if re.match(r"\d{4} \w{3} \d\d 00:00:00.0", line)]


def _position(line: str) -> Position:
    year, name, day, _, hours, minutes, seconds, rest = line.split(maxsplit=7)
    sign, degrees, arc_minutes, arc_seconds, distance, *equation = re.sub(r"([+-])", r" \1 ", rest).split()
    return Position(
        at_ut1=datetime(int(year), month(name), int(day), tzinfo=UTC),
        right_ascension=15.0 * (int(hours) + int(minutes) / 60 + float(seconds) / 3600),
        declination=float(f"{sign}1") * (int(degrees) + int(arc_minutes) / 60 + float(arc_seconds) / 3600),
        distance=float(distance),
        equation_of_time_s=_equation(equation) if equation else None,
    )


def _equation(fields: list[str]) -> float:
    sign, minutes, seconds = fields
    return float(f"{sign}1") * (60 * int(minutes) + float(seconds))


def rise_and_set(name: str, year: int) -> Iterator[tuple[str, datetime]]:
    """("rise" or "set", instant in Eastern Standard Time) of a table of a year; absent ones are left out."""
    for line in lines(name):
        if not re.match(r"\d\d  ", line):
            continue
        for index in range(12):
            column = line[4 + 11 * index : 13 + 11 * index].ljust(9)
            for kind, text in (("rise", column[:4]), ("set", column[5:9])):
                if text.strip():
                    yield kind, datetime(year, index + 1, int(line[:2]), int(text[:2]), int(text[2:]), tzinfo=EST)


@dataclass(frozen=True)
class MoonDay:
    """A day at Fairbanks: local times of rise, upper transit, set and lower transit, the altitude of the transits."""

    day: date
    rise: datetime | None
    transit: datetime | None
    transit_altitude: int | None
    set: datetime | None
    lower_transit: datetime | None
    lower_altitude: int | None


def moon_days() -> list[MoonDay]:
    """The table of rise, transit and set of the Moon at Fairbanks."""
    return [_moon_day(line) for line in lines("risettran_moon.txt") if re.match(r"2006 ", line)]


def _moon_day(line: str) -> MoonDay:
    day = date(int(line[:4]), month(line[5:8]), int(line[9:11]))

    def at(column: int) -> datetime | None:
        text = line[column : column + 5].strip()
        if not re.fullmatch(r"\d\d:\d\d", text):
            return None
        return datetime.fromisoformat(f"{day}T{text}").replace(tzinfo=ALASKA_DAYLIGHT)

    def altitude(column: int) -> int | None:
        text = line[column : column + 3].strip(" NS")
        return int(text) if text.isdigit() else None

    return MoonDay(day, at(25), at(42), altitude(48), at(59), at(76), altitude(82))


def moon_phases() -> list[tuple[str, datetime]]:
    """(kind, instant) of the phases of 1980, column by column of the table."""
    kinds = ("new-moon", "first-quarter", "full-moon", "last-quarter")
    found = []
    for line in lines("moon_phases.txt"):
        for kind, start in zip(kinds, (4, 20, 36, 52), strict=True):
            match = re.match(r"(\w{3}) +(\d+) +(\d+) (\d\d)", line[start : start + 12])
            if match:
                name, *numbers = match.groups()
                found.append((kind, datetime(1980, month(name), *map(int, numbers), tzinfo=UTC)))  # type: ignore[arg-type]
    return sorted(found, key=lambda phase: phase[1])


def seasons() -> Iterator[tuple[str, datetime]]:
    """(kind, instant) of equinoxes and solstices to the minute, of perihelia and aphelia to the hour, 2000 to 2020."""
    names = {"Perihelion": ("perihelion", "march-equinox", "september-equinox")}
    names["Aphelion"] = ("aphelion", "june-solstice", "december-solstice")
    year = 0
    for line in lines("seasons.txt"):
        fields = line.split()
        if len(fields) == 2:
            year = int(fields[0])
        elif fields and fields[0] in names:
            texts = (fields[1:4], fields[5:9], fields[9:13])
            for kind, (name, *numbers) in zip(names[fields[0]], texts, strict=True):
                yield kind, datetime(year, month(name), *map(int, numbers), tzinfo=UTC)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Eclipse:
    """An eclipse of the Moon from NASA's catalogue; half lengths of its phases in minutes."""

    greatest: datetime
    type: str
    penumbral_magnitude: float
    umbral_magnitude: float
    half_partial_min: int | None
    half_total_min: int | None


def lunar_eclipses() -> list[Eclipse]:
    """The catalogue's eclipses of 2001 to 2026."""
    text = (DATA / "lunar_eclipses.txt").read_text(encoding="utf-8")
    return [_eclipse(line.split()) for line in text.splitlines()]


def _eclipse(fields: list[str]) -> Eclipse:
    year, name, day, time, kind, penumbral, umbral, half_partial, half_total = fields
    hour, minute = map(int, time.split(":"))
    types = {"T": "total", "P": "partial", "N": "penumbral"}
    return Eclipse(
        datetime(int(year), month(name), int(day), hour, minute, tzinfo=UTC),
        types[kind[0]],
        float(penumbral),
        float(umbral),
        None if half_partial == "-" else int(half_partial[:-1]),
        None if half_total == "-" else int(half_total[:-1]),
    )
