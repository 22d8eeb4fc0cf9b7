"""The machines of the first page: each as the strip of paper that it is, or, where they are many, as one line; what
needs a person first."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from urllib.parse import urlencode

from scheduling.log.models import Notice
from scheduling.paper.strip_now import StripNow, strips_now
from server.console import formatting
from server.console.machine_card import Station
from server.console.needs import NOTHING, Need, as_counted, headline, needs
from server.console.strip import DrawnStrip, drawn_strip
from server.console.strip_scale import SLIP_PX, scale_of, strip_paper

# From so many machines on, each is a line.
COMPACT_FROM = 5
FIRST_TOLD = 3


@dataclass(frozen=True)
class Chosen:
    """Which machines somebody asked to see: how they are, and where they stand; empty for all."""

    show: str = ""
    venue: str = ""

    @property
    def query(self) -> str:
        """As it stands in an address."""
        said = {name: value for name, value in vars(self).items() if value}
        return f"?{urlencode(said)}" if said else ""


EVERYTHING = Chosen()
SHOWN: Mapping[str, tuple[str, Callable[[Station, Need | None], bool]]] = {
    "": ("All", lambda one, need: True),
    "need": ("Need a person", lambda one, need: need is not None and need.is_open),
    "printing": ("Print", lambda one, need: one.is_printing),
    "standing": ("Do not print", lambda one, need: not one.is_printing),
}


@dataclass(frozen=True)
class Choice:
    """A way to choose among the machines: what it is called, how many there are, and where it leads."""

    name: str
    count: int
    address: str
    is_chosen: bool


@dataclass(frozen=True)
class WallRow:
    """A machine on the page.

    Attributes:
        need: what of it needs a person; None for nothing.
        strip: its paper, drawn; None where machines are many.
    """

    station: Station
    venue: str
    time: str
    need: Need | None
    strip: DrawnStrip | None = None

    @property
    def slip_height(self) -> int:
        """Of the small picture of its paper, pixels."""
        return strip_paper(self.station.context.model, SLIP_PX).size[1]


@dataclass(frozen=True)
class Wall:
    """The machines that are shown, those that need a person first.

    Attributes:
        needs: of all machines, whether they are shown or not.
        venues: the venues that have machines, with their ids.
        query: what was chosen, as it stands in an address.
    """

    headline: str
    needs: tuple[Need, ...]
    rows: tuple[WallRow, ...]
    is_compact: bool
    choices: tuple[Choice, ...]
    venues: tuple[tuple[str, str], ...]
    chosen: Chosen
    query: str

    @property
    def first_needs(self) -> tuple[Need, ...]:
        """Those that are told above all else: where machines are many, each is told again in its line."""
        return self.needs[: FIRST_TOLD if self.is_compact else COMPACT_FROM]


def wall(stations: Sequence[Station], notices: Mapping[str, Sequence[Notice]], chosen: Chosen) -> Wall:
    """The machines, as far as somebody asked to see them."""
    told = needs(stations, notices)
    need_of = {one.station.id: one for one in told}
    places = {one.context.venue.id: one.context.venue.name for one in stations}
    chosen = Chosen(chosen.show if chosen.show in SHOWN else "", chosen.venue if chosen.venue in places else "")
    there = [one for one in stations if chosen.venue in ("", one.context.venue.id)]
    is_wanted = SHOWN[chosen.show][1]
    rows = [_row(one, need_of.get(one.id)) for one in there if is_wanted(one, need_of.get(one.id))]
    rows.sort(key=lambda row: (NOTHING if row.need is None else row.need.rank, as_counted(row.station.name)))
    is_compact = len(stations) >= COMPACT_FROM
    return Wall(
        headline=headline(sum(one.is_open for one in told)),
        needs=told,
        rows=tuple(rows if is_compact else _drawn(rows)),
        is_compact=is_compact,
        choices=tuple(
            Choice(
                name=name,
                count=sum(is_so(one, need_of.get(one.id)) for one in there),
                address=replace(chosen, show=show).query or ".",
                is_chosen=show == chosen.show,
            )
            for show, (name, is_so) in SHOWN.items()
        ),
        venues=tuple(sorted(places.items(), key=lambda one: one[1])),
        chosen=chosen,
        query=chosen.query,
    )


def _row(one: Station, need: Need | None) -> WallRow:
    venue = one.context.venue
    return WallRow(one, venue.name, formatting.clock_time(one.context.now, venue.zone), need)


def _drawn(rows: Sequence[WallRow]) -> list[WallRow]:
    contexts = [row.station.context for row in rows]
    scales = {one.machine.id: scale_of(one.model) for one in contexts}
    strips = strips_now(contexts, {id: (scale.behind, scale.ahead) for id, scale in scales.items()})
    return [replace(row, strip=_strip(row, strips[row.station.id])) for row in rows]


def _strip(row: WallRow, strip: StripNow) -> DrawnStrip:
    one, printing = row.station, row.station.printing
    is_behind = printing is not None and (printing.head is not None or not one.is_printing)
    due = printing.due.column if printing is not None and printing.due is not None and is_behind else None
    return drawn_strip(one.id, strip, scale_of(one.context.model), one.context.at_venue, due)
