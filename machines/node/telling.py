"""What is told of an entry as it lies in the journal: whatever it is, it holds back nothing beside it.

It may be of an older form, which is told in today's; of a newer one, as after a step back to an older program, which is
told as it lies, as the server may know it; or spoilt, as by a card that dies, which is told as such, for people.
"""

from __future__ import annotations

import json
from typing import Any

from machines import upcasts
from machines.errors import InputError, UnknownChoice
from machines.structure import parse_instant

SPOILT = "spoilt"
# Characters of a spoilt entry; the server keeps some fifty thousand octets, and one may be written with six.
LONGEST_SPOILT = 4000
LONGEST_KIND = 60
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
        return {"seq": seq, "at": NEVER, "kind": SPOILT, "body": text[:LONGEST_SPOILT]}


def _told(data: Any) -> dict[str, Any]:
    """What a newer agent wrote beside what is understood goes with it.

    Raises:
        InputError: no program can have meant it.
    """
    try:
        entry = upcasts.read_entry_from_newer(data)
    except UnknownChoice:
        _require_a_whole_one(data)
        return dict(data)
    schema = upcasts.SCHEMA.get(entry.kind, 1)
    return dict(upcasts.to_today(data)) | ({} if schema == 1 else {"schema": schema})


def _require_a_whole_one(data: dict[str, Any]) -> None:
    """So much must be understood of any."""
    parse_instant(data.get("at"), "at")
    if not isinstance(data.get("kind"), str) or not 1 <= len(data["kind"]) <= LONGEST_KIND:
        raise InputError("kind", "no kind", "give one")
