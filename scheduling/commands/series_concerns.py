"""What speaks against the openings of a series, before they are kept: beside each, and together for a yes.

Each is looked at as one that is fixed by itself is. Machines are read once for all of them, and so many are looked at
that it is done in a moment, the first in any case; the rest are once they stand.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property

from scheduling.answers.opening_concerns import Concern, doors_of, opening_concerns
from scheduling.commands.changes import ChangeWarning
from scheduling.commands.openings import closed_then
from scheduling.log.events.visits import OpeningFixed
from scheduling.log.models import Machine, Venue
from scheduling.paper.run_anchors import MachinesRead
from scheduling.queries.machine_context import MachineContext, machine_contexts
from scheduling.sky.zones import zone
from scheduling.venues.local_time_text import moment_in_words

# Times that an opening is held against a machine of its venue: what is under its head then, what hangs, and what ends
# by then. Thirty openings where two machines stand.
MOST_LOOKED_AT = 60


def in_words_there(at: datetime, venue: Venue) -> str:
    """An instant by the clock of a venue, which is named."""
    return f"{moment_in_words(at, zone(venue.zone))} at {venue.name}, by the clock of {venue.zone}"


@dataclass
class SeriesLook:
    """Openings that are looked at one after another, in order of time.

    Attributes:
        venues: where they are, by id.
        now: this instant, UTC.
        asked: how many there were.
        looked: how often one was held against what a machine prints.
        passed_over: of how many there was no more looking.
        against: what speaks against some, in words, with its kind, and when those open, in words.
        planned_nowhere: what is said of machines of which no run is planned at all.
        read: the machines that name some.
    """

    venues: Mapping[str, Venue]
    now: datetime
    asked: int = 0
    looked: int = 0
    passed_over: int = 0
    against: dict[tuple[str, str], list[str]] = field(default_factory=dict)
    planned_nowhere: dict[str, None] = field(default_factory=dict)
    read: MachinesRead = field(default_factory=MachinesRead)

    def beside(self, event: OpeningFixed, *, opens_otherwise: bool = True) -> str:
        """What is said of an opening after when it is; empty for nothing, else with a space before it.

        Args:
            event: the opening.
            opens_otherwise: whether it did not open then before; else only how it lasts is looked at.
        """
        venue, said = self.venues[event.venue], list[str]()
        when = in_words_there(event.opens_at, venue)
        self.asked += 1
        if event.opens_at <= self.now:
            said.append(self._speaks("in-the-past", "It is over.", when))
        if opens_otherwise and any(closed_then(venue, event.opens_at)):
            said.append(self._speaks("closed", f"{venue.name} is closed then, by its hours.", when))
        for one in self._concerns(event):
            if one.kind == "none-planned":
                self.planned_nowhere[one.in_words] = None
            else:
                said.append(self._speaks(one.kind, one.lasting, when) if one.is_amiss else one.lasting)
        return "".join(f" {sentence}" for sentence in said)

    def words(self) -> Iterator[str]:
        """What is said once, after all of them."""
        yield from self.planned_nowhere
        if self.passed_over:
            them = "opening is" if self.passed_over == 1 else f"{self.passed_over} openings are"
            yield f"The last {them} not held against what is printed then; each is on its own page, once it stands."

    def warnings(self) -> Iterator[ChangeWarning]:
        """What should be meant: each thing once, with how many it is about, and when the first of them opens."""
        for (kind, said), when in self.against.items():
            of = when[0] if len(when) == 1 else f"{len(when)} of {self.asked} openings, the first {when[0]}"
            yield ChangeWarning(kind=kind, in_words=f"{of[0].upper()}{of[1:]}: {said}")

    def _speaks(self, kind: str, said: str, when: str) -> str:
        self.against.setdefault((kind, said), []).append(when)
        return said

    def _concerns(self, event: OpeningFixed) -> tuple[Concern, ...]:
        contexts = self._machines.get(event.venue, ())
        is_too_much = self.looked > 0 and self.looked + len(contexts) > MOST_LOOKED_AT
        if self.passed_over or is_too_much:
            self.passed_over += 1
            return ()
        self.looked += len(contexts)
        doors = doors_of(event.opens_at, event.closes_at, event.anchor, event.closing)
        return tuple(one for context in contexts for one in opening_concerns(context, doors, self.read))

    @cached_property
    def _machines(self) -> dict[str, list[MachineContext]]:
        """Those of the venues, by the venue's id, read together."""
        rows = Machine.objects.filter(venue_id__in=self.venues, retired_at=None).order_by("id")
        found: dict[str, list[MachineContext]] = {}
        for context in machine_contexts(rows, self.now):
            found.setdefault(context.machine.venue_id, []).append(context)
        return found
