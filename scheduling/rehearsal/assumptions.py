"""What a rehearsal stands on, in words, and from where each is."""

from __future__ import annotations

from collections.abc import Iterator
from math import isfinite

import numpy as np

from scheduling.rehearsal.assumed import SAID
from scheduling.rehearsal.of_run import ASSUMED_HOURS, RunInNumbers
from scheduling.rehearsal.rates import COMMON, HOUR_S, INCIDENTS, Rate, Rates
from scheduling.rehearsal.season import Season
from scheduling.rehearsal.told import Assumption
from scheduling.venues.hours import venue_hours

CALENDAR = "the venue's calendar"
WHAT = {
    "power": "power cut",
    "network": "loss of the network",
    "jam": "jam",
    "part": "part that fails",
    "nozzle": "nozzle that dies",
}
LASTS = {
    "power": ", of {} on average",
    "network": ", of {} on average",
    "jam": ", and {} of work once somebody is there",
    "part": ", and {} of work once somebody is there",
    "nozzle": "; staff clean the head in service windows",
}


def assumptions(numbers: RunInNumbers, season: Season) -> tuple[Assumption, ...]:
    """All of them."""
    return (*_of_rates(season), *_of_run(numbers, season))


def _of_rates(season: Season) -> Iterator[Assumption]:
    rates = season.rates
    for name in INCIDENTS:
        rate: Rate = getattr(rates, name)
        often = f"a {WHAT[name]} every {_every(1 / rate.per_day)} of printing" if rate.per_day else f"no {WHAT[name]}"
        lasts = LASTS[name].format(_many(rate.mean_hours, "hour")) if rate.per_day else ""
        yield Assumption(name=name, in_words=often + lasts, source=rate.source)
    late = f"{_percent(rates.late_share)} of the visits begin late, by {_many(rates.late_hours, 'hour')} on average"
    yield Assumption(name="late", in_words=late, source=_source(rates, "late_share", "late_hours"))
    hand = f"with {_percent(rates.reserve)} in hand"
    said = {
        "notice_hours": f"who is there sees after {_many(rates.notice_hours, 'hour')} that it stands still",
        "change_minutes": f"a change of {_listed(_parts(season), 'or')} takes {_many(rates.change_minutes, 'minute')}",
        "work_held_hours": f"a node prints on for {_many(rates.work_held_hours, 'hour')} without a network",
        "reserve": f"a part is changed in a window if it may not last until the next, {hand}",
    }
    for name, in_words in said.items():
        yield Assumption(name=name, in_words=in_words, source=_source(rates, name))


def _of_run(numbers: RunInNumbers, season: Season) -> Iterator[Assumption]:
    venue, windows = numbers.there.venue, len(season.times.windows)
    if venue_hours(venue) is None:
        day = ASSUMED_HOURS.week.monday[0]
        said = (
            f"nobody has set the hours of {venue.name}: somebody is taken to be there from {day.opens} to {day.closes}"
        )
        yield Assumption(name="hours", in_words=said, source=COMMON)
    else:
        said = f"somebody is there in the hours of {venue.name}, and in its service windows"
        yield Assumption(name="hours", in_words=said, source=CALENDAR)
    yield from _of_still(season)
    if windows:
        said = f"{_many(windows, 'service window')} in that time"
    else:
        said = "no service window in that time: parts end first"
    yield Assumption(name="windows", in_words=said, source=CALENDAR)
    if numbers.is_at_machine:
        yield Assumption(name="parts", in_words="it begins with what is left at the machine now", source="the log")
    else:
        said = f"it begins with a new {_listed(_parts(season), 'and')}, as another run comes before it"
        yield Assumption(name="parts", in_words=said, source="assumed")
    if not numbers.is_ink_known:
        said = (
            "no plate of it is drawn yet: ink of its picture is not reckoned, and cartridges end by idle firing alone"
        )
        yield Assumption(name="ink", in_words=said, source="the log")


def _of_still(season: Season) -> Iterator[Assumption]:
    """When it rests, and when it is quiet."""
    length_s, (rests, quiet) = season.length_s, (season.times.rests, season.times.quiet)
    whole = np.array([length_s])
    if rests_s := float(rests.passed(whole)[0]):
        spans = int(np.count_nonzero(rests.starts < length_s))
        times = "once" if spans == 1 else f"{spans} times"
        said = (
            f"it rests {times}, {_many(rests_s / HOUR_S, 'hour')} in all, as people hold it or the venue is closed:"
            " that is no time off the sky, and what it leaves on the paper no flaw"
        )
        yield Assumption(name="rests", in_words=said, source=f"what people hold, and {CALENDAR}")
    if quiet_s := float(quiet.passed(whole)[0]):
        said = (
            f"it is quiet for {_percent(quiet_s / length_s)} of the time: nothing is cut then, and no idle nozzle fires"
        )
        yield Assumption(name="quiet", in_words=said, source=CALENDAR)


def _source(rates: Rates, *names: str) -> str:
    """Of numbers that have no log: common practice, until somebody says otherwise."""
    return COMMON if all(getattr(rates, name) == getattr(Rates(), name) for name in names) else SAID


def _parts(season: Season) -> list[str]:
    """Those that staff change: not every machine has a cartridge that ends, or a knife."""
    has = {"roll": True, "cartridge": isfinite(season.ink.cartridge_ml), "blade": isfinite(season.paper.blade)}
    return [part for part, there in has.items() if there]


def _listed(parts: list[str], word: str) -> str:
    *some, last = parts
    return f"{', '.join(some)} {word} {last}" if some else last


def _every(days: float) -> str:
    return "day" if _number(days) == "1" else f"{_number(days)} days"


def _many(number: float, what: str) -> str:
    return f"1 {what}" if _number(number) == "1" else f"{_number(number)} {what}s"


def _percent(share: float) -> str:
    return f"{_number(100 * share)} %"


def _number(value: float) -> str:
    return f"{value:,.0f}" if value >= 100.0 else f"{value:.3g}"
