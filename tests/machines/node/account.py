"""The account of a paper, from the outside: its files against what was reported."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection

import numpy as np

from machines.drivers.simulated.paper import NO_COLUMN, Paper, read_paper
from machines.protocol.journal_entries import ColumnsPrinted, Entry, GapSettled, StripCut
from tests.machines.node.relay import Studio
from tests.machines.node.rig import Rig


def assert_accounted(node: Rig) -> None:
    """Everything that is laid or reported so far fits together."""
    check_paper(read_paper(node.home / "paper"), node.studio, node.entries())


def check_paper(paper: Paper, studio: Studio, entries: list[Entry]) -> set[int]:
    """Hold a paper against the entries of its node.

    Returns:
        the columns that are on the paper or named in a decision.
    """
    unknown, skipped = named(entries)
    places = check_marks(paper, studio, unknown)
    printed = columns_of_prints(entries, places)
    on_paper = set(places)
    assert printed <= on_paper, "reported, but not on the paper"
    assert on_paper - printed <= unknown | unreported(printed, on_paper), (
        "on the paper, but neither reported nor unknown"
    )
    assert not printed & unknown
    assert not on_paper & skipped, "on the paper, though left out"
    check_cuts(paper, entries)
    return on_paper | unknown | skipped


def check_marks(paper: Paper, studio: Studio, unknown: Collection[int] = ()) -> dict[int, int]:
    """Every column of the picture once, in order, with its own dots; where each lies. Of one that nobody saw finished a
    carriage that was halted in the burst may have set some only."""
    assert not paper.refused.size, "the machine was told to print over something"
    of_picture = paper.laid["column"] != NO_COLUMN
    columns, places = paper.laid["column"][of_picture].tolist(), paper.laid["place"][of_picture].tolist()
    assert max(Counter(columns).values(), default=1) == 1, "a column lies twice on the paper"
    assert max(Counter(paper.laid["place"].tolist()).values(), default=1) == 1
    assert columns == sorted(columns)
    assert places == sorted(places)
    lies, wanted = paper.dots[:, places], studio.plate.dots[:, np.array(columns, dtype=int) % studio.plate.columns]
    seen = ~np.isin(columns, list(unknown))
    assert (lies[:, seen] == wanted[:, seen]).all()
    assert not (lies & ~wanted).any(), "a dot that is not of the picture"
    blank = np.ones(paper.dots.shape[1], dtype=bool)
    blank[paper.laid["place"]] = False
    assert not paper.dots[:, blank].any(), "dots where no column was laid"
    return dict(zip(columns, places, strict=True))


def columns_of_prints(entries: list[Entry], places: dict[int, int]) -> set[int]:
    """Columns reported as printed: each once, each in the place that was reported."""
    printed: Counter[int] = Counter()
    for entry in entries:
        if isinstance(entry, ColumnsPrinted):
            for offset, column in enumerate(range(entry.columns.first, entry.columns.end)):
                printed[column] += 1
                assert places[column] == entry.paper_position + offset
    assert max(printed.values(), default=1) == 1, "a column was reported twice"
    return set(printed)


def named(entries: list[Entry]) -> tuple[set[int], set[int]]:
    """Columns named as unknown and as left out, each in one decision only."""
    unknown: Counter[int] = Counter()
    skipped: Counter[int] = Counter()
    for entry in entries:
        if isinstance(entry, GapSettled):
            unknown.update(range(entry.decision.unknown.first, entry.decision.unknown.end))
            skipped.update(range(entry.decision.skipped.first, entry.decision.skipped.end))
    assert max((unknown + skipped).values(), default=1) == 1, "a column was given up twice"
    return set(unknown), set(skipped)


def unreported(printed: set[int], on_paper: set[int]) -> set[int]:
    """The columns after the last report, which the next one will bring."""
    last = max(printed, default=-(10**9))
    return {column for column in on_paper if column > last}


def check_cuts(paper: Paper, entries: list[Entry]) -> None:
    """The paper was cut where it was reported, at most where one was ordered and not seen done besides."""
    cuts = paper.cuts["place"].tolist()
    assert len(set(cuts)) == len(cuts), "cut twice in one place"
    passed = {entry.paper_position: entry.made for entry in entries if isinstance(entry, StripCut)}
    assert {place for place, made in passed.items() if made} <= set(cuts)
    assert {place for place in cuts if not passed.get(place, True)} <= set(passed)
