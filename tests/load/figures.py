"""What was measured on the way, as processes tell it to the one that judges."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from machines.serialization import parse_instant


@dataclass
class Figures:
    """What one process saw since it told last.

    Attributes:
        took_s: of each kind of call that was answered, how long each took, seconds.
        failed: how often something came of a call that is no answer, by what it was.
        told_after_s: of each entry that the server has now, how long after it was so the server had it, seconds.
        missed_s: of each stretch of columns that was told, the greatest distance from its instant, seconds.
        settled: gaps that boards had to settle.
        errors: what a board's program broke off with.
    """

    took_s: dict[str, list[float]] = field(default_factory=dict)
    failed: Counter[str] = field(default_factory=Counter)
    told_after_s: list[float] = field(default_factory=list)
    missed_s: list[float] = field(default_factory=list)
    settled: int = 0
    errors: list[str] = field(default_factory=list)

    def took(self, kind: str, seconds: float) -> None:
        """A call was answered."""
        self.took_s.setdefault(kind, []).append(seconds)

    def told(self, entries: Sequence[Mapping[str, Any]], now: float) -> None:
        """The server has these entries of a journal now, POSIX seconds."""
        for entry in entries:
            self.told_after_s.append(now - parse_instant(entry["at"]).timestamp())
            self.settled += entry["kind"] == "gap-settled"
            if entry["kind"] == "columns-printed":
                self.missed_s.append(entry["worst_miss_s"])

    def add(self, more: Figures) -> None:
        """What another process told, too."""
        for kind, seconds in more.took_s.items():
            self.took_s.setdefault(kind, []).extend(seconds)
        self.failed.update(more.failed)
        self.told_after_s += more.told_after_s
        self.missed_s += more.missed_s
        self.settled += more.settled
        self.errors += more.errors

    @property
    def calls(self) -> int:
        """How many were answered."""
        return sum(map(len, self.took_s.values()))


def percentile(values: Sequence[float], percent: float) -> float:
    """The least of the values that so many in a hundred do not exceed; 0 of none."""
    ranked = sorted(values)
    return ranked[max(0, math.ceil(len(ranked) * percent / 100) - 1)] if ranked else 0.0
