"""What a visitor is told who asks when a place is printed: of which place, the next times, and those of a day."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from django.utils.translation import gettext as _

from machines.errors import InputError
from machines.model.profile import Profile
from scheduling.paper.next_passage import PaperFate, Passage, PassageQuery, Span, paper_fate
from scheduling.paper.passages import laid_passages, passages_between, resting
from scheduling.queries.machine_context import MachineContext
from scheduling.queries.runs import runs_standing
from scheduling.sky.civil import day_bounds
from server.console import formatting
from server.console.own_clock import OwnClock
from server.console.place_asked import PlaceAsked, Where, where_asked
from server.console.place_search import Question

# Times that are told: after the first, and of a day.
MOST_AFTER, MOST_ON_A_DAY = 4, 12
FIRST_YEAR, LAST_YEAR = 1900, 2100


@dataclass(frozen=True)
class Told:
    """A time in words: by the venue's clock, and by the reader's own; empty where they chose none, or the venue's."""

    here: str
    yours: str


@dataclass(frozen=True)
class Answer:
    """When a place is printed next.

    Attributes:
        printed: a sentence, and when that is by the reader's own clock; where the machine rests at the next time that
            the place is due, that, and when it is printed after that stands first in `then`.
        then: the same of what becomes of the paper with it: when it comes to the knife, and when it is cut off.
        burst: of the burst; empty where it is a single column.
        after: the times after it.
        left_out: that times are not among these at which the machine rests; empty where there are none.
    """

    printed: Told
    then: tuple[Told, ...]
    burst: str
    after: tuple[Told, ...]
    left_out: str


@dataclass(frozen=True)
class Day:
    """The times of a day.

    Attributes:
        name: its date, in words.
        times: when the place is printed, and when what was printed is cut off.
        said: that there are none, and why, or what is to be added.
    """

    name: str
    times: tuple[tuple[Told, Told], ...]
    said: tuple[str, ...]


@dataclass(frozen=True)
class Reply:
    """What is said to a question.

    Attributes:
        where: which place was asked about.
        answer: None where no run that is planned comes to it, or no place is known.
        day: None where no day was asked about, or none that can be read.
        day_problem: why not.
    """

    where: Where
    answer: Answer | None = None
    day: Day | None = None
    day_problem: str = ""


def reply(context: MachineContext, question: Question, asked: PlaceAsked, own: OwnClock) -> Reply:
    """The answer about the place that somebody named, or about the venue's own where nobody named one."""
    where, own = where_asked(question, asked), own.beside(context.venue.zone)
    day, problem = None, ""
    try:
        day = day_asked(asked.day)
    except InputError as error:
        problem = f"{error.problem}. {error.remedy}."
    if where.query is None:
        return Reply(where, day_problem=problem)
    of_day = None if day is None else _of_day(context, where.query, day, own)
    return Reply(where, _answer(context, where, where.query, own), of_day, problem)


def day_asked(text: str) -> date | None:
    """The day that an address names; None where it names none.

    Raises:
        InputError: what it names is none.
    """
    if not text.strip():
        return None
    try:
        found = date.fromisoformat(text.strip())
    except ValueError:
        found = date.min
    if not FIRST_YEAR <= found.year < LAST_YEAR:
        problem = _("“{text}” is no day").format(text=text.strip()[:20])
        remedy = _("Write it like {day}, between the years {first} and {last}")
        raise InputError("day", problem, remedy.format(day="2026-03-21", first=FIRST_YEAR, last=LAST_YEAR - 1))
    return found


def _answer(context: MachineContext, where: Where, query: PassageQuery, own: OwnClock) -> Answer | None:
    """When a place comes round next, and then; None where no run that is planned comes to it."""
    laid, at_rest = laid_passages(context, query, 1 + MOST_AFTER)
    zone = context.venue.zone
    said: list[Told] = []
    if at_rest and (not laid or at_rest[0].at < laid[0].at):
        due = _("{place} is due {span}, and is not printed then: the machine rests.")
        said.append(_told(due, at_rest[0].laid, zone, own, where.said))
    if laid:
        printed = _("It is printed next {span}.") if said else _("{place} is printed {span}.")
        said.append(_told(printed, laid[0].laid, zone, own, where.said))
        said.extend(_then(paper_fate(context, laid[0]), laid[0], zone, own))
    elif said:
        said.append(Told(_("It is not known yet when it is printed after that."), ""))
    else:
        return None
    more_rest = laid and any(laid[0].at < one.at for one in at_rest)
    return Answer(
        printed=said[0],
        then=tuple(said[1:]),
        burst=_burst(_profile(context, laid[0]), laid[0]) if laid else "",
        after=tuple(_told("{span}", one.laid, zone, own) for one in laid[1:]),
        left_out=_("Times at which the machine rests are left out.") if more_rest else "",
    )


