"""Entries of an older form: read from a board's journal, from the wire and from the log by the same steps.

An entry is told as JSON values. Its form has a version, which stands beside its fields as ``schema`` where it is not 1.
A field may be added with a default at the same version; anything else raises the version, and a step turns the old form
into the next one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from machines.errors import InputError, UnknownChoice
from machines.protocol.journal_entries import Entry
from machines.serialization import structure, structure_lenient, unstructure

Step = Callable[[dict[str, Any]], dict[str, Any]]

# Characters of what names a kind of entry, of a newer program's, too.
LONGEST_KIND = 60
# The version that is written now, by kind, where it is not 1.
SCHEMA: Mapping[str, int] = {}
# Fields that were added, and what they say where they say nothing: then they are left out.
SAID_OF_NOTHING: Sequence[tuple[str, Any]] = (("why", None), ("goes_on", False))
# (kind, old version) -> a function from the old version's data to the next one's.
UPCASTS: Mapping[tuple[str, int], Step] = {}


def entry_json(entry: Entry) -> dict[str, Any]:
    """An entry as it is kept in a journal and told to the server, which is rarely shown what an older one does not
    know."""
    data = {name: value for name, value in unstructure(entry).items() if (name, value) not in SAID_OF_NOTHING}
    schema = SCHEMA.get(entry.kind, 1)
    return data if schema == 1 else data | {"schema": schema}


def to_today(data: Any) -> Any:
    """An entry's JSON values in today's form, without the version. What is no object, or of no known kind, is returned
    as it is.

    Raises:
        UnknownChoice: it was written in a newer form.
        InputError: the version is none.
    """
    if not isinstance(data, dict):
        return data
    fields = {name: value for name, value in data.items() if name != "schema"}
    kind, schema = fields.get("kind"), data.get("schema", 1)
    if isinstance(schema, bool) or not isinstance(schema, int) or schema < 1:
        raise InputError("schema", f"{schema!r} is no version", "give a whole number from 1")
    if not isinstance(kind, str):
        return fields
    today = SCHEMA.get(kind, 1)
    if schema > today:
        raise UnknownChoice("schema", f"{kind} of version {schema}", f"give version {today} or an earlier one")
    for version in range(schema, today):
        fields = UPCASTS[kind, version](fields)
    return fields


def read_entry(data: Any) -> Entry:
    """An entry from JSON values of whatever version.

    Raises:
        UnknownChoice: of a newer form, or with a kind or a choice that is not known here.
        InputError: names the first field that cannot be used or is not known.
    """
    return structure(to_today(data), Entry)


def read_entry_from_newer(data: Any) -> Entry:
    """As `read_entry`, but fields that are not known are ignored.

    Raises:
        UnknownChoice, InputError: as there.
    """
    return structure_lenient(to_today(data), Entry)


SPOILT = "spoilt"
