"""Instants, places and phases in words, as the pages show them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date as date_type
from datetime import datetime, timedelta
from math import floor, log10
from typing import Any

from django.utils.dateformat import format as formatted
from django.utils.formats import get_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext, pgettext

from machines.operator.language import marked
from machines.operator.stop_causes import CAUSE_WORDS
from machines.recovery import CauseRule, Policy, Rule
from scheduling.planning.service_windows import Comes, Once
from scheduling.sky.durations import parse_duration
from scheduling.sky.zones import zone as zone_of
from scheduling.venues.local_time_text import span_in_words, time_in_words

NO_BREAK = "\u00a0"
CENTURY_S = 36_525 * 86_400.0
LEAST_INK_ML = 0.001
RULE_WORDS = {
    "skip": "leave out what was missed",
    "blank": "leave it out, with blank paper in its place",
    "replay": "print it late",
    "replay-within": "print late",
    "shift": "let the timeline wait",
}
HALF_PRINTED_WORDS = {
    "as-the-rest": "",
    "finish": "finish a half-printed segment",
    "abandon": "leave out the rest of a half-printed segment",
    "again": "print a half-printed segment again",
}
OVER = {
    "apparent-solar-day": marked("the Sun"),
    "mean-solar-day": marked("the mean Sun"),
    "lunar-day": marked("the Moon"),
}


def clock_time(at: datetime, zone: str) -> str:
    """The local time of day, such as ``19:04``; one that comes twice says which it is."""
    clock = zone_of(zone)
    return time_in_words(at.astimezone(clock), clock)


def date(at: datetime, zone: str) -> str:
    """The local date, such as ``Sat 21 Mar 2026``."""
    return day(at.astimezone(zone_of(zone)))


def day(local: date_type) -> str:
    """A date that a calendar on the wall shows, such as ``Sat 21 Mar 2026``."""
    # Translators: letters of Django's date formats: day of the week, day, month, year.
    return formatted(local, pgettext("format of a date", "D j M Y"))


def moment(at: datetime, zone: str) -> str:
    """A local time with its date, such as ``19:04 on Sat 21 Mar 2026``; one that comes twice says which it is."""
    return _("{time} on {date}").format(time=clock_time(at, zone), date=date(at, zone))


def span(begins: datetime, ends: datetime, zone: str) -> str:
    """From when to when, such as ``between 14:02 and 14:32 on Sat 21 Mar 2026``."""
    return span_in_words(begins, ends, zone_of(zone), lambda local: date(local, zone))


def offset(at: datetime, zone: str) -> str:
    """How far the zone is from UTC at an instant, such as ``UTC+12:45``."""
    minutes = round((at.astimezone(zone_of(zone)).utcoffset() or timedelta()).total_seconds() / 60)
    hours, rest = divmod(abs(minutes), 60)
    return f"UTC{'−' if minutes < 0 else '+'}{hours}" + (f":{rest:02}" if rest else "")


def duration(span: timedelta) -> str:
    """About how long, such as ``2 h 10 min``, in its two largest units; its sign is left out."""
    seconds = round(abs(span.total_seconds()))
    if seconds < 60:
        return _with_units((seconds, "s"))
    minutes = seconds // 60
    if minutes < 24 * 60:
        return _with_units((minutes // 60, "h"), (minutes % 60, "min"))
    return _with_units((minutes // (24 * 60), "d"), (minutes // 60 % 24, "h"))


def seconds(number: float) -> str:
    """About how long so many seconds are; more than a century is said as one."""
    return duration(timedelta(seconds=min(max(number, -CENTURY_S), CENTURY_S)))


def _with_units(*parts: tuple[int, str]) -> str:
    """Numbers with their units, not to be torn apart; zeros are left out unless nothing else remains."""
    said = [f"{number}{NO_BREAK}{unit}" for number, unit in parts if number]
    return " ".join(said) or f"0{NO_BREAK}{parts[-1][1]}"


def about(seconds: float) -> str:
    """About how long, as people say it: to the second below two minutes, to five minutes from two hours on."""
    grain = 1 if seconds < 120 else 60 if seconds < 7200 else 300
    return duration(timedelta(seconds=round(seconds / grain) * grain))


def ink(ml: float) -> str:
    """How much ink, ml: three digits of it, and of a trace that it is one."""
    if 0.0 < ml < LEAST_INK_ML:
        return _("less than {amount}").format(amount=decimal(f"{LEAST_INK_ML:g}{NO_BREAK}ml"))
    return f"{ml:.0f}{NO_BREAK}ml" if ml >= 100.0 else decimal(f"{ml:.3g}{NO_BREAK}ml")


def two_digits(number: float) -> str:
    """A measure with two digits that count, and never an exponent: ``360``, ``5.8``, ``0.031``."""
    if number == 0.0:
        return "0"
    places = 1 - floor(log10(abs(number)))
    said = f"{round(number, places):.{max(places, 0)}f}"
    return decimal(said.rstrip("0").rstrip(".")) if "." in said else said


def decimal(text: str) -> str:
    """A number as the language of the page writes it, from one with a point."""
    return text.replace(".", get_format("DECIMAL_SEPARATOR"))


def columns(number: int) -> str:
    """How many columns, such as ``1 column``."""
    return ngettext("{number} column", "{number} columns", number).format(number=number)


def longitude(degrees: float) -> str:
    """A longitude, east positive, such as ``52.7° W``."""
    tenths = round(degrees * 10) / 10
    half = "" if abs(tenths) in (0.0, 180.0) else NO_BREAK + (east() if tenths > 0 else west())
    return decimal(f"{abs(tenths):.1f}°{half}")


def east() -> str:
    """The letter of the eastern half of the world."""
    return pgettext("half of the world", "E")


def west() -> str:
    """The letter of the western half."""
    return pgettext("half of the world", "W")


def longitude_under(cycle: str, phase: float) -> float | None:
    """The longitude, -180 to 180, that has the Sun, the Moon or the March equinox overhead at a phase of a cycle; None
    for a cycle that is of no such thing."""
    if cycle not in OVER and cycle != "sidereal-day":
        return None
    at_zero = 180.0 if cycle in OVER else 0.0
    return (at_zero - 360.0 * phase + 180.0) % 360.0 - 180.0


def under_the_head(cycle: str, phase: float) -> str:
    """What a phase of a cycle, 0 to 1, means in the sky."""
    if cycle in OVER:
        return _("{body} over {longitude}").format(body=_(OVER[cycle]), longitude=longitude(180.0 - 360.0 * phase))
    if cycle == "sidereal-day":
        minutes = int(phase * 24 * 60)
        time = f"{minutes // 60}{NO_BREAK}h {minutes % 60:02}{NO_BREAK}min"
        return _("Greenwich sidereal time {time}").format(time=time)
    return _("{share} of the turn").format(share=decimal(f"{100 * phase:.1f}{NO_BREAK}%"))


def anchor(said: dict[str, Any]) -> str:
    """How a curator named an instant: by the clock, or by the sky."""
    which = f", the {said['which']} of two" if "which" in said else ""
    if "civil" in said:
        return f"{said['civil'][:16].replace('T', ' ')} by the clock of {said['zone']}{which}"
    event, offset = _happens(said), parse_duration(said.get("offset", "PT0S"))
    if not offset:
        return f"at {event}{which}"
    return f"{duration(offset)} {'before' if offset < timedelta() else 'after'} {event}{which}"


def _happens(said: dict[str, Any]) -> str:
    """What happens at the instant of an anchor: in the sky, under a head, or at a knife."""
    if "event" in said:
        return str(said["event"]).replace("-", " ")
    kind = "under_head" if "under_head" in said else "strip_cut"
    of, done = said[kind], "laying" if kind == "under_head" else "cutting off"
    if "boundary" in of:
        return f"{done} strip {of['boundary']} of run {of['run']}"
    place = f"longitude {of['longitude']:g}" if "longitude" in of else f"phase {of['phase']:g}"
    return f"{done} {place} on {of['machine']}"


def comes(said: Comes) -> str:
    """How a service window comes: every week by the venue's clock, or once."""
    if isinstance(said, Once):
        return f"once, {anchor(said.anchor)}, for {duration(timedelta(minutes=said.minutes))}"
    next_day = " the next day" if said.ends <= said.begins else ""
    until = "" if said.last_date is None else f", until {day(date_type.fromisoformat(said.last_date))}"
    since = "" if said.first_date is None else f", from {day(date_type.fromisoformat(said.first_date))} on"
    return f"every {said.weekday.capitalize()} from {said.begins} to {said.ends}{next_day}{since}{until}"


def rule(said: Rule) -> str:
    """What happens to missed columns."""
    within = "" if said.within is None else f" the newest {said.within.in_words()} of it"
    return ", ".join(
        part
        for part in (
            RULE_WORDS[said.kind] + within,
            HALF_PRINTED_WORDS[said.half_printed],
            "only while the venue is closed" if said.only_while_closed else "",
        )
        if part
    )


def policy(said: Policy) -> str:
    """What a run does after an outage: its own rule, then those for causes that are treated otherwise."""
    return "; ".join(filter(None, (rule(said), exceptions(said.by_cause))))


def exceptions(said: Sequence[CauseRule]) -> str:
    """After which causes something else happens; empty for none."""
    return "; ".join(
        f"after {' or '.join(CAUSE_WORDS[cause] for cause in one.causes)}: {rule(one.rule)}" for one in said
    )
