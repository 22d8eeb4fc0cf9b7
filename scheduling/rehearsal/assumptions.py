"""What a rehearsal stands on, in words, and from where each is."""

from __future__ import annotations

from collections.abc import Iterator

from scheduling.rehearsal.of_run import ASSUMED_HOURS, RunInNumbers
from scheduling.rehearsal.rates import COMMON, INCIDENTS, Rate, Rates
from scheduling.rehearsal.season import Season
from scheduling.rehearsal.told import Assumption
from scheduling.venues.hours import venue_hours

WHAT = {
    "power": "power cut",
    "network": "loss of the network",
    "jam": "jam",
    "part": "part that fails",
    "nozzle": "nozzle that dies",
}
LASTS = {
    "power": ", of {:.3g} hours on average",
    "network": ", of {:.3g} hours on average",
    "jam": ", and {:.3g} hours of work once somebody is there",
    "part": ", and {:.3g} hours of work once somebody is there",
    "nozzle": "; staff clean the head in service windows",
}


def assumptions(numbers: RunInNumbers, season: Season) -> tuple[Assumption, ...]:
    """All of them."""
    return (*_of_rates(season.rates), *_of_run(numbers, season))


def _of_rates(rates: Rates) -> Iterator[Assumption]:
    for name in INCIDENTS:
        rate: Rate = getattr(rates, name)
        often = "no {}" if not rate.per_day else f"a {{}} every {1 / rate.per_day:.3g} days of printing"
        lasts = LASTS[name].format(rate.mean_hours) if rate.per_day else ""
        yield Assumption(name=name, in_words=often.format(WHAT[name]) + lasts, source=rate.source)
    late = f"{100 * rates.late_share:.3g} of 100 visits begin late, by {rates.late_hours:.3g} hours on average"
    yield Assumption(name="late", in_words=late, source=COMMON)
    said = {
        "notice_hours": f"who is there sees after {rates.notice_hours:.3g} hours that it stands still",
        "change_minutes": f"a change of roll, cartridge or blade takes {rates.change_minutes:.3g} minutes",
        "work_held_hours": f"a node prints on for {rates.work_held_hours:.3g} hours without a network",
        "reserve": f"a part is changed in a window if it may not last until the next, with {rates.reserve:.0%} in hand",
    }
    for name, in_words in said.items():
        yield Assumption(name=name, in_words=in_words, source=COMMON)


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
        yield Assumption(name="hours", in_words=said, source="the venue's calendar")
    said = f"{windows} service windows in that time" if windows else "no service window in that time: parts end first"
    yield Assumption(name="windows", in_words=said, source="the venue's calendar")
    if numbers.is_at_machine:
        yield Assumption(name="parts", in_words="it begins with what is left at the machine now", source="the log")
    else:
        said = "it begins with a new roll, cartridge and blade, as another run comes before it"
        yield Assumption(name="parts", in_words=said, source="assumed")
