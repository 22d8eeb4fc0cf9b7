"""A visitor's question, "when will this place be printed?": how it is asked of a picture, and its answer in words."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from django.utils.translation import gettext as _

from machines.errors import InputError
from machines.imaging.pictures import DaylightMap, LandPicture, StarBelt, from_json
from machines.model.profile import Profile
from scheduling.paper.next_passage import (
    PaperFate,
    Passage,
    PassageQuery,
    Span,
    next_passage,
    paper_fate,
    place_naming,
    runs_not_over,
)
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
SAME = str.maketrans({"−": "-", "′": "'", "’": "'", "″": '"', "”": '"'})


@dataclass(frozen=True)
class Question:
    """How a place of a picture is named.

    Attributes:
        kind: by a longitude, by hours of the turn, or by its share.
        label, hint: of the field.
        ours: the place of the venue itself, as somebody would write it; empty where it has none on this picture.
    """

    kind: Literal["longitude", "hours", "share"]
    label: str
    hint: str
    ours: str = ""


@dataclass(frozen=True)
class Answer:
    """When it is printed.

    Attributes:
        printed, burst, cut: sentences; ``burst`` is empty where a burst is a single column.
    """

    printed: str
    burst: str
    cut: str


@dataclass(frozen=True)
class Reply:
    """What is said to a question.

    Attributes:
        said: the place, in words; empty where none was asked for and the venue has none on this picture.
        is_ours: whether it is the venue's own, because nobody asked for another.
        answer: None where no run that is planned comes to it.
        problem: why what was asked for cannot be read; empty where it can.
    """

    said: str
    is_ours: bool
    answer: Answer | None
    problem: str


def question_asked(context: MachineContext) -> Question | None:
    """What can be asked of a machine's run, the present one or the next; None without one."""
    run = runs_not_over(context).first()
    if run is None:
        return None
    picture = from_json(run_source(run).picture)
    naming = place_naming(picture, run.cycle)
    if naming == "longitude":
        is_map = isinstance(picture, LandPicture | DaylightMap)
        if is_map:
            label = _("Longitude on the map")
        else:
            label = _("Longitude that has {body} overhead").format(body=_(formatting.OVER[run.cycle]))
        hint = _("Degrees, such as 52.7 W or 18° 30' E. A number alone is east, below zero west.")
        return Question("longitude", label, hint, formatting.longitude(context.venue.longitude_degrees))
    if naming == "hours":
        label = _("Right ascension") if isinstance(picture, StarBelt) else _("Sidereal time at Greenwich")
        return Question("hours", label, _("Hours, from 0 to below 24, such as 5.5 or 5h 30m."))
    return Question("share", _("How far along the turn"), _("Per cent of it, from 0 to below 100, such as 25."))


def reply(context: MachineContext, question: Question, text: str) -> Reply:
    """The answer about the place that somebody wrote, or about the venue's own where nobody wrote one."""
    problem, text = "", text.strip()
    is_ours = not text
    try:
        place, said = read(question, text or question.ours)
    except InputError as error:
        problem, is_ours = f"{error.problem}. {error.remedy}" if text else "", True
        if not question.ours:
            return Reply("", False, None, problem)
        place, said = read(question, question.ours)
    said = _("Here, {place},").format(place=said) if is_ours else said
    return Reply(said, is_ours, answer(context, place, said), problem)


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


def answer(context: MachineContext, query: PassageQuery, said: str) -> Answer | None:
    """When a place comes round next; None where no run that is planned comes to it."""
    try:
        found = next_passage(context, query)
    except InputError:  # it has come round for the last time in this run, and the next run's picture has none such
        return None
    if found is None:
        return None
    zone, run = context.venue.zone, next((one for one in context.runs if one.id == found.run), None)
    return Answer(
        printed=_("{place} is printed {span}.").format(place=said, span=_span(found.laid, zone)),
        burst=_burst(context.profile if run is None else context.profile_of(run), found),
        cut=_cut(paper_fate(context, found), found, zone),
    )


def _burst(profile: Profile, passage: Passage) -> str:
    if profile.columns_per_burst == 1:
        return ""
    length = formatting.about((passage.laid.ends_at - passage.laid.begins_at).total_seconds())
    said = _(
        "It is laid in one burst at the beginning of that time, with all that belongs to {length}; then the machine"
        " stands until the next burst."
    )
    return said.format(length=length)


def _cut(fate: PaperFate, passage: Passage, zone: str) -> str:
    if fate == "wound-up":
        return _("The paper is not cut here; it is wound up.")
    if fate == "not-cut":
        return _("The paper of this run is not cut.")
    if passage.cut_off is None:
        return _("It still hangs at the machine, uncut, when the run ends.")
    said = _("The strip with it is cut off {span}.").format(span=_span(passage.cut_off, zone))
    if fate == "cut-off":
        return said
    off = _("The knife is switched off now: while it is, strips are left hanging on to each other.")
    return f"{said} {off}"


def _span(span: Span, zone: str) -> str:
    return formatting.span(span.begins_at, span.ends_at, zone)


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
