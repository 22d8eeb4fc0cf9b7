"""Which place a visitor asks about: as its address says, in numbers or by a name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from urllib.parse import urlencode

from django.utils.translation import get_language
from django.utils.translation import gettext as _

from machines.errors import InputError
from scheduling.paper.next_passage import PassageQuery
from server.console import formatting
from server.console.place_search import Question, read

LONGEST_PLACE = 80


@dataclass(frozen=True)
class PlaceAsked:
    """What an address asks for.

    Attributes:
        place: as somebody wrote it.
        which: GeoNames' number of the town, where several have this name; empty where none was chosen.
        day: the date of the times that are wanted; empty for none.
        zone: by which the reader's own clock goes; empty for none.
    """

    place: str = ""
    which: str = ""
    day: str = ""
    zone: str = ""

    @property
    def query(self) -> str:
        """As an address has it; empty where it asks for nothing."""
        return urlencode({name: value for name, value in vars(self).items() if value})


@dataclass(frozen=True)
class Match:
    """A town that may be meant: how it is called, and the part of the address that asks about it."""

    said: str
    query: str


@dataclass(frozen=True)
class Where:
    """The place that is asked about.

    Attributes:
        query: None where it is not known.
        said: in words; empty where it is not known.
        longitude: degrees, of a place on a map; None where there is none.
        is_named: whether it was found by its name.
        matches: towns of which one may be meant, where nobody said which.
        more: how many others there are.
        problem: why what was asked for cannot be read; empty where it can.
    """

    query: PassageQuery | None = None
    said: str = ""
    longitude: float | None = None
    is_named: bool = False
    matches: tuple[Match, ...] = ()
    more: int = 0
    problem: str = ""


def place_asked(get: Mapping[str, str], zone: str) -> PlaceAsked:
    """What an address asks for, by a reader whose clock is known."""
    place, which, day = (get.get(name, "").strip()[:LONGEST_PLACE] for name in ("place", "which", "day"))
    return PlaceAsked(place, which, day, zone)


def where_asked(question: Question, asked: PlaceAsked) -> Where:
    """The place that somebody named, or the venue's own where nobody named one."""
    if not asked.place:
        if not question.ours:
            return Where()
        found = _read(question, question.ours)
        return replace(found, said=_("Here, {place},").format(place=found.said))
    try:
        return _read(question, asked.place)
    except InputError as error:
        is_number = any(letter.isdecimal() for letter in asked.place)
        if question.by_name and not (is_number or len(asked.place) == LONGEST_PLACE):
            return _named(asked)
        return Where(problem=f"{error.problem}. {error.remedy}")


def _read(question: Question, text: str) -> Where:
    query, said = read(question, text)
    return Where(query, said, query.longitude)


def _named(asked: PlaceAsked) -> Where:
    # Two libraries and their data, which are only read where somebody asks by a name.
    from server.console.place_names import MOST_MATCHES, in_words, towns_called

    language = get_language() or "en"
    found = towns_called(asked.place, language)
    chosen = [one for one in found if str(one.id) == asked.which] or found
    called = {one: f"{in_words(one, language)}, {formatting.longitude(one.longitude_degrees)}" for one in chosen}
    if len(chosen) == 1:
        (town, said), *_none = called.items()
        return replace(_at(town.longitude_degrees, f"{said},"), is_named=True)
    if not found:
        problem = _("No town called “{text}” is known here. Name a larger one nearby, touch the map, or give degrees.")
        return Where(problem=problem.format(text=asked.place[:40]))
    matches = tuple(Match(said, replace(asked, which=str(town.id)).query) for town, said in called.items())
    return Where(matches=matches[:MOST_MATCHES], more=max(len(matches) - MOST_MATCHES, 0), is_named=True)


def _at(longitude: float, said: str) -> Where:
    return Where(PassageQuery(longitude=longitude), said, longitude)
