"""What a run is wished to do, before it is known when it begins: a place at the head or in sight, a strip that falls,
and parts that are changed when somebody comes, or not on some days."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from machines.errors import InputError
from scheduling.paper.next_passage import PassageQuery

WishKind = Literal["place-at-head", "place-in-sight", "strip-falls", "changes-within", "no-change-between"]
AT_AN_INSTANT: tuple[WishKind, ...] = ("place-at-head", "place-in-sight", "strip-falls")
OF_A_PLACE: tuple[WishKind, ...] = ("place-at-head", "place-in-sight")
TIME = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]|24:00", re.ASCII)
DAY_MINUTES = 1440
WIDEST_S = 86_400.0
HEAVIEST = 1000.0


@dataclass(frozen=True, kw_only=True)
class Wish:
    """One wish.

    Attributes:
        kind: ``place-at-head`` and ``place-in-sight``: at ``at`` a place of the picture is laid, or hangs between head
            and knife; ``strip-falls``: then a strip is cut off; ``changes-within``: rolls and blades are changed on
            these weekdays between these times of the venue's clock; ``no-change-between``: none is from ``begins_at``
            to ``ends_at``.
        weight: how much an hour beside it counts against the other wishes.
        at: UTC.
        longitude, phase, column: the place, one of these; see `PassageQuery`.
        within_s: so many seconds beside ``at`` it is kept all the same.
        weekdays: 1 for Monday to 7 for Sunday.
        opens, closes: times of day, ``HH:MM``; 24:00 is the end of the day.
        begins_at, ends_at: UTC.
    """

    kind: WishKind
    weight: float = 1.0
    at: datetime | None = None
    longitude: float | None = None
    phase: float | None = None
    column: int | None = None
    within_s: float = 0.0
    weekdays: tuple[int, ...] = (1, 2, 3, 4, 5, 6, 7)
    opens: str = "00:00"
    closes: str = "24:00"
    begins_at: datetime | None = None
    ends_at: datetime | None = None

    def __post_init__(self) -> None:
        if not 0.0 < self.weight <= HEAVIEST:
            raise InputError("weight", f"{self.weight:g}", f"give more than 0, up to {HEAVIEST:g}")
        if not (math.isfinite(self.within_s) and 0.0 <= self.within_s <= WIDEST_S):
            raise InputError("within_s", f"{self.within_s:g} seconds", f"give 0 to {WIDEST_S:g}")
        if (self.at is None) == (self.kind in AT_AN_INSTANT):
            raise InputError("at", *_missing_or_much(self.at, self.kind))
        if self.kind in OF_A_PLACE:
            self.place()
        elif (self.longitude, self.phase, self.column) != (None, None, None):
            raise InputError("kind", f"{self.kind!r} with a place", "leave out longitude, phase and column")
        self._require_span()

    def place(self) -> PassageQuery:
        """The place that it names.

        Raises:
            InputError: it names none, or several.
        """
        return PassageQuery(longitude=self.longitude, phase=self.phase, column=self.column)

    def minutes(self) -> tuple[int, int]:
        """From which minute of the day to which somebody changes parts."""
        opens, closes = (int(text[:2]) * 60 + int(text[3:]) for text in (self.opens, self.closes))
        return opens, closes

    def holds_time(self, local: datetime) -> bool:
        """Whether a time of the venue's clock is one at which parts are wished to be changed."""
        opens, closes = self.minutes()
        return local.isoweekday() in self.weekdays and opens <= local.hour * 60 + local.minute < closes

    def _require_span(self) -> None:
        for name, text in (("opens", self.opens), ("closes", self.closes)):
            if not TIME.fullmatch(text):
                raise InputError(name, f"{text!r} is no time of day", "give hours and minutes, such as 09:30")
        if not self.minutes()[0] < self.minutes()[1] <= DAY_MINUTES:
            raise InputError("closes", f"{self.closes} is not after {self.opens}", "give a later time of the same day")
        if not self.weekdays or not all(1 <= one <= 7 for one in self.weekdays):
            raise InputError("weekdays", f"{list(self.weekdays)}", "give numbers from 1 for Monday to 7 for Sunday")
        spans = (self.begins_at, self.ends_at)
        for name, at in zip(("begins_at", "ends_at"), spans, strict=True):
            if (at is None) == (self.kind == "no-change-between"):
                raise InputError(name, *_missing_or_much(at, self.kind))
        if self.begins_at is not None and self.ends_at is not None and self.ends_at <= self.begins_at:
            raise InputError("ends_at", "not after begins_at", "give a later instant")


def _missing_or_much(at: datetime | None, kind: str) -> tuple[str, str]:
    if at is None:
        return "missing", f"{kind} wants one"
    return f"given for {kind}", "leave it out"