def _of_day(context: MachineContext, query: PassageQuery, day: date, own: OwnClock) -> Day:
    zone, clock = context.venue.zone, context.at_venue.clock
    begins, ends = day_bounds(day, clock)
    found = passages_between(context, query, begins, ends, MOST_ON_A_DAY + 1)
    shown = found[:MOST_ON_A_DAY]
    said = []
    if not found:
        said.append(_why_none(context, day))
    if len(found) > MOST_ON_A_DAY:
        said.append(_("Shown are the first {number} times; there are more.").format(number=MOST_ON_A_DAY))
    if found and ends <= context.now:
        said.append(_("That day is over: so it was planned. What became of it is not told here."))
    return Day(
        name=formatting.day(day),
        times=tuple(
            _at_rest(one, zone, own) if rests else (_told("{span}", one.laid, zone, own), _cut_off(one, zone, own))
            for one, rests in zip(shown, resting(context, shown), strict=True)
        ),
        said=tuple(said),
    )


def _why_none(context: MachineContext, day: date) -> str:
    """Why a place is not printed on a day: nothing is planned then, or it does not come."""
    begins, ends = day_bounds(day, context.at_venue.clock)
    runs = list(runs_standing(context.machine.id).order_by("starts_at").values_list("starts_at", "ends_at"))
    if any(starts_at < ends and ends_at > begins for starts_at, ends_at in runs):
        return _("It does not come under the head on that day.")
    zone = context.venue.zone
    first, last = min(at for at, _ in runs), max(at for _, at in runs)
    said = _("Nothing is planned on that day: what is planned reaches from {first} to {last}.")
    return said.format(first=formatting.date(first, zone), last=formatting.date(last, zone))


def _then(fate: PaperFate, passage: Passage, zone: str, own: OwnClock) -> Iterator[Told]:
    """What becomes of the paper with a place."""
    if passage.at_knife is not None:
        yield _told(_("It comes to the knife {span}."), passage.at_knife, zone, own)
    if fate == "wound-up":
        yield Told(_("The paper is not cut here; it is wound up."), "")
    elif fate == "not-cut":
        yield Told(_("The paper of this run is not cut."), "")
    elif passage.cut_off is None:
        yield Told(_("It still hangs at the machine, uncut, when the run ends."), "")
    else:
        yield _told(_("The strip with it is cut off {span}."), passage.cut_off, zone, own)
    if fate == "cut-off-if-armed":
        yield Told(_("The knife is switched off now: while it is, strips are left hanging on to each other."), "")


def _at_rest(passage: Passage, zone: str, own: OwnClock) -> tuple[Told, Told]:
    """A time at which a place is due and nothing is laid; nothing is cut off of it."""
    return _told(_("due {span}, and not printed: the machine rests"), passage.laid, zone, own), Told("", "")


def _cut_off(passage: Passage, zone: str, own: OwnClock) -> Told:
    """When what is printed then is cut off; empty where it is not."""
    if passage.cut_off is None:
        return Told("", "")
    return _told(_("cut off {span}"), passage.cut_off, zone, own)


def _burst(profile: Profile, passage: Passage) -> str:
    if profile.columns_per_burst == 1:
        return ""
    length = formatting.about((passage.laid.ends_at - passage.laid.begins_at).total_seconds())
    said = _(
        "It is laid in one burst at the beginning of that time, with all that belongs to {length}; then the machine"
        " stands until the next burst."
    )
    return said.format(length=length)


def _profile(context: MachineContext, passage: Passage) -> Profile:
    run = next((one for one in context.runs if one.id == passage.run), None)
    return context.profile if run is None else context.profile_of(run)


def _here(span: Span, zone: str) -> str:
    return formatting.span(span.begins_at, span.ends_at, zone)


def _told(said: str, span: Span, zone: str, own: OwnClock, place: str = "") -> Told:
    """A sentence that has a span in it, and a place where it names one."""
    return Told(said.format(place=place, span=_here(span, zone)), _yours(span, own))


def _yours(span: Span | None, own: OwnClock) -> str:
    return "" if span is None else own.span(span.begins_at, span.ends_at)
