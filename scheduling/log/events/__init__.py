"""The vocabulary of the log: every fact is one of these, past tense, frozen, with a schema version.

An event says what happened; the store adds who said it, when, and when it happened. What the studio says is in
`equipment`, `plans` and `visits`, what happens between server, boards and people in `server`, who may come in, in
`access`, what the server says of a board's reports in `reports`; the node's own entries
(`machines.protocol.journal_entries`) are facts as they are.

A field may be added with a default at the same schema version. Anything else raises the version, and `from_data`
turns the old form into the new one on reading: what was once written is never changed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, get_args

from machines.errors import InputError
from machines.protocol import upcasts
from machines.protocol.journal_entries import Entry
from machines.serialization import structure
from scheduling.log.events.access import AccessEvent
from scheduling.log.events.reports import AboutReports
from scheduling.log.events.server import ServerEvent
from scheduling.log.events.studio import StudioEvent

Event = StudioEvent | ServerEvent | AboutReports | AccessEvent | Entry


def _kind(cls: type) -> str:
    """``VenueAdded`` becomes ``venue-added``."""
    return "".join(f"-{letter.lower()}" if letter.isupper() else letter for letter in cls.__name__).lstrip("-")


EVENT_CLASSES: dict[str, type[Event]] = {_kind(cls): cls for cls in get_args(Event)}
EVENT_KINDS: dict[type[Event], str] = {cls: kind for kind, cls in EVENT_CLASSES.items()}
# What nodes tell, as a set: asked of every event, where to look through the union takes ten times as long.
ENTRY_CLASSES: frozenset[type] = frozenset(get_args(Entry))

# The schema version that is written now, where it is not 1. That of a node's entry is the node's.
SCHEMA: Mapping[str, int] = {**upcasts.SCHEMA}
# (kind, old version) -> a function from the old version's data to the next one's.
UPCASTS: Mapping[tuple[str, int], Callable[[dict[str, Any]], dict[str, Any]]] = {**upcasts.UPCASTS}


def schema_of(kind: str) -> int:
    """The schema version in which an event of this kind is written today."""
    return SCHEMA.get(kind, 1)


def from_data(kind: str, schema: int, data: dict[str, Any]) -> Event:
    """An event from the log, upcast to today's schema.

    Raises:
        InputError: the data do not fit the schema, or were written by a newer program.
        KeyError: no such kind, or no way up from that version.
    """
    if schema > schema_of(kind):
        raise InputError("schema", f"{kind} of version {schema}", "read it with the newer program that wrote it")
    while schema < schema_of(kind):
        data = UPCASTS[kind, schema](data)
        schema += 1
    return structure(data, EVENT_CLASSES[kind])
