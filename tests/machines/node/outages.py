"""A studio that knows of closed hours, persons' words and timelines that wait, and the account of a paper on which
segments may have been printed again."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from machines.drivers.simulated.paper import Paper
from machines.node.store import recovery_state
from machines.node.store.recovery_state import Recovering
from machines.protocol.journal_entries import ColumnsPrinted, Entry, GapSettled
from machines.protocol.messages import Work, pace
from machines.recovery import Columns, Override, Policy, Span, settle
from machines.serialization import structure, unstructure
from tests.machines.node.account import check_cuts, unreported
from tests.machines.node.relay import Studio
from tests.machines.node.rig import HandClock, Rig, make_studio


@dataclass
class OutageStudio(Studio):
    """A studio as the server is.

    Attributes:
        override: a person's newest word.
        closed, quiet: the venue's closed hours, and its quiet hours.
    """

    override: Override | None = None
    closed: tuple[Span, ...] = ()
    quiet: tuple[Span, ...] = ()

    def accounted(self) -> set[int]:
        """Columns of which the last word is that they are printed, unknown or left out."""
        return {column for column, _ in last_words(self.entries).items()}

    def work(self) -> Work:
        """What the node should hold."""
        work = super().work()
        shift_s = sum(entry.decision.shift_s for entry in self.all_of(GapSettled))
        run = None if work.run is None else replace(work.run, shift_s=shift_s)
        return replace(work, run=run, override=self.override, closed=self.closed, quiet=self.quiet)


def outage_studio(clock: HandClock, policy: Policy, **fields: Any) -> OutageStudio:
    """As `make_studio` makes one, with any policy."""
    plain = make_studio(clock, **fields)
    given = {name: value for name, value in vars(plain).items() if name != "lock"}
    return OutageStudio(**{**given, "policy": policy})


def kept(node: Rig) -> Recovering:
    """What the journal keeps of outages."""
    with node.journal.reading() as db:
        return recovery_state.read(db)


def last_words(entries: list[Entry]) -> dict[int, str]:
    """What became of every column by the entries so far, in their order; columns that are due (again) are not in it."""
    words: dict[int, str] = {}
    for entry in entries:
        if isinstance(entry, ColumnsPrinted):
            words.update(dict.fromkeys(_range(entry.columns), "printed"))
        if isinstance(entry, GapSettled):
            decision = entry.decision
            for column in [c for c, word in words.items() if c >= entry.gap.first and word == "left out"]:
                del words[column]
            words.update(dict.fromkeys(_range(decision.unknown), "unknown"))
            words.update(dict.fromkeys(_range(decision.skipped), "left out"))
            for part in (decision.again, decision.finished, decision.replayed, decision.shifted):
                for column in _range(part):
                    words.pop(column, None)
    return words


def _range(columns: Columns) -> range:
    return range(columns.first, columns.end)


def check_story(paper: Paper, studio: OutageStudio, entries: list[Entry]) -> dict[int, str]:
    """Hold a paper against the entries of its node, and the entries against the server's own decisions.

    Returns:
        the last word on every column.
    """
    settled = [entry for entry in entries if isinstance(entry, GapSettled)]
    _check_decisions(studio, settled)
    asked = Counter(column for entry in settled for column in _range(entry.decision.again))
    _check_marks(paper, studio, asked)
    printed = _check_prints(paper, entries)
    words = last_words(entries)
    on_paper = set(paper.laid["column"].tolist())
    for column, word in words.items():
        if word == "printed":
            assert column in on_paper
        if word == "left out" and not asked[column]:
            assert column not in on_paper, "on the paper, though left out"
    told = {column for column, word in words.items() if word in ("printed", "unknown")}
    assert on_paper - told - set(asked) <= unreported(printed, on_paper) | _perhaps(settled)
    check_cuts(paper, entries)
    return words


def _perhaps(settled: list[GapSettled]) -> set[int]:
    return {column for entry in settled for column in _range(entry.decision.unknown)}


def _check_decisions(studio: OutageStudio, settled: list[GapSettled]) -> None:
    """The server, with the entry as it comes over the wire, decides alike."""
    assert studio.run is not None
    for entry in settled:
        told = structure(unstructure(entry), GapSettled)
        ours = settle(entry.policy, told.gap, pace(studio.profile, studio.run))
        assert ours == told.decision
        assert (ours.paper_mm, ours.ink_ml) == (told.decision.paper_mm, told.decision.ink_ml)


def _check_marks(paper: Paper, studio: OutageStudio, asked: Counter[int]) -> None:
    """Every column with its own dots, no oftener than it was asked for, and the paper one line in the order of time."""
    assert not paper.refused.size, "the machine was told to print over something"
    columns, places = paper.laid["column"].tolist(), paper.laid["place"].tolist()
    for column, times in Counter(columns).items():
        assert times <= 1 + asked[column], "laid again unasked"
    assert places == sorted(set(places))
    if not asked:
        assert columns == sorted(columns)
    assert (paper.dots[:, places] == studio.plate.dots[:, np.array(columns, dtype=int) % studio.plate.columns]).all()
    blank = np.ones(paper.dots.shape[1], dtype=bool)
    blank[places] = False
    assert not paper.dots[:, blank].any(), "dots where no column was laid"


def _check_prints(paper: Paper, entries: list[Entry]) -> set[int]:
    """Whatever was reported as printed lies in the place that was reported."""
    column_in = dict(zip(paper.laid["place"].tolist(), paper.laid["column"].tolist(), strict=True))
    printed: set[int] = set()
    for entry in entries:
        if isinstance(entry, ColumnsPrinted):
            for offset, column in enumerate(_range(entry.columns)):
                assert column_in[entry.paper_position + offset] == column
            printed.update(_range(entry.columns))
    return printed
