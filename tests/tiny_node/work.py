"""What comes next under the head, by the work that is held: plain functions over the answer to ``GET node/work``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from tests.tiny_node.journal import posix

# A machine that stumbles lays so many columns a little late rather than leave them out.
STUMBLE_COLUMNS = 4


@dataclass(frozen=True)
class Held:
    """The work of a run."""

    work: dict[str, Any]

    @property
    def run(self) -> dict[str, Any]:
        """The run."""
        run: dict[str, Any] = self.work["run"]
        return run

    @property
    def profile(self) -> dict[str, Any]:
        """The machine in numbers."""
        profile: dict[str, Any] = self.work["profile"]
        return profile

    @property
    def cadence(self) -> int:
        """Columns of a burst."""
        return int(self.profile.get("columns_per_burst", 1))

    @property
    def column_s(self) -> float:
        """A column's share of a mean turn, seconds."""
        return float(self.run["mean_turn_s"] / self.profile["columns_per_turn"])

    @property
    def tolerance_s(self) -> float:
        """As sure as this of the time a node has to be to print."""
        return float(self.profile.get("clock_tolerance_dots", 0.5)) * self.column_s

    @property
    def gain(self) -> float:
        """Columns that the machine lays in a second at its highest."""
        pitch_mm = self.profile["mm_per_turn"] / self.profile["columns_per_turn"]
        return float(self.profile["highest_mm_per_hour"]) / 3600.0 / float(pitch_mm)

    def segment(self, column: int) -> dict[str, Any] | None:
        """The segment that holds a running column; None where it is not held."""
        found = (one for one in self.work["segments"] if one["first_column"] <= column < one["end_column"])
        return next(found, None)

    def due(self, column: int) -> float | None:
        """When the burst of a column is laid, POSIX seconds; None where it is not held.

        That is the instant of the burst's first column, and of the run's first where that comes later. Between knots,
        which are evenly spaced in columns, time runs evenly.
        """
        own = self.segment(column)
        if own is None:
            return None
        start = max(column - column % self.cadence, self.run["first_column"])
        segment = self.segment(start) or own
        knots = [posix(knot) for knot in segment["knots"]]
        span = segment["end_column"] - segment["first_column"]
        steps = (start - segment["first_column"]) / span * (len(knots) - 1)
        before = max(0, min(int(steps), len(knots) - 2))
        at = knots[before] + (steps - before) * (knots[before + 1] - knots[before])
        return at + float(self.run.get("shift_s", 0.0))

    def burst_end(self, column: int) -> int:
        """Where the burst ends that a column is of: with its segment or with the run, if that comes first."""
        segment = self.segment(column)
        assert segment is not None
        ends = (column - column % self.cadence + self.cadence, segment["end_column"], self.run["end_column"])
        return int(min(ends))

    def is_late(self, column: int, now: float) -> bool | None:
        """Whether a column is too late to be laid as if nothing had happened; None where that cannot be told."""
        if column >= self.run["end_column"]:
            return False
        due = self.due(column)
        if due is not None:
            return now - due > max(self.cadence, STUMBLE_COLUMNS) * self.column_s
        first = self.first_after(now)
        return None if first is None or first <= column else True

    def first_after(self, now: float) -> int | None:
        """The first column of the first burst that is due after now; None if the work does not reach so far."""
        for segment in self.work["segments"]:
            start = -(-segment["first_column"] // self.cadence) * self.cadence
            for column in range(start, segment["end_column"], self.cadence):
                due = self.due(column)
                if due is not None and due > now:
                    return column
        last = self.work["segments"][-1]["end_column"] if self.work["segments"] else -1
        return last if last == self.run["end_column"] else None

    def recess(self, at: float) -> bool:
        """Whether people want nothing laid at an instant."""
        spans = list(self.run.get("recesses", ()))
        if self.run.get("only_while_open"):
            spans += self.work.get("closed", ())
        return any(
            posix(one["starts_at"]) <= at < (posix(one["ends_at"]) if one["ends_at"] else at + 1) for one in spans
        )

    def boundaries(self, after: int, through: int) -> list[int]:
        """Running columns at which strips begin, after one column and up to another.

        Strip s of a turn of C columns and S strips begins at column (2 s C + S) // (2 S).
        """
        columns, strips = self.profile["columns_per_turn"], self.run["strips_per_turn"]
        if not strips or self.profile.get("knife") is None:
            return []
        near = range(after * strips // columns, through * strips // columns + 2)
        starts = {(2 * strip * columns + strips) // (2 * strips) for strip in near}
        return sorted(start for start in starts if after < start <= through)

    @property
    def knife_columns(self) -> int:
        """From the head to the knife, in columns."""
        knife = self.profile.get("knife")
        pitch_mm = self.profile["mm_per_turn"] / self.profile["columns_per_turn"]
        return 0 if knife is None else round(knife["head_to_knife_mm"] / pitch_mm)
