"""Hours as lines that a person types, such as ``monday 09:00-17:00, 20:00-22:00``: a line a day of the week or date."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from machines.errors import InputError
from scheduling.planning.days_spans import DAYS

DASH = re.compile(r"\s*[-\u2013]\s*")
# What stands for several days.
SEVERAL: Mapping[str, tuple[str, ...]] = {"daily": DAYS, "weekdays": DAYS[:5], "weekend": DAYS[5:]}
A_LINE = "give a day, daily, weekdays, weekend or a date, and then spans: weekdays 09:00-17:00, 20:00-22:00"


@dataclass(frozen=True)
class Lines:
    """Hours, or quiet hours, as the API has them.

    Attributes:
        ends: what a span's two times are called.
        of_date: what a date's spans are called.
    """

    ends: tuple[str, str]
    of_date: str

    def said(self, text: str) -> dict[str, Any] | None:
        """What lines say, as the API takes it; None where there are none. What is no time is left for it to refuse.

        Raises:
            InputError: a line begins with no day.
        """
        week: dict[str, list[dict[str, str]]] = {}
        dates: list[dict[str, Any]] = []
        for line in filter(None, map(str.strip, text.splitlines())):
            day, _, rest = line.partition(" ")
            days, spans = self._days(day), self._spans(rest)
            for one in days:
                week.setdefault(one, []).extend(spans)
            if not days:
                dates.append({"date": day, self.of_date: spans})
        return {"week": week, "dates": dates} if week or dates else None

    def text(self, hours: Mapping[str, Any] | None) -> str:
        """The same hours as lines."""
        return "" if hours is None else "\n".join(self._lines(hours))

    def spans_text(self, spans: Any) -> str:
        """Spans of a day."""
        return ", ".join("-".join(one[name] for name in self.ends) for one in spans)

    def _lines(self, hours: Mapping[str, Any]) -> Iterator[str]:
        week = {day: self.spans_text(hours["week"].get(day, ())) for day in DAYS}
        if len(set(week.values())) == 1 and week[DAYS[0]]:
            yield f"daily {week[DAYS[0]]}"
        else:
            yield from (f"{day} {spans}" for day, spans in week.items() if spans)
        yield from (f"{one['date']} {self.spans_text(one[self.of_date])}".rstrip() for one in hours["dates"])

    def _days(self, word: str) -> tuple[str, ...]:
        """Those of the week that a word means; none for a date."""
        lower = word.lower()
        if lower in SEVERAL:
            return SEVERAL[lower]
        if lower in DAYS:
            return (lower,)
        if not word[:1].isdigit():
            raise InputError("", f"{word!r} is no day", A_LINE)
        return ()

    def _spans(self, text: str) -> list[dict[str, str]]:
        parts = [DASH.split(part.strip(), maxsplit=1) for part in text.split(",") if part.strip()]
        return [dict(zip(self.ends, (*part, "")[:2], strict=True)) for part in parts]


ON_CALL = Lines(("opens", "closes"), "open")
QUIET = Lines(("begins", "ends"), "quiet")
