"""What people are told of a matter: in their language, with the venue's clock and their own."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from django.conf import settings
from django.urls import reverse
from django.utils import translation
from django.utils.translation import gettext as _

from machines.operator.conditions import gloss
from machines.operator.labels import ARM
from machines.operator.language import marked
from machines.operator.safety_notes import BESIDE, UNATTENDED_LINES
from scheduling.log.models import Machine, Venue
from scheduling.telling.amiss import Amiss, AmissKind
from scheduling.telling.matters import Matter
from scheduling.telling.recipients import Recipient
from scheduling.telling.whom import OVER
from server.accounts.message_secrets import message_secret
from server.console import formatting

PARTS = {"roll": marked("roll"), "cartridge": marked("cartridge"), "blade": marked("blade")}
# What is amiss, in a line.
TITLES: Mapping[AmissKind, str] = {
    "never-heard": marked("{machines} at {venue} should print, and was never heard"),
    "ended": marked("{machines} at {venue} should print, and its board was ended"),
    "silence": marked("No word from {machines} at {venue}, and a run is due"),
    "stands": marked("{machines} at {venue} stands still, and waits for a person"),
    "held": marked("{machines} at {venue} is still held by a person"),
    "outage": marked("{machines} at {venue} prints late, after an outage"),
    "word-passed-over": marked("What was decided on {machines} at {venue} did not happen"),
    "opening": marked("Something speaks against an opening at {venue}, at {machines}"),
    "refused": marked("What {machines} at {venue} reports cannot be taken"),
    "knife": marked("The knife of {machines} at {venue} is not armed"),
    "hands": marked("{machines} at {venue} needs somebody's hands"),
    "supply": marked("Nobody comes before a part of {machines} at {venue} ends"),
    "clock": marked("{machines} at {venue} is not sure of the time"),
    "views": marked("The server cannot show all that it knows"),
    "disk": marked("The server's disk is nearly full"),
    "work": marked("The server does not do all that it does by itself"),
}
# What to do next.
TO_DO: Mapping[AmissKind, str] = {
    "never-heard": marked("Is the board beside it there, switched on and plugged in? Put that right."),
    "ended": marked("Ask who ended it, and why. Until that is settled it stays so."),
    "silence": marked("Look, without touching: does the paper go on? Then leave it as it is, and switch nothing off."),
    "stands": marked("Look at the machine and its paper. If all is well, let it go on at the panel beside it."),
    "held": marked("Ask who holds it, and why. It goes on when somebody lets it, at the panel beside it."),
    "outage": marked("Nothing need be done: it catches up by itself. What becomes of it can be decided on its page."),
    "word-passed-over": marked("Look at what became of the outage. It can be decided anew while one is open."),
    "opening": marked("See on the page of the opening what does, and when it could be mended."),
    "refused": marked("Look at the machine, then enrol its board again. What it tells until then is not counted."),
    "knife": marked("Look at the machine, then arm the knife at the panel beside it. Until then strips hang together."),
    "hands": marked("Look at the machine; what it asks for stands above."),
    "supply": marked("Fix a service window before that, or have somebody change it now."),
    "clock": marked(
        "It prints nothing while it is not. See to the network of its board, or set the time at its panel."
    ),
    "views": marked("Whoever keeps the server looks at its log, and has the views folded anew."),
    "work": marked(
        "Whoever keeps the server looks at its first page and its log, and starts again what stands still. Until then"
        " plans may end."
    ),
    "disk": marked("Whoever keeps the server makes room on it: when it is full, nothing is taken any more."),
}
# Who goes to a machine reads these first.
_AT_MACHINE: Mapping[AmissKind, tuple[str, ...]] = {
    "never-heard": (UNATTENDED_LINES[1], UNATTENDED_LINES[4]),
    "ended": (UNATTENDED_LINES[1],),
    "silence": (UNATTENDED_LINES[1],),
    "stands": BESIDE["resume"],
    "held": BESIDE["resume"],
    "knife": BESIDE[ARM],
    "hands": (*BESIDE["park"],),
    "supply": (*BESIDE["park"],),
}


@dataclass(frozen=True)
class Words:
    """What somebody is told.

    Attributes:
        subject: in a line.
        lines: the rest, a paragraph each.
    """

    subject: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Names:
    """How machines are called, and venues with their zones, by id."""

    machines: Mapping[str, str]
    venues: Mapping[str, tuple[str, str]]


def names_of(matter: Matter) -> Names:
    """Of what a matter is about."""
    return all_names([matter])


def all_names(matters: Iterable[Matter]) -> Names:
    """Of what some matters are about, in two queries."""
    matters = list(matters)
    machines = {part.machine for matter in matters for part in matter.parts.values() if part.machine}
    venues = Venue.objects.filter(id__in={matter.venue for matter in matters if matter.venue})
    return Names(
        dict(Machine.objects.filter(id__in=machines).values_list("id", "name")),
        {id: (name, zone) for id, name, zone in venues.values_list("id", "name", "zone")},
    )


def words_of(matter: Matter, what: str, one: Recipient, names: Names, acknowledge: str) -> Words:
    """What somebody is told of a matter.

    Args:
        matter: as it stands.
        what: as which kind, or that it is over.
        one: who is told.
        names: of what it is about.
        acknowledge: address of the page on which they say that they see to it.
    """
    with translation.override(one.language):
        title = title_of(matter, names)
        if what == OVER:
            return Words(_("Over: {what}").format(what=title), tuple(_over(matter, one, names)))
        return Words(title, tuple(_told(matter, one, names, acknowledge)))


def title_of(matter: Matter, names: Names) -> str:
    """What is amiss, in a line, in the language that is spoken."""
    called = sorted({names.machines.get(part.machine, part.machine) for part in matter.parts.values() if part.machine})
    venue, _zone = names.venues.get(matter.venue or "", (matter.venue or "", ""))
    return _(TITLES[matter.kind]).format(machines=", ".join(called), venue=venue)


def _told(matter: Matter, one: Recipient, names: Names, acknowledge: str) -> Iterator[str]:
    yield _("Since {when}.").format(when=_when(matter.began_at, matter, one, names))
    for part in matter.parts.values():
        yield from _more(part, matter, one, names)
    yield _(TO_DO[matter.kind])
    for caution in _AT_MACHINE.get(matter.kind, ()):
        yield _("Caution: {what}").format(what=_(caution))
    yield _("More: {address}").format(address=page_of(matter))
    yield _("If you see to it, say so there, so that nobody else is called: {address}").format(address=acknowledge)


def _more(part: Amiss, matter: Matter, one: Recipient, names: Names) -> Iterator[str]:
    if part.kind == "supply" and part.until is not None:
        said = _("By count the {part} ends at {when}, and no service window is before that.")
        yield said.format(part=_(PARTS[part.of]), when=_when(part.until, matter, one, names))
    elif part.of and part.kind != "opening":
        yield _("The machine says {keyword}: {what}.").format(keyword=part.of, what=_(gloss(part.of)))


def _over(matter: Matter, one: Recipient, names: Names) -> Iterator[str]:
    yield _("It began at {when}.").format(when=_when(matter.began_at, matter, one, names))
    if matter.gone_at is not None:
        yield _("It was over at {when}. Nothing need be done.").format(when=_when(matter.gone_at, matter, one, names))
    yield _("More: {address}").format(address=page_of(matter))


def _when(at: datetime, matter: Matter, one: Recipient, names: Names) -> str:
    """By the venue's clock, and by theirs where that is another."""
    zones = [names.venues[matter.venue][1]] if matter.venue is not None and matter.venue in names.venues else []
    zones += [one.zone] if one.zone not in zones else []
    return "; ".join(f"{formatting.moment(at, zone)} ({zone})" for zone in zones)


def address_of_message(id: str) -> str:
    """Where somebody who was sent a message says that they see to it."""
    return f"{settings.ADDRESS}{reverse('see-to', args=[id, message_secret(id)])}"


def page_of(matter: Matter) -> str:
    """Address of the page on which to look: the opening's, the venue's sheet of the day, or the first page."""
    if matter.kind == "opening":
        opening = next(iter(matter.parts.values())).of
        return f"{settings.ADDRESS}{reverse('opening', args=[opening])}"
    path = reverse("console") if matter.venue is None else reverse("today", args=[matter.venue])
    return f"{settings.ADDRESS}{path}"


def test_words(one: Recipient) -> Words:
    """What somebody is told to see that it arrives."""
    with translation.override(one.language):
        return Words(
            _("A test"),
            (_("This is a test: nothing is amiss. What is, will come this way."), f"{settings.ADDRESS}/"),
        )
