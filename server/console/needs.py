"""What of many machines needs a person, in words, the most pressing first."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from machines.operator.conditions import gloss
from scheduling.log.models import Notice
from scheduling.log.projections.notices import OPENING
from scheduling.outages.conditions import asks_for_hands
from scheduling.outages.machine_state import knife_wants_arming
from server.console import formatting
from server.console.machine_card import Station

# In this order they are told; what is said of a machine in several ways is told by the first.
STANDS, LOOK, HANDS, DECIDE, TOLD, NOTHING = range(6)


@dataclass(frozen=True)
class Said:
    """One thing that is said of a machine: how pressing it is, and how long or how long ago, in words or empty."""

    rank: int
    what: str
    when: str = ""


@dataclass(frozen=True)
class Need:
    """A machine that needs a person, or of which there is something to know.

    Attributes:
        said: what, the most pressing first.
    """

    station: Station
    said: tuple[Said, ...]

    @property
    def rank(self) -> int:
        """How pressing it is; the lower, the more."""
        return self.said[0].rank

    @property
    def is_open(self) -> bool:
        """Whether somebody has to do something."""
        return self.rank < TOLD

    @property
    def by_hand(self) -> tuple[str, ...]:
        """What somebody with hands has to do."""
        return tuple(said.what for said in self.said if said.rank == HANDS)


def needs(stations: Sequence[Station], notices: Mapping[str, Sequence[Notice]]) -> tuple[Need, ...]:
    """The machines of which something is to be said.

    Args:
        stations: the machines.
        notices: that are open, or of a while ago and yet to be looked at, by machine.
    """
    found = [(one, sorted(_said(one, notices.get(one.id, ())), key=lambda said: said.rank)) for one in stations]
    told = [Need(one, tuple(said)) for one, said in found if said]
    return tuple(sorted(told, key=lambda need: (need.rank, as_counted(need.station.name))))


def as_counted(name: str) -> tuple[tuple[str, int], ...]:
    """By which names are put in order, so that Wren 10 comes after Wren 9."""
    return tuple((words.casefold(), int(number or 0)) for words, number in re.findall(r"([^0-9]*)([0-9]{0,9})", name))


def headline(number: int) -> str:
    """How many machines need a person."""
    if number == 0:
        return "No machine needs a person"
    return "One machine needs a person" if number == 1 else f"{number} machines need a person"


def _said(one: Station, notices: Sequence[Notice]) -> Iterator[Said]:
    """A notice says more than a state does, and is as pressing."""
    rank = LOOK if one.kind in ("silent", "ended") else STANDS
    is_open = [row for row in notices if row.cleared_at is None and row.kind != OPENING]
    if (one.is_missed or one.wants_look) and not is_open:
        yield Said(rank, one.state)
    elif one.open_run is not None and not is_open:
        yield Said(DECIDE, one.state)
    for row in notices:
        yield _noticed(row, DECIDE if row.kind == OPENING else rank, one.context.now)
    if not one.is_ended and one.kind != "silent":
        yield from _hands(one)


def _noticed(row: Notice, rank: int, now: datetime) -> Said:
    if row.cleared_at is None:
        return Said(rank, row.said, f"for {formatting.duration(now - row.raised_at)}")
    return Said(TOLD, row.said, f"over for {formatting.duration(now - row.cleared_at)}")


def _hands(one: Station) -> Iterator[Said]:
    """What somebody with hands has to do, besides what lets it go on."""
    printing = one.printing
    if knife_wants_arming(one.context, None if printing is None else printing.run):
        yield Said(HANDS, "its knife is disarmed: strips are left hanging on to each other")
    for keyword in one.context.machine.conditions:
        if asks_for_hands(keyword):
            yield Said(HANDS, gloss(keyword))
    for what, when in one.changes:
        if when.startswith("overdue"):
            yield Said(HANDS, f"{what.lower()}: it is overdue")
