"""How a gap is settled, and what that costs."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from machines.recovery.inputs import NO_COLUMNS, Columns

RecoveryAction = Literal["skip", "replay", "shift", "blank"]


@dataclass(frozen=True, kw_only=True)
class Decision:
    """How a gap is settled. Every column of the gap is in exactly one of unknown, finished, skipped, replayed and
    shifted. On the paper they follow each other in the order

        unknown (perhaps laid) | again | finished | skipped (blank paper, or none) | replayed or shifted | due ...

    A gap that begins before an earlier one was made good takes over: what this decision says of its columns replaces
    what that one said of them.

    Attributes:
        action: ``shift`` the timeline waits; ``blank`` the places of what is left out are fed blank; ``replay``
            something is laid late; ``skip`` nothing is.
        unknown: perhaps on the paper; their places count as used.
        skipped: left out.
        replayed: laid late.
        true_again: the first column that is laid at its instant again, as the timeline was before; the end of the run
            where all that is left of it is laid late.
        hours_until_true: how long that takes, catching up at the machine's highest rate when the rule allows; until the
            run's last column is laid where all that is left of it is late.
        reason: in words, for people.
        again: on the paper or perhaps there, and laid late once more, because the rule asks for it.
        finished: the rest of the half-printed segment, laid late before what is left out.
        shifted: laid at their instants in the timeline that has waited.
        shift_s: by how much every later instant of the run is later, seconds.
        paper_mm: of paper for all these columns: used by unknown ones, fed blank or laid; None if it is not known.
        ink_ml: of ink for those that are laid, from the mean dots of a missing column; None if it is not known.
    """

    action: RecoveryAction
    unknown: Columns
    skipped: Columns
    replayed: Columns
    true_again: int
    hours_until_true: float
    reason: str
    again: Columns = NO_COLUMNS
    finished: Columns = NO_COLUMNS
    shifted: Columns = NO_COLUMNS
    shift_s: float = 0.0
    # What it costs is told, not judged: a node of an earlier version tells no costs, and decides the same.
    paper_mm: float | None = field(default=None, compare=False)
    ink_ml: float | None = field(default=None, compare=False)

    @property
    def late(self) -> int:
        """How many columns are laid late; until they are, the outage is not over."""
        return len(self.again) + len(self.finished) + len(self.replayed) if self.action != "shift" else 0

    @property
    def onward(self) -> int:
        """The column at which printing goes on."""
        for part in (self.again, self.finished, self.replayed, self.shifted):
            if part:
                return part.first
        return self.true_again

    @property
    def blank(self) -> Columns:
        """What is left out and has its place on the paper fed blank."""
        return self.skipped if self.action == "blank" else NO_COLUMNS
