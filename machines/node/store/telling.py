"""What is told of an entry as it lies in the journal: whatever it is, it holds back nothing beside it.

It may be of an older form, which is told in today's; of a newer one, as after a step back to an older program, which is
told as it lies, as the server may know it; or spoilt, as by a card that dies, which is told as such, for people.
"""

from __future__ import annotations

import json
from typing import Any

from machines.errors import InputError, UnknownChoice
from machines.protocol import upcasts
from machines.protocol.upcasts import LONGEST_KIND, SPOILT
from machines.serialization import parse_instant

# Characters of a spoilt entry; the server keeps entries some ten times as long.
LONGEST_SPOILT = 4000
# The log's numbers are those that a double holds exactly.
LARGEST_NUMBER = 2**53 - 1
# Arrays and objects within one another; the server reads twice as many, and what is around an entry is some of them.
DEEPEST = 100
# Nobody knows when a spoilt one was.
NEVER = "1970-01-01T00:00:00.000000Z"


def as_told(seq: int, body: Any) -> dict[str, Any]:
    """An entry as JSON values, as they are told to the server.

    Args:
        seq: its number, which counts.
        body: as it lies in the journal.
    """
    try:
        data = json.loads(body)
        return _told(data) | {"seq": seq}
    except (ValueError, TypeError, RecursionError):
        text = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body)
        shown = text[:LONGEST_SPOILT].encode("unicode_escape").decode("ascii")[:LONGEST_SPOILT]
        return {"seq": seq, "at": NEVER, "kind": SPOILT, "body": shown}


def _told(data: Any) -> dict[str, Any]:
    """What a newer agent wrote beside what is understood goes with it.

    Raises:
        InputError: no program can have meant it.
    """
    if not _can_be_kept(data):
        raise InputError("", "what the log cannot keep", "give others")
    try:
        entry = upcasts.read_entry_from_newer(data)
    except UnknownChoice:
        _require_a_whole_one(data)
        return dict(data)
    schema = upcasts.SCHEMA.get(entry.kind, 1)
    return dict(upcasts.to_today(data)) | ({} if schema == 1 else {"schema": schema})


def _can_be_kept(value: Any, depth: int = 0) -> bool:
    """Whether the log has a form for it."""
    if isinstance(value, dict | list):
        inner = [*value, *value.values()] if isinstance(value, dict) else value
        return depth < DEEPEST and all(_can_be_kept(item, depth + 1) for item in inner)
    if isinstance(value, str):
        return "\0" not in value and not any("\ud800" <= character <= "\udfff" for character in value)
    return not isinstance(value, int | float) or abs(value) <= LARGEST_NUMBER


def _require_a_whole_one(data: dict[str, Any]) -> None:
    """So much must be understood of any."""
    parse_instant(data.get("at"), "at")
    if not isinstance(data.get("kind"), str) or not 1 <= len(data["kind"]) <= LONGEST_KIND:
        raise InputError("kind", "no kind", "give one")
