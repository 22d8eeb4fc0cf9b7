"""What is known at the end of a scenario, from outside: the paper's files, the board's journal, the server's API."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass, field, fields, replace
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any, get_args

import numpy as np

from machines.drivers.simulated.paper import Paper, read_paper
from machines.errors import InputError
from machines.imaging.plate import Plate
from machines.node.store.journal import FILE_NAME
from machines.protocol.journal_entries import Entry, GapSettled
from machines.serialization import parse_instant, structure
from tests.faults.newer import without

NODE_KINDS = {field.default for cls in get_args(Entry) for field in fields(cls) if field.name == "kind"}


@dataclass(frozen=True, kw_only=True)
class Common:
    """What a board and its copy have in common of their papers, as the copied journal tells.

    Attributes:
        end: the place at which the two part.
        uncut: places below it at which the knife is still due, so that each cuts its own.
    """

    end: int
    uncut: frozenset[int]


@dataclass(frozen=True, eq=False, kw_only=True)
class Evidence:
    """Everything that the judge looks at.

    Attributes:
        paper: of the machine; None where nothing was laid.
        runs, segments, machine, words: as the API shows them; the segments of all runs, in order. A word that a server
            has forgotten is not among them.
        notices: what the studio was told about the machine.
        facts: the machine's stream in the server's log, in order.
        journal: entries of the board's journal, in order, with whether each is known to be taken.
        plates: digest to plate.
        columns_per_burst, columns_per_turn: of the machine.
        ahead: from when on, POSIX seconds, the server's clock was ahead by how much, seconds.
        whole_journal: the newest board's journal begins with its enrolment, and no server forgot it since.
        attended: the machine stands after an unplanned stop until a person resumes it.
        boards_lost: what a board did last before it was lost nobody knows.
        newest_lost: a board went on with a journal that had lost its newest.
        settled_and_lost: what journals had settled that were lost, which perhaps nobody was told.
        taken_over: epochs that began as another board took the machine over, with a journal of its own.
    """

    paper: Paper | None
    runs: list[dict[str, Any]]
    segments: list[dict[str, Any]]
    machine: dict[str, Any]
    words: list[dict[str, Any]]
    notices: list[dict[str, Any]]
    facts: list[dict[str, Any]]
    journal: list[tuple[dict[str, Any], bool]]
    plates: dict[str, Plate]
    columns_per_burst: int
    columns_per_turn: int
    ahead: list[tuple[float, float]] = field(default_factory=list)
    whole_journal: bool = True
    attended: bool = False
    boards_lost: bool = False
    newest_lost: bool = False
    settled_and_lost: list[GapSettled] = field(default_factory=list)
    taken_over: frozenset[int] = frozenset()

    @property
    def planned(self) -> set[int]:
        """Columns of all runs."""
        return {column for run in self.runs for column in range(run["first_column"], run["end_column"])}

    @property
    def told(self) -> list[dict[str, Any]]:
        """Data of the facts that boards told, and that count."""
        return as_told(self.facts)

    @property
    def taken(self) -> list[dict[str, Any]]:
        """The same with what was set aside."""
        return as_told(self.facts, set_aside=True)

    @property
    def taken_from_newest(self) -> list[dict[str, Any]]:
        """The same since the newest board was enrolled."""
        last = max(i for i, fact in enumerate(self.facts) if fact["kind"] == "node-enrolled")
        return as_told(self.facts[last:], set_aside=True)

    @cached_property
    def told_by_each(self) -> list[list[Entry]]:
        """What was told from each enrolment to the next, read as the wire's messages."""
        enrolled = [i for i, fact in enumerate(self.facts) if fact["kind"] == "node-enrolled"]
        spans = zip([0, *enrolled], [*enrolled, len(self.facts)], strict=True)
        return [[structure(data, Entry) for data in as_told(self.facts[first:end])] for first, end in spans]

    @property
    def enrolled_at(self) -> list[datetime]:
        """When each part of what was told by each began, but for the first, which comes before any."""
        return [parse_instant(fact["said_at"]) for fact in self.facts if fact["kind"] == "node-enrolled"]

    @property
    def of_another(self) -> list[bool]:
        """For each part of what was told by each, whether it begins as another board takes the machine over."""
        epochs = [fact["data"]["epoch"] for fact in self.facts if fact["kind"] == "node-enrolled"]
        return [False, *(epoch in self.taken_over for epoch in epochs)]

    def entries(self) -> list[Entry]:
        """What boards told, read as the wire's messages."""
        return self._entries

    @cached_property
    def _entries(self) -> list[Entry]:
        return [structure(data, Entry) for data in self.told]


def as_told(facts: list[dict[str, Any]], *, set_aside: bool = False) -> list[dict[str, Any]]:
    """Data of the facts that boards told, as they told it: what was not taken to the last word stands whole in the fact
    that follows it. What was set aside is in no view, and left out unless it is asked for."""
    told = []
    for fact in facts:
        if fact["kind"] in NODE_KINDS:
            told.append(without(fact["data"]))
        elif fact["kind"] == "entry-read-in-part":
            told[-1] = without(fact["data"]["entry"])
        elif fact["kind"] in ("entry-set-aside", "entry-told-twice") and set_aside:
            told.append(without(fact["data"]["entry"]))
    return told


def begun(told: Iterable[dict[str, Any]]) -> set[str]:
    """When agents began, by a journal's entries."""
    return {entry["at"] for entry in told if entry["kind"] == "node-started"}


def read_what_lies(folder: Path) -> Paper | None:
    """The paper in a folder; None before the machine's first order."""
    try:
        return read_paper(folder)
    except (InputError, FileNotFoundError):
        return None


def joined(original: Paper | None, copied: Paper | None, common: Common) -> Paper | None:
    """The paper that a copied board has printed on, as if it had been its own from the beginning: up to where the two
    part that of the original. What the original laid after that, nobody was told."""
    if original is None or copied is None:
        return copied or original
    shared = original.laid["place"] < common.end
    cut = (original.cuts["place"] < common.end) & ~np.isin(original.cuts["place"], list(common.uncut))
    dots = np.zeros((copied.dots.shape[0], max(common.end, copied.dots.shape[1])), dtype=bool)
    dots[:, : copied.dots.shape[1]] = copied.dots
    theirs = original.dots[:, : common.end]
    dots[:, : theirs.shape[1]] |= theirs
    return replace(
        copied,
        dots=dots,
        laid=np.concatenate([original.laid[shared], copied.laid]),
        cuts=np.concatenate([original.cuts[cut], copied.cuts]),
    )


def read_journal(home: Path) -> list[tuple[dict[str, Any], bool]]:
    """The entries of a journal."""
    with closing(sqlite3.connect(home / FILE_NAME)) as database:
        rows = database.execute("SELECT body, accepted FROM entry ORDER BY seq").fetchall()
    return [(json.loads(body), bool(accepted)) for body, accepted in rows]
