"""A visitor's question, "when will this place be printed?": how it is asked of a picture, and how a place is read that
somebody wrote in numbers."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from django.utils.translation import gettext as _

from machines.errors import InputError
from machines.imaging.pictures import DaylightMap, LandPicture, Picture, StarBelt, from_json
from machines.operator.language import marked
from scheduling.log.models import Venue
from scheduling.paper.next_passage import PassageQuery, place_naming, runs_not_over, shows_places
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.run_versions import run_source
from server.console import formatting

# Degrees, with minutes and seconds of arc where somebody has them, and the half of the world after it.
NUMBER = r"[0-9]{1,3}(?:[.,][0-9]{0,9})?"
LONGITUDE = re.compile(
    rf"(?P<sign>[+-]?)(?P<degrees>{NUMBER})[°º]?(?:(?P<minutes>{NUMBER})')?(?:(?P<seconds>{NUMBER})\")?(?P<half>[EW]?)"
)
HOURS = re.compile(rf"(?P<hours>{NUMBER})(?:[H:](?:(?P<minutes>[0-9]{{1,2}})(?:M|MIN)?)?)?")
SHARE = re.compile(rf"(?P<share>{NUMBER})%?")
DEGREES = marked("Degrees, such as 52.7 W or 18° 30' E. A number alone is east, below zero west.")
TOWN_OR_DEGREES = marked(
    "A town, such as Lisbon; or degrees, such as 52.7 W or 18° 30' E, where a number alone is east, below zero west."
)
SAME = str.maketrans({"−": "-", "′": "'", "’": "'", "″": '"', "”": '"'})


@dataclass(frozen=True)
class Question:
    """How a place of a picture is named.

    Attributes:
        kind: by a longitude, by hours of the turn, or by its share.
        label, hint: of the field.
        ours: the place of the venue itself, as somebody would write it; empty where it has none on this picture.
        by_name: whether a town may be named, too, or touched on a map.
    """

    kind: Literal["longitude", "hours", "share"]
    label: str
    hint: str
    ours: str = ""
    by_name: bool = False


def question_asked(context: MachineContext) -> Question | None:
    """What can be asked of a machine's run, the present one or the next; None without one."""
    run = runs_not_over(context).first()
    if run is None:
        return None
    return question_of(from_json(run_source(run).picture), run.cycle, context.venue)


def question_of(picture: Picture, cycle: str, venue: Venue | None) -> Question:
    """How a place of a picture that is printed against a cycle is named, at a venue if anywhere."""
    naming = place_naming(picture, cycle)
    if naming == "longitude":
        ours = "" if venue is None else formatting.longitude(venue.longitude_degrees)
        by_name = shows_places(picture, cycle)
        label = _longitude_label(picture, cycle, by_name)
        return Question("longitude", label, _(TOWN_OR_DEGREES if by_name else DEGREES), ours, by_name)
    if naming == "hours":
        label = _("Right ascension") if isinstance(picture, StarBelt) else _("Sidereal time at Greenwich")
        return Question("hours", label, _("Hours, from 0 to below 24, such as 5.5 or 5h 30m."))
    return Question("share", _("How far along the turn"), _("Per cent of it, from 0 to below 100, such as 25."))


def _longitude_label(picture: Picture, cycle: str, by_name: bool) -> str:
    if isinstance(picture, LandPicture | DaylightMap):
        return _("A place: its name, or its longitude")
    if by_name:
        label = _("A place that has {body} overhead: its name, or its longitude")
    else:
        label = _("Longitude that has {body} overhead")
    return label.format(body=_(formatting.OVER[cycle]))


def read(question: Question, text: str) -> tuple[PassageQuery, str]:
    """The place that somebody wrote, and how it is said back.

    Raises:
        InputError: it is none.
    """
    plain = "".join(text.split()).translate(SAME).upper()[:40]
    if question.kind == "longitude" and plain.endswith(
        formatting.west()
    ):  # of the language of the page, as its answers say it
        plain = plain.removesuffix(formatting.west()) + "W"
    if question.kind == "longitude":
        degrees = _longitude(plain, text, question)
        return PassageQuery(longitude=degrees), formatting.longitude(degrees)
    found = (HOURS if question.kind == "hours" else SHARE).fullmatch(plain)
    if found is None:
        raise _unread(text, question)
    if question.kind == "hours":
        minutes = int(found["minutes"] or 0)
        hours = _number(found["hours"]) + minutes / 60.0
        if hours >= 24.0 or minutes >= 60:
            raise _unread(text, question)
        whole, rest = divmod(round(hours * 60) % (24 * 60), 60)
        return PassageQuery(
            phase=hours / 24.0
        ), f"{question.label} {whole}{formatting.NO_BREAK}h {rest:02}{formatting.NO_BREAK}min"
    share = _number(found["share"])
    if share >= 100.0:
        raise _unread(text, question)
    return PassageQuery(phase=share / 100.0), _("The place at {share} of the turn").format(
        share=formatting.decimal(f"{share:g}{formatting.NO_BREAK}%")
    )


def _longitude(plain: str, text: str, question: Question) -> float:
    found = LONGITUDE.fullmatch(plain)
    if found is None or (found["sign"] and found["half"]):
        raise _unread(text, question)
    minutes, seconds = (_number(found[name] or "0") for name in ("minutes", "seconds"))
    degrees = _number(found["degrees"]) + minutes / 60.0 + seconds / 3600.0
    if degrees > 180.0 or minutes >= 60.0 or seconds >= 60.0:
        raise _unread(text, question)
    return -degrees if found["sign"] == "-" or found["half"] == "W" else degrees


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _unread(text: str, question: Question) -> InputError:
    return InputError("place", _("“{text}” is not understood").format(text=text.strip()[:40]), question.hint)
