"""What a node sent, entry by entry, and what this server understands of it.

A node may be newer than its server, and the facts that it tells must not wait until that is mended. A field that is
not known is ignored; an entry of a kind, a choice or a form that is not known is not understood, and kept as it is.
What no program can have meant is refused.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from typing import Any, TypeVar

from machines.errors import DayrollError, InputError, UnknownChoice
from machines.protocol.journal_entries import Entry
from machines.protocol.messages import Retelling, Status
from machines.protocol.panel_address import told_panel_address
from machines.protocol.upcasts import LONGEST_KIND, read_entry, read_entry_from_newer
from machines.serialization import parse_instant, structure_lenient
from scheduling.nodes.plain_entries import read_plain

# As many as a server writes in a few seconds; a node halves a batch that is too large.
MOST_ENTRIES = 500
# Of an entry that is not understood, or not whole, and so kept as it was told.
LONGEST_ENTRY = 200_000

T = TypeVar("T")

logger = logging.getLogger(__name__)


class TooManyEntries(DayrollError):
    """A batch is so large that it would hold up everybody else's."""

    def __init__(self, count: int) -> None:
        super().__init__(f"{count} entries in a batch", f"send at most {MOST_ENTRIES}")


@dataclass(frozen=True, kw_only=True)
class EntryDoubt:
    """Why an entry is not taken as it was told.

    Attributes:
        field: where, within the entry.
        problem: what is wrong with it.
    """

    field: str
    problem: str


@dataclass(frozen=True, kw_only=True)
class ToldEntry:
    """An entry.

    Attributes:
        seq: its number.
        at: when it happened, as the node told it.
        raw: what was told, whole.
        entry: what is understood of it; None where it is not understood.
        doubt: why it is not, or what of it was ignored; None where every word is.
    """

    seq: int
    at: datetime
    raw: Mapping[str, Any]
    entry: Entry | None
    doubt: EntryDoubt | None = None

    @property
    def meant(self) -> Entry | Mapping[str, Any]:
        """What two tellings of it have in common, however much of it was understood when it was first told."""
        return self.raw if self.entry is None else self.entry


@dataclass(frozen=True, kw_only=True)
class Batch:
    """A part of a journal, in ascending numbers.

    Attributes:
        epoch: of the node's credentials.
        entries: what it told.
        status: how it is now; None where it did not say, or cannot be understood.
        retelling: what it tells once more; None where nothing is, or as for the status.
    """

    epoch: int
    entries: tuple[ToldEntry, ...]
    status: Status | None = None
    retelling: Retelling | None = None


def read_batch(data: Any) -> Batch:
    """What a node sent.

    Raises:
        TooManyEntries: it must be sent in parts.
        InputError: names what no program can have meant.
    """
    if not isinstance(data, dict):
        raise InputError("", f"{data!r} is not an object", "give a JSON object")
    epoch, entries = _whole(data, "epoch"), data.get("entries")
    if not isinstance(entries, list | tuple):
        raise InputError("entries", "missing or not an array", "give a JSON array")
    if len(entries) > MOST_ENTRIES:
        raise TooManyEntries(len(entries))
    told = tuple(_read(index, raw) for index, raw in enumerate(entries))
    _require_ascending(told)
    return Batch(epoch=epoch, entries=told, status=read_status(data), retelling=_beside(data, "again", Retelling))


def read_status(data: Any) -> Status | None:
    """How a node says that it is. Telemetry holds up no facts: what cannot be read is ignored."""
    status = _beside(data, "status", Status)
    if status is None or status.panel is None or told_panel_address(status.panel) is not None:
        return status
    logger.warning("where a node says its panel is, cannot be read, and is ignored")
    return replace(status, panel=None)


def _beside(data: Any, name: str, kind: type[T]) -> T | None:
    """What a node says beside its entries."""
    said = data.get(name) if isinstance(data, dict) else None
    if said is None:
        return None
    try:
        return structure_lenient(said, kind)
    except InputError as error:
        logger.warning("a node's %s cannot be read, and is ignored: %s", name, error)
        return None


def read_told(raw: Any) -> ToldEntry:
    """One entry.

    Raises:
        InputError: names the field, within the entry, that no program can have meant.
    """
    if not isinstance(raw, dict):
        raise InputError("", f"{raw!r} is not an object", "give a JSON object")
    plain = read_plain(raw)
    if plain is not None and plain.seq >= 1:
        return ToldEntry(seq=plain.seq, at=plain.at, raw=raw, entry=plain)
    seq, at, kind = _whole(raw, "seq"), parse_instant(raw.get("at"), "at"), raw.get("kind")
    if seq < 1:
        raise InputError("seq", f"{seq} is no number of an entry", "number a journal's entries from 1")
    if not isinstance(kind, str) or not 1 <= len(kind) <= LONGEST_KIND:
        raise InputError("kind", f"{kind!r} is no kind", f"give 1 to {LONGEST_KIND} characters")
    entry, doubt = _understood(raw)
    if doubt is not None and (length := len(json.dumps(raw))) > LONGEST_ENTRY:
        raise InputError("", f"{length} characters, and not understood", f"give at most {LONGEST_ENTRY}")
    return ToldEntry(seq=seq, at=at, raw=raw, entry=entry, doubt=doubt)


def _understood(raw: Any) -> tuple[Entry | None, EntryDoubt | None]:
    try:
        return read_entry(raw), None
    except InputError as error:
        strictly = error
    try:
        return read_entry_from_newer(raw), EntryDoubt(field=strictly.field, problem=strictly.problem)
    except UnknownChoice as error:
        return None, EntryDoubt(field=error.field, problem=error.problem)


def _read(index: int, raw: Any) -> ToldEntry:
    try:
        return read_told(raw)
    except InputError as error:
        raise error.within(f"entries[{index}]") from None


def _whole(data: Mapping[str, Any], name: str) -> int:
    value = data.get(name)
    if isinstance(value, bool) or not isinstance(value, int):
        problem = "missing" if name not in data else f"{value!r} is not a whole number"
        raise InputError(name, problem, "give a whole number")
    return value


def _require_ascending(told: tuple[ToldEntry, ...]) -> None:
    for index, (before, after) in enumerate(pairwise(told), 1):
        if after.seq <= before.seq:
            problem = f"{after.seq} follows {before.seq}"
            raise InputError(f"entries[{index}].seq", problem, "give the entries in the order of their numbers")
