"""What was tried of one kind, and what came of it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

HEADS = ("what", "tried", "wrongly allowed", "server errors", "99th of 100, s", "worst, s", "")
SHOWN = 5


@dataclass
class Row:
    """One line of the table.

    Attributes:
        what: was tried.
        tried: how often.
        wrong: in words, each time that something was allowed, or kept, that must not be.
        errors: in words, each answer that says the server made a mistake, and each that never came.
        took_s: how long each answer took.
        most_s: what the 99th of a hundred answers, in order of time, may take; None where nothing is promised.
        worst_s: what the slowest may take; None where nothing is promised.
        figures: whatever else was measured.
        slowest: what took longest.
    """

    what: str
    tried: int = 0
    wrong: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    took_s: list[float] = field(default_factory=list)
    most_s: float | None = None
    worst_s: float | None = None
    figures: dict[str, Any] = field(default_factory=dict)
    slowest: str = ""

    def answered(self, status: int, took_s: float, what: str) -> None:
        """Count an answer; status 0 is none."""
        self.tried += 1
        if took_s > max(self.took_s, default=0.0):
            self.slowest = what
        self.took_s.append(took_s)
        if status == 0 or status in (500, 502, 504):
            self.errors.append(f"{what}: {status or 'no answer'}")

    @property
    def late(self) -> list[str]:
        """Which promises of time are broken."""
        found = []
        if self.most_s is not None and percentile(self.took_s, 0.99) >= self.most_s:
            found.append(f"99 of 100 within {percentile(self.took_s, 0.99):.2f} s, promised are {self.most_s:g}")
        if self.worst_s is not None and max(self.took_s, default=0.0) >= self.worst_s:
            found.append(f"{self.slowest} took {max(self.took_s):.2f} s, promised are {self.worst_s:g}")
        return found

    @property
    def holds(self) -> bool:
        """Whether everything promised was kept, and anything tried at all."""
        return self.tried > 0 and not (self.wrong or self.errors or self.late)

    def cells(self) -> tuple[str, ...]:
        """Of the table."""
        p99, worst = percentile(self.took_s, 0.99), max(self.took_s, default=0.0)
        counts = (str(self.tried), str(len(self.wrong)), str(len(self.errors)))
        return (self.what, *counts, f"{p99:.3f}", f"{worst:.3f}", "holds" if self.holds else "BROKEN")

    def as_json(self) -> dict[str, Any]:
        """For the file: counts and figures instead of every time."""
        told = asdict(self)
        told["took_s"] = {"p50": percentile(self.took_s, 0.5), "p99": percentile(self.took_s, 0.99)}
        return told | {"slowest_s": max(self.took_s, default=0.0), "late": self.late, "holds": self.holds}


def percentile(values: Sequence[float], share: float) -> float:
    """The value below which at least such a share of values lies; 0 where there are none."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))] if ordered else 0.0


def table(rows: Iterable[Row]) -> str:
    """As text, with what is broken below it."""
    rows = list(rows)
    lines = [HEADS, *(row.cells() for row in rows)]
    widths = [max(len(line[column]) for line in lines) for column in range(len(HEADS))]
    shown = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in lines]
    for row in rows:
        broken = [*row.wrong, *row.errors, *row.late]
        shown += [f"{row.what}: {said}" for said in broken[:SHOWN]]
        shown += [f"{row.what}: and {len(broken) - SHOWN} more"] if len(broken) > SHOWN else []
        shown += [] if row.tried else [f"{row.what}: nothing was tried"]
    return "\n".join(shown)


def report(rows: Iterable[Row], load: Sequence[float]) -> dict[str, Any]:
    """Everything, for the file."""
    rows = list(rows)
    return {
        "tried": sum(row.tried for row in rows),
        "wrongly_allowed": sum(len(row.wrong) for row in rows),
        "server_errors": sum(len(row.errors) for row in rows),
        "holds": all(row.holds for row in rows),
        "load": list(load),
        "rows": [row.as_json() for row in rows],
    }
